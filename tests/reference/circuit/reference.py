"""Reference values of the circuit room, by other means than its own.

Bessel functions and cross-sections: mpmath, the multipole equations written with cosines and sines in real
coordinates, matched by collocation on the conductors' surfaces (least squares), not by re-expansion. Interpolation:
scipy. Lines, cascades and Touchstone files: scikit-rf.

Run: python3 tests/reference/circuit/reference.py > tests/reference/circuit/reference.json
"""

import json
import sys
import tempfile
import os

import mpmath as mp
import numpy as np
import scipy
from scipy.interpolate import PchipInterpolator
import skrf

mp.mp.dps = 30
MU0 = 4e-7 * np.pi


def bessel():
    rows = []
    for size in [1e-3, 0.1, 0.5, 1, 2, 3.7, 7, 15, 40, 150, 900, 5000]:
        z = size * mp.sqrt(mp.j)
        q = z / 2 * mp.besseli(0, z) / mp.besseli(1, z)
        rows.append([size, float(q.real), float(q.imag)])
    return rows


def tube():
    """Schelkunoff 1934: surface impedance of a tube with the return inside."""
    rows = []
    for inner, thickness, resistivity, frequency in [
        (1.475e-3, 0.2e-3, 1.7241e-8, 50.0),
        (1.475e-3, 0.2e-3, 1.7241e-8, 20e3),
        (1.475e-3, 0.2e-3, 1.7241e-8, 1e6),
        (2e-3, 1.5e-3, 2.8264e-8, 3e3),
        (2e-3, 1.5e-3, 2.8264e-8, 100e3),
    ]:
        k = mp.sqrt(mp.j * 2 * mp.pi * frequency * MU0 / resistivity)
        b, c = mp.mpf(inner), mp.mpf(inner) + mp.mpf(thickness)
        i0, k0 = mp.besseli(0, k * b), mp.besselk(0, k * b)
        i1, k1 = mp.besseli(1, k * b), mp.besselk(1, k * b)
        i1c, k1c = mp.besseli(1, k * c), mp.besselk(1, k * c)
        z = resistivity * k / (2 * mp.pi * b) * (i0 * k1c + k0 * i1c) / (i1c * k1 - k1c * i1)
        rows.append([inner, thickness, resistivity, frequency, float(z.real), float(z.imag)])
    return rows


def section(conductors, frequency, transposed, order, points):
    """Loop impedance in ohm per metre by collocation; conductors are (x, y, radius, resistivity, sign)."""
    count = len(conductors)
    width = 2 * order  # outgoing cosines and sines
    unknowns = count * (2 * width + 1) + count + count + 2
    omega = 2 * np.pi * frequency
    scale = MU0 / (2 * np.pi)
    rows, right = [], []

    def index(p, part, n):
        # part 0: outgoing cos/sin (0..width), 1: inside cos/sin and mean (0..width+1)
        base = p * (2 * width + 1)
        return base + n if part == 0 else base + width + n

    current = lambda p: count * (2 * width + 1) + p
    mean = lambda p: count * (2 * width + 1) + count + p
    volt = lambda side: count * (2 * width + 1) + 2 * count + side
    inside = []
    for x, y, radius, resistivity, sign in conductors:
        k = complex(mp.sqrt(mp.j * omega * MU0 / resistivity))
        values = [mp.besseli(n, k * radius) for n in range(order + 2)]
        slopes = []
        for n in range(1, order + 1):
            slope = k * (mp.besseli(n - 1, k * radius) + mp.besseli(n + 1, k * radius)) / 2
            slopes.append(complex(slope / values[n]))
        internal = complex(k * resistivity / (2 * mp.pi * radius) * values[0] / values[1])
        inside.append((slopes, internal))
    for p, (px, py, pr, _, _) in enumerate(conductors):
        for angle in 2 * np.pi * np.arange(points) / points:
            value, slope = np.zeros(unknowns, complex), np.zeros(unknowns, complex)
            sx, sy = px + pr * np.cos(angle), py + pr * np.sin(angle)
            for q, (qx, qy, qr, _, _) in enumerate(conductors):
                dx, dy = sx - qx, sy - qy
                r, t = np.hypot(dx, dy), np.arctan2(dy, dx)
                # Derivative along p's normal.
                radial = (dx * np.cos(angle) + dy * np.sin(angle)) / r
                around = (-dy * np.cos(angle) + dx * np.sin(angle)) / r
                value[current(q)] += -np.log(r)
                slope[current(q)] += -radial / r * pr
                for n in range(1, order + 1):
                    size = (qr / r) ** n
                    for part, (f, g) in enumerate(
                        [(np.cos(n * t), -np.sin(n * t)), (np.sin(n * t), np.cos(n * t))]
                    ):
                        column = index(q, 0, 2 * (n - 1) + part)
                        value[column] += size * f
                        slope[column] += n * size / r * (-radial * f + around * g) * pr
            slopes, _ = inside[p]
            value[mean(p)] -= 1
            for n in range(1, order + 1):
                for part, f in enumerate([np.cos(n * angle), np.sin(n * angle)]):
                    column = index(p, 1, 2 * (n - 1) + part)
                    value[column] -= f
                    slope[column] -= slopes[n - 1] * f * pr
            # The mean of the slope is the current's own.
            slope[current(p)] += 1
            rows += [value, slope]
            right += [0, 0]
    plus = sum(1 for c in conductors if c[4] > 0)
    minus = count - plus
    if transposed:
        for p, c in enumerate(conductors):
            row = np.zeros(unknowns, complex)
            row[current(p)] = 1
            rows.append(row)
            right.append(1 / plus if c[4] > 0 else -1 / minus)
        for side in range(2):
            row = np.zeros(unknowns, complex)
            row[volt(side)] = 1
            rows.append(row)
            right.append(0)
    else:
        for side, total in [(0, 1), (1, -1)]:
            row = np.zeros(unknowns, complex)
            for p, c in enumerate(conductors):
                if (c[4] > 0) == (side == 0):
                    row[current(p)] = 1
            rows.append(row)
            right.append(total)
        for p, c in enumerate(conductors):
            row = np.zeros(unknowns, complex)
            row[current(p)] = inside[p][1] / (omega * scale)
            row[mean(p)] = 1j
            row[volt(0 if c[4] > 0 else 1)] = -1
            rows.append(row)
            right.append(0)
    matrix, right = np.array(rows), np.array(right, complex)
    lengths = np.linalg.norm(matrix, axis=0)
    lengths[lengths == 0] = 1
    solution, *_ = np.linalg.lstsq(matrix / lengths, right, rcond=1e-14)
    solution = solution / lengths
    if not transposed:
        return omega * scale * (solution[volt(0)] - solution[volt(1)])
    total = 0
    for p, c in enumerate(conductors):
        share = 1 / plus if c[4] > 0 else -1 / minus
        total += share * (inside[p][1] * solution[current(p)] + 1j * omega * scale * solution[mean(p)])
    return total


def sections():
    copper = 1.7241e-8
    quad = [
        (1.7e-3, 1.7e-3, 0.69e-3, copper, 1),
        (-1.7e-3, 1.7e-3, 0.69e-3, copper, -1),
        (-1.7e-3, -1.7e-3, 0.69e-3, copper, 1),
        (1.7e-3, -1.7e-3, 0.69e-3, copper, -1),
    ]
    uneven = [
        (0.0, 0.0, 1.2e-3, copper, 1),
        (2.1e-3, 0.3e-3, 0.6e-3, 2.8264e-8, -1),
        (-0.4e-3, 2.4e-3, 0.8e-3, copper, -1),
    ]
    ribbon = [(1.5e-3 * i, 0.0, 0.6e-3, copper, 1 if i < 3 else -1) for i in range(6)]
    cases = []
    for name, shape, order, points in [("quad", quad, 10, 48), ("uneven", uneven, 20, 88), ("ribbon", ribbon, 12, 56)]:
        for transposed in [False, True]:
            for frequency in [50.0, 2e3, 20e3, 96e3]:
                found = section(shape, frequency, transposed, order, points)
                more = section(shape, frequency, transposed, order + 4, points + 16)
                assert abs(more - found) < 1e-6 * abs(found), (name, frequency, found, more)
                cases.append(
                    {
                        "name": name,
                        "conductors": [list(c) for c in shape],
                        "transposed": transposed,
                        "frequency_hz": frequency,
                        "resistance_ohm_m": more.real,
                        "inductance_h_m": more.imag / (2 * np.pi * frequency),
                    }
                )
    return cases


def interpolation():
    frequency = [100.0, 1e3, 2.5e3, 1e4, 2e4, 1e5]
    value = [0.041, 0.042, 0.055, 0.09, 0.13, 0.31]
    rough = [1.0, 3.0, 3.0, 2.0, 5.0, 4.5]
    wanted = [100.0, 137.0, 999.0, 1700.0, 5e3, 1.3e4, 7e4, 1e5]
    out = []
    for values in [value, rough]:
        curve = PchipInterpolator(np.log(frequency), values)
        out.append({"values": values, "expected": [float(curve(np.log(f))) for f in wanted]})
    return {"frequency_hz": frequency, "wanted_hz": wanted, "curves": out}


def networks():
    """Two lossy lines, a shunt and a series impedance in cascade, and the same as Touchstone text."""
    frequency = np.array([100.0, 1e3, 1e4, 5e4, 2e5, 1e6])
    grid = skrf.Frequency.from_f(frequency, unit="hz")
    omega = 2 * np.pi * frequency
    lines = []
    for r, l, c, g, length in [(0.03, 0.6e-6, 60e-12, 1e-9, 6.0), (0.01, 0.3e-6, 150e-12, 0.0, 120.0)]:
        media = skrf.media.DistributedCircuit(grid, z0_port=50, C=c, L=l, R=r, G=g)
        lines.append(media.line(length, "m"))
    cascade = lines[0] ** lines[1]
    a = cascade.a
    load = 6.2 + 1j * omega * 0.3e-3
    source = 0.05 + 1j * omega * 1e-6
    h = 1 / (a[:, 0, 0] + a[:, 0, 1] / load + source * (a[:, 1, 0] + a[:, 1, 1] / load))
    texts = {}
    with tempfile.TemporaryDirectory() as folder:
        for form in ["ri", "ma", "db"]:
            cascade.write_touchstone(os.path.join(folder, form), form=form)
            texts[form] = open(os.path.join(folder, form + ".s2p")).read()
    # Version 1 normalises impedances and admittances to the reference; 21 stands before 12.
    for parameter, values in [("z", cascade.z / 50), ("y", cascade.y * 50)]:
        lines = [f"# Hz {parameter.upper()} RI R 50"]
        for f, m in zip(frequency, values):
            ordered = [m[0, 0], m[1, 0], m[0, 1], m[1, 1]]
            lines.append(f"{float(f)} " + " ".join(f"{v.real:.17e} {v.imag:.17e}" for v in ordered).replace("np.float64", ""))
        texts[parameter] = "\n".join(lines)
    return {
        "frequency_hz": frequency.tolist(),
        "abcd": [[[v.real, v.imag] for v in m.flatten()] for m in a],
        "s": [[[v.real, v.imag] for v in m.flatten()] for m in cascade.s],
        "transfer": [[v.real, v.imag] for v in h],
        "touchstone": texts,
    }



def everything():
    json.dump(
        {
            "note": "generated by reference.py, do not edit",
            "versions": {
                "python": sys.version.split()[0],
                "mpmath": mp.__version__,
                "numpy": np.__version__,
                "scipy": scipy.__version__,
                "scikit-rf": skrf.__version__,
            },
            "bessel": bessel(),
            "tube": tube(),
            "sections": sections(),
            "interpolation": interpolation(),
            "networks": networks(),
        },
        sys.stdout,
        indent=1,
    )


if __name__ == "__main__":
    everything()
