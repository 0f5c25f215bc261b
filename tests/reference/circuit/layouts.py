"""Reference values of cables that are more than parallel round wires, by methods other than the program's.

Braid: filaments in three dimensions. Neumann's double integral over one lay against many, each strand regularised by the
geometric mean distance of a round wire (r e^-1/4), radii swinging between over and under.
Coated pair: boundary elements, free and bound charge on conductors and on the insulation's surface.
Flat pair: many small equal squares of even current, complex linear solve per frequency; coplanar strips without
thickness by conformal mapping (C = eps K(k')/K(k), k = s/(s + 2w)); strips in perfect conduction by boundary elements.

Run: python3 tests/reference/circuit/layouts.py > tests/reference/circuit/layouts.json
"""

import json
import sys

import mpmath as mp
import numpy as np

MU0 = 4e-7 * np.pi
EPS0 = 1 / (MU0 * 299_792_458.0**2)
COPPER = 1.7241e-8


def strand(way, index, each_way, radius, lay, swing, z):
    turn = way * 2 * np.pi / lay
    wave = each_way * 2 * np.pi / lay
    r = radius + way * swing * np.cos(wave * z)
    slope = -way * swing * wave * np.sin(wave * z)
    angle = 2 * np.pi * index / each_way + turn * z
    position = np.stack([r * np.cos(angle), r * np.sin(angle), z], -1)
    tangent = np.stack(
        [slope * np.cos(angle) - r * turn * np.sin(angle), slope * np.sin(angle) + r * turn * np.cos(angle), np.ones_like(z)], -1
    )
    return position, tangent


def braid(strands, wire, circle, lay, outer, mixed, lays=4, step=0.15e-3):
    """Inductance per metre at low frequencies."""
    each_way = strands // 2
    swing, mean_distance = outer / 2, wire / 2 * np.exp(-0.25)
    sign = lambda way, index: (1 if index % 2 == 0 else -1) if mixed else way
    points = int(round(lay / step))
    h = lay / points
    here = (np.arange(points) + 0.5) * h
    along = (np.arange(-lays * points, (lays + 1) * points) + 0.5) * h
    total = 0.0
    # Strands of one direction are each other's turned copies: one of each direction stands for all.
    for way in (1, -1):
        p, t = strand(way, 0, each_way, circle / 2, lay, swing, here)
        for other in (1, -1):
            for index in range(each_way):
                q, u = strand(other, index, each_way, circle / 2, lay, swing, along)
                same = way == other and index == 0
                for start in range(0, points, 40):
                    difference = p[start : start + 40, None] - q[None]
                    squared = (difference**2).sum(-1) + (mean_distance**2 if same else 0.0)
                    dots = t[start : start + 40] @ u.T
                    total += sign(way, 0) * sign(other, index) * each_way * (dots / np.sqrt(squared)).sum()
    return MU0 / (4 * np.pi) * total * h * h / each_way**2 / lay


def coated(radius, outer, permittivity, spacing, count=220):
    """Capacitance per metre of two coated wires in air, by fundamental solutions: line charges off the surfaces, whose
    strengths meet the conditions on the surfaces in the sense of least squares."""
    angle = (np.arange(count) + 0.5) * 2 * np.pi / count
    ring = lambda r: r * np.exp(1j * angle)
    gap = spacing - 2 * outer
    air, core, shell = ring(outer - 0.6 * min(gap, outer - radius)), ring(0.75 * radius), ring(outer + 0.6 * gap)
    dense = np.exp(2j * np.pi * (np.arange(3 * count) + 0.25) / (3 * count))
    log = lambda at, source: -np.log(np.abs(at[:, None] - source[None]))
    radial = lambda at, source: -(at[:, None].conj() / np.abs(at[:, None]) / (at[:, None] - source[None]).conj()).real
    # The other wire is the mirror image at x = spacing, with opposite charges.
    image = spacing - air.conj()
    at_wire, at_coat = radius * dense, outer * dense
    n, m = count, 2 * count
    inside = np.concatenate([core, shell])
    zero = np.zeros((len(dense), n))
    one = np.ones((len(dense), 1))
    field_air = log(at_coat, air) - log(at_coat, image)
    rows = [
        np.hstack([zero, log(at_wire, inside), one]),
        np.hstack([field_air, -log(at_coat, inside), -one]),
        outer
        * np.hstack(
            [radial(at_coat, air) - radial(at_coat, image), -permittivity * radial(at_coat, inside), 0 * one]
        ),
    ]
    right = np.concatenate([np.ones(len(dense)), np.zeros(2 * len(dense))])
    found = np.linalg.lstsq(np.vstack(rows), right, rcond=1e-13)[0]
    return 2 * np.pi * EPS0 * found[:n].sum() / 2


def perimeter(x, y, width, height, count):
    """Midpoints, directions and lengths of elements around a rectangle, crowded at its corners."""
    middles, along, lengths = [], [], []
    for axis, size, other in ((0, width, height), (1, height, width)):
        edges = -np.cos(np.pi * np.arange(count + 1) / count) * size / 2
        for side in (-1, 1):
            middle = np.zeros((count, 2))
            middle[:, axis], middle[:, 1 - axis] = (edges[1:] + edges[:-1]) / 2, side * other / 2
            direction = np.zeros((count, 2))
            direction[:, axis] = 1
            middles.append(middle + [x, y])
            along.append(direction)
            lengths.append(np.diff(edges))
    return np.concatenate(middles), np.concatenate(along), np.concatenate(lengths)


def strips_capacitance(x_size, y_size, spacing, count=120):
    """Capacitance per metre in air of two perfectly conducting bars, centres apart along x: boundary elements."""
    parts = [perimeter(side * spacing / 2, 0, x_size, y_size, count) for side in (1, -1)]
    middles, along, lengths = (np.concatenate(part) for part in zip(*parts))
    difference = middles[:, None] - middles[None]
    u = (difference * along[None]).sum(-1)
    v = np.abs(difference[..., 0] * along[None, :, 1] - difference[..., 1] * along[None, :, 0])
    v = np.maximum(v, 1e-15)
    whole = lambda s: s * (0.5 * np.log(s * s + v * v) - 1) + v * np.arctan(s / v)
    half = lengths[None] / 2
    matrix = -(whole(u + half) - whole(u - half)) / (2 * np.pi * EPS0)
    n = len(parts[0][0])
    right = np.concatenate([np.ones(n), -np.ones(n)])
    charge = np.linalg.solve(matrix, right) * lengths
    return charge[:n].sum() / 2


def strips_impedance(x_size, y_size, spacing, frequencies, cell):
    """Loop R and L per metre: small squares of even current, one dense solve per frequency."""
    nx, ny = max(1, round(x_size / cell)), max(1, round(y_size / cell))
    hx, hy = x_size / nx, y_size / ny
    x, y = np.meshgrid((np.arange(nx) + 0.5) * hx - x_size / 2, (np.arange(ny) + 0.5) * hy - y_size / 2)
    plus = np.stack([x.ravel() + spacing / 2, y.ravel()], -1)
    mirrored = plus * [-1, 1]
    distance = lambda a, b: np.hypot(a[:, None, 0] - b[None, :, 0], a[:, None, 1] - b[None, :, 1])
    own = distance(plus, plus)
    np.fill_diagonal(own, 0.2235 * (hx + hy))
    mutual = MU0 / (2 * np.pi) * (np.log(distance(plus, mirrored)) - np.log(own))
    resistance = COPPER / (hx * hy)
    rows = []
    for frequency in frequencies:
        omega = 2 * np.pi * frequency
        matrix = 1j * omega * mutual + resistance * np.eye(len(plus))
        current = np.linalg.solve(matrix, np.ones(len(plus), complex)).sum()
        z = 2 / current
        rows.append([frequency, z.real, z.imag / omega])
    return rows


def coplanar(width, gap):
    """Capacitance per metre in air of two strips without thickness in one plane."""
    k = mp.mpf(gap) / (gap + 2 * width)
    return float(EPS0 * mp.ellipk(1 - k**2) / mp.ellipk(k**2))


def main():
    out = {"versions": {"python": sys.version.split()[0], "numpy": np.__version__, "mpmath": mp.__version__}}
    out["braids"] = []
    for strands, wire, circle, lay, outer, mixed in [
        (8, 1.02e-3, 6e-3, 60e-3, 1.2e-3, False),
        (8, 1.02e-3, 6e-3, 60e-3, 1.2e-3, True),
        (8, 1.02e-3, 6e-3, 60e-3, 1.6e-3, False),
        (8, 1.02e-3, 6e-3, 60e-3, 1.6e-3, True),
        (8, 0.5e-3, 5e-3, 40e-3, 1.0e-3, False),
        (16, 0.5e-3, 8e-3, 60e-3, 0.9e-3, False),
        (16, 0.5e-3, 8e-3, 120e-3, 0.9e-3, True),
        (24, 0.4e-3, 10e-3, 50e-3, 0.8e-3, False),
    ]:
        found = braid(strands, wire, circle, lay, outer, mixed)
        out["braids"].append([strands, wire, circle, lay, outer, mixed, found])
    out["coated"] = []
    for radius, outer, permittivity, spacing in [
        (0.5e-3, 1.0e-3, 2.3, 2.2e-3),
        (0.5e-3, 1.3e-3, 5.0, 2.8e-3),
        (0.8e-3, 1.6e-3, 3.0, 5e-3),
        (0.65e-3, 0.9e-3, 2.05, 2.0e-3),
        (0.4e-3, 0.9e-3, 8.0, 1.9e-3),
    ]:
        out["coated"].append([radius, outer, permittivity, spacing, coated(radius, outer, permittivity, spacing)])
    out["strips"] = []
    frequencies = [20.0, 1000.0, 5000.0, 20000.0, 100000.0]
    for width, thickness, spacing, stacked, cell in [
        (5e-3, 0.5e-3, 0.8e-3, True, 0.05e-3),
        (3e-3, 1.0e-3, 1.4e-3, True, 0.05e-3),
        (2e-3, 2.0e-3, 3.0e-3, True, 0.05e-3),
        (4e-3, 0.4e-3, 5e-3, False, 0.04e-3),
    ]:
        size = (thickness, width) if stacked else (width, thickness)
        out["strips"].append(
            {
                "width_m": width,
                "thickness_m": thickness,
                "spacing_m": spacing,
                "stacked": stacked,
                "capacitance": strips_capacitance(*size, spacing),
                "frequency_r_l": strips_impedance(*size, spacing, frequencies, cell),
            }
        )
    out["coplanar"] = [[w, g, coplanar(w, g)] for w, g in [(5e-3, 1e-3), (3e-3, 3e-3), (10e-3, 0.4e-3)]]
    json.dump(out, sys.stdout, indent=1)
    print()


if __name__ == "__main__":
    main()
