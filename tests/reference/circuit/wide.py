"""More reference values of the circuit room: many cross-sections, capacitances, lines of every length, Touchstone files.

Cross-sections: collocation as in reference.py, on sets of unequal conductors of several metals. Capacitances: Laplace's
equation by collocation. Lines: mpmath. Touchstone files: written here by the format's own rules, and read back by
scikit-rf where it knows the kind.

Run: python3 tests/reference/circuit/wide.py > tests/reference/circuit/wide.json
"""

import json
import os
import sys
import tempfile

import mpmath as mp
import numpy as np
import skrf

from reference import section

METALS = {"copper": 1.7241e-8, "silver": 1.587e-8, "aluminium": 2.8264e-8, "brass": 6.4e-8}


def scattered(seed, count, gap):
    """Conductors of random size, metal and polarity at random places, none nearer than `gap` times touching."""
    random = np.random.default_rng(seed)
    found = []
    spread = 1.2e-3 * np.sqrt(count) * gap
    while len(found) < count:
        radius = random.uniform(0.25e-3, 1.1e-3)
        x, y = random.uniform(-spread, spread, 2)
        if all(np.hypot(x - o[0], y - o[1]) > gap * (radius + o[2]) for o in found):
            metal = random.choice(sorted(METALS))
            found.append((x, y, radius, METALS[metal], int(random.choice([1, -1]))))
    if len({c[4] for c in found}) == 1:
        found[0] = (*found[0][:4], -found[0][4])
    return found


def shapes():
    copper = METALS["copper"]
    close = lambda gap, a, b, *rest: [(0.0, 0.0, a, copper, 1), (gap * (a + b), 0.0, b, copper, -1), *rest]
    a = 0.7e-3
    yield "pair at 1.05", close(1.05, a, a), 32
    yield "uneven pair at 1.05", close(1.05, 1.2e-3, 0.4e-3), 40
    yield "uneven pair of two metals at 1.5", [(0, 0, 1e-3, copper, 1), (2.25e-3, 0, 0.5e-3, METALS["aluminium"], -1)], 22
    third = (0.5 * 1.05 * 2 * a, 1.05 * 2 * a * np.sqrt(3) / 2, a, METALS["silver"], -1)
    yield "triangle at 1.05", close(1.05, a, a, third), 32
    row = [(1.05 * 2 * a * i, 0.0, a, copper, s) for i, s in enumerate([1, -1, -1, 1])]
    yield "row of four at 1.05", row, 34
    for seed, count, gap in [(1, 3, 1.2), (2, 3, 1.12), (3, 4, 1.2), (4, 5, 1.15), (5, 6, 1.2), (6, 7, 1.2), (7, 8, 1.25), (8, 4, 2.0), (9, 8, 1.15)]:
        yield f"scattered {seed}", scattered(seed, count, gap), 20 if count > 5 else 26


def capacitance(conductors, order, points):
    """Capacitance in vacuum between all + and all -, farad per metre."""
    count = len(conductors)
    unknowns = count * (2 * order + 1) + 2
    rows, right = [], []
    for p, (px, py, pr, _, sign) in enumerate(conductors):
        for angle in 2 * np.pi * np.arange(points) / points:
            row = np.zeros(unknowns)
            sx, sy = px + pr * np.cos(angle), py + pr * np.sin(angle)
            for q, (qx, qy, qr, _, _) in enumerate(conductors):
                r, t = np.hypot(sx - qx, sy - qy), np.arctan2(sy - qy, sx - qx)
                base = q * (2 * order + 1)
                row[base] = -np.log(r)
                for n in range(1, order + 1):
                    row[base + 2 * n - 1] = (qr / r) ** n * np.cos(n * t)
                    row[base + 2 * n] = (qr / r) ** n * np.sin(n * t)
            row[-2 if sign > 0 else -1] = -1
            rows.append(row)
            right.append(0)
    for side in (1, -1):
        row = np.zeros(unknowns)
        for p, c in enumerate(conductors):
            if c[4] == side:
                row[p * (2 * order + 1)] = 1
        rows.append(row * 10)
        right.append(10 * side)
    matrix = np.array(rows)
    lengths = np.linalg.norm(matrix, axis=0)
    solution, *_ = np.linalg.lstsq(matrix / lengths, np.array(right), rcond=1e-15)
    solution = solution / lengths
    epsilon = 1 / (4e-7 * np.pi * 299792458.0**2)
    return 2 * np.pi * epsilon / (solution[-2] - solution[-1])


def sections():
    cases = []
    for name, shape, order in shapes():
        print(name, file=sys.stderr, flush=True)
        held = capacitance(shape, order, 3 * order)
        more = capacitance(shape, order + 8, 3 * order + 24)
        assert abs(held - more) < 1e-6 * more, (name, held, more)
        values = []
        for transposed in [False, True]:
            if transposed and len(shape) == 2:
                continue
            for frequency in [50.0, 3e3, 20e3, 100e3]:
                found = section(shape, frequency, transposed, order, 5 * order // 2 * 2)
                finer = section(shape, frequency, transposed, order + 6, 5 * order // 2 * 2 + 28)
                change = abs(finer - found) / abs(finer)
                assert change < 3e-6, (name, transposed, frequency, change)
                values.append(
                    {
                        "transposed": transposed,
                        "frequency_hz": frequency,
                        "resistance_ohm_m": finer.real,
                        "inductance_h_m": finer.imag / (2 * np.pi * frequency),
                        "change": change,
                    }
                )
        cases.append({"name": name, "conductors": [[float(v) for v in c] for c in shape], "capacitance_f_m": more, "values": values})
    return cases


def lines():
    """Voltage at 8 ohm parallel to 100 nF over that of a source of 40 mohm and 1 uH, through a lossy line; and its input."""
    rows = []
    for r, l, g, c in [(0.03, 0.6e-6, 1e-9, 60e-12), (0.5, 0.9e-6, 0.0, 20e-12), (1e-3, 0.08e-6, 1e-7, 900e-12), (0.0, 0.3e-6, 0.0, 150e-12)]:
        for length in [0.0, 1e-3, 0.3, 6.0, 150.0, 1e3, 1e4]:
            for frequency in [0.0, 0.01, 20.0, 1e3, 2e4, 3e5]:
                w = mp.mpf(2) * mp.pi * mp.mpf(frequency)
                z, y = mp.mpc(r, w * mp.mpf(l)), mp.mpc(g, w * mp.mpf(c))
                x = mp.sqrt(z * y) * length
                a = mp.cosh(x)
                s = mp.sinh(x) / x if x != 0 else mp.mpf(1)
                b, cc = z * length * s, y * length * s
                load = mp.mpf(1) / 8 + mp.j * w * mp.mpf(100e-9)
                source = mp.mpc(0.04, w * mp.mpf(1e-6))
                h = 1 / (a + b * load + source * (cc + a * load))
                into = (a + b * load) / (cc + a * load)
                rows.append([r, l, g, c, length, frequency, float(h.real), float(h.imag), float(into.real), float(into.imag)])
    return rows


def pair_text(value, form):
    if form == "RI":
        return f"{value.real:.15e} {value.imag:.15e}"
    size, angle = abs(value), np.degrees(np.angle(value))
    return f"{20 * np.log10(size) if form == 'DB' else size:.15e} {angle:.15e}"


def touchstone():
    """Files of every kind, format, unit and version of the same line (two-port) and load (one-port)."""
    frequency = np.array([20.0, 1e3, 2e4])
    w = 2 * np.pi * frequency
    z, y = 0.2 + 1j * w * 4e-6, 1e-5 + 1j * w * 3e-9
    # A pi of half the shunt at each end, and the same two-port turned into every kind of parameter.
    a = 1 + z * y / 2
    b, c, d = z, y * (1 + z * y / 4), 1 + z * y / 2
    det = a * d - b * c
    two = {
        "Z": np.array([[a / c, det / c], [1 / c, d / c]]),
        "Y": np.array([[d / b, -det / b], [-1 / b, a / b]]),
        "H": np.array([[b / d, det / d], [-1 / d, c / d]]),
        "G": np.array([[c / a, -det / a], [1 / a, b / a]]),
    }
    load = 6.0 + 1j * w * 3e-4
    units = {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9}
    files = []
    for reference in [50.0, 8.0]:
        r = reference
        denominator = a + b / r + c * r + d
        two["S"] = np.array([[(a + b / r - c * r - d) / denominator, 2 * det / denominator], [2 / denominator, (-a + b / r - c * r + d) / denominator]])
        for version in [1, 2]:
            for kind in "SZYHG":
                for form in ["RI", "MA", "DB"]:
                    for unit, hertz in units.items():
                        if reference == 8.0 and unit != "kHz":
                            continue
                        m = two[kind].copy()
                        if version == 1:
                            scale = {"S": np.ones((2, 2)), "Z": np.full((2, 2), 1 / r), "Y": np.full((2, 2), r), "H": np.array([[1 / r, 1], [1, r]]), "G": np.array([[r, 1], [1, 1 / r]])}[kind]
                            m = m * scale[:, :, None]
                        order = [(0, 0), (1, 0), (0, 1), (1, 1)] if version == 1 or form == "MA" else [(0, 0), (0, 1), (1, 0), (1, 1)]
                        head = []
                        if version == 2:
                            head.append("[Version] 2.0")
                        head.append(f"# {unit.lower() if form == 'DB' else unit} {kind} {form} R {reference}")
                        if version == 2:
                            head += ["[Number of Ports] 2", f"[Two-Port Data Order] {'21_12' if form == 'MA' else '12_21'}", "[Number of Frequencies] 3", f"[Reference] {reference} {reference}", "[Network Data]"]
                        rows = [f"{f / hertz:.15e} " + " ".join(pair_text(m[i][j][n], form) for i, j in order) + " ! a row" for n, f in enumerate(frequency)]
                        tail = ["[End]"] if version == 2 else []
                        text = "! invented\n" + "\n".join(head + rows + tail) + "\n"
                        if kind == "S" and version == 1:
                            with tempfile.TemporaryDirectory() as folder:
                                path = os.path.join(folder, "x.s2p")
                                open(path, "w").write(text)
                                read = skrf.Network(path)
                                assert np.allclose(read.s, np.moveaxis(two["S"], 2, 0), rtol=1e-9, atol=1e-12), text
                                assert np.allclose(read.z0, reference)
                        files.append({"ports": 2, "version": version, "kind": kind, "format": form, "unit": unit, "reference": reference, "text": text})
                        if kind in "SZY":
                            value = {"S": (load - r) / (load + r), "Z": load / (r if version == 1 else 1), "Y": (r if version == 1 else 1) / load}[kind]
                            rows = [f"{f / hertz:.15e} {pair_text(value[n], form)}" for n, f in enumerate(frequency)]
                            head = [h for h in head if "Order" not in h]
                            head = [h.replace("Ports] 2", "Ports] 1").replace(f"] {reference} {reference}", f"] {reference}") for h in head]
                            files.append({"ports": 1, "version": version, "kind": kind, "format": form, "unit": unit, "reference": reference, "text": "\n".join(head + rows + tail) + "\n"})
    return {
        "frequency_hz": frequency.tolist(),
        "abcd": [[[float(v.real), float(v.imag)] for v in (a[n], b[n], c[n], d[n])] for n in range(3)],
        "load_ohm": [[float(v.real), float(v.imag)] for v in load],
        "files": files,
    }


if __name__ == "__main__":
    mp.mp.dps = 30
    json.dump(
        {
            "note": "generated by wide.py, do not edit",
            "versions": {"python": sys.version.split()[0], "mpmath": mp.__version__, "numpy": np.__version__, "scikit-rf": skrf.__version__},
            "touchstone": touchstone(),
            "lines": lines(),
            "sections": sections(),
        },
        sys.stdout,
        separators=(",", ":"),
    )
