"""Reference values for the statistics, by mpmath (50 digits), scipy and statsmodels.

    python stats.py > stats.json

The output stands beside this script: generated, do not edit.
"""

import json
import random

import mpmath
import numpy
import scipy
import scipy.optimize
import scipy.stats
import statsmodels
from mpmath import mp, mpf
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

mp.dps = 50


def text(value):
    return mpmath.nstr(value, 25, strip_zeros=False)


def upper(k, n, p):
    """P(X >= k), summed term by term over the shorter side at 50 digits and more."""
    with mpmath.workdps(60):
        q = 1 - p
        if k <= 0:
            return mpf(1)
        if k > n * p:
            term = mpmath.binomial(n, k) * p**k * q ** (n - k)
            total, j = mpf(0), k
            while True:
                total += term
                if j == n or term < total * mpf(10) ** -55:
                    return total
                term *= mpf(n - j) / (j + 1) * p / q
                j += 1
        term = mpmath.binomial(n, k - 1) * p ** (k - 1) * q ** (n - k + 1)
        total, j = mpf(0), k - 1
        while True:
            total += term
            if j == 0 or term < total * mpf(10) ** -55:
                return 1 - total
            term *= mpf(j) / (n - j + 1) * q / p
            j -= 1


def tails():
    rows = []
    for n in (5, 16, 30, 100, 400, 1000, 5000, 20000, 100000, 1000000):
        for name, p in (("1/2", mpf(1) / 2), ("1/3", mpf(1) / 3), ("0.75", mpf("0.75"))):
            spread = mpmath.sqrt(n * p * (1 - p))
            seen = set()
            for z in (-36, -20, -8, -3, -1, 0, 1, 2, 3, 5, 8, 13, 20, 28, 36):
                k = int(mpmath.nint(n * p + z * spread))
                if 0 <= k <= n and k not in seen:
                    seen.add(k)
                    value = upper(k, n, p)
                    if value > mpf(10) ** -305:
                        rows.append([k, n, name, text(value)])
    return rows


def normals():
    points = [-37, -30, -20, -12, -8, -5, -3, -2, -1, -0.7, -0.5, -0.1, 0, 0.3, 1, 2.5, 6]
    return [[z, text(mpmath.ncdf(mpf(z)))] for z in points]


def chi_squared():
    rows = []
    for degrees in (1, 2, 3, 6, 17, 40, 250, 5000):
        for factor in (0.01, 0.3, 0.9, 1, 1.2, 2, 5, 20):
            value = degrees * factor
            tail = mpmath.gammainc(mpf(degrees) / 2, mpf(value) / 2, mpmath.inf, regularized=True)
            if tail > mpf(10) ** -300:
                rows.append([degrees, value, text(tail)])
    return rows


def triangle(d):
    a = d * mpmath.sqrt(mpf(2) / 3)
    r = mpmath.sqrt(3)
    f = lambda u: (mpmath.ncdf(a - u * r) + mpmath.ncdf(-a - u * r)) * mpmath.npdf(u)
    return 2 * mpmath.quad(f, [0, 1, 2, 4, 8, 14])


def tetrad(d):
    f = lambda u: mpmath.npdf(u) * (2 * mpmath.ncdf(u) * mpmath.ncdf(u - d) - mpmath.ncdf(u - d) ** 2)
    return 1 - 2 * mpmath.quad(f, [-14, -8, -4, -2, 0, 2, 4, 8, 14])


def pair(d, other):
    u, v = d / mpmath.sqrt(2), d / other
    return mpmath.ncdf(u) * mpmath.ncdf(v) + mpmath.ncdf(-u) * mpmath.ncdf(-v)


def psychometric():
    models = {
        "two-afc": lambda d: mpmath.ncdf(d / mpmath.sqrt(2)),
        "differencing": lambda d: pair(d, mpmath.sqrt(6)),
        "independent-observation": lambda d: pair(d, mpf(2)),
        "triangle": triangle,
        "tetrad": tetrad,
    }
    rows = []
    with mpmath.workdps(25):
        for name, f in models.items():
            for d in (0.05, 0.25, 0.5, 1, 1.5, 2, 3, 4.5, 6):
                rows.append([name, d, text(f(mpf(d)))])
    return rows


def intervals():
    rows = []
    for n in (1, 5, 10, 16, 29, 100, 263, 1000, 50000):
        for x in sorted({0, 1, n // 4, n // 2, (3 * n) // 4, n - 1, n}):
            for level in (0.9, 0.95, 0.99):
                row = [x, n, level]
                for method in ("beta", "wilson", "jeffreys", "agresti_coull"):
                    low, high = proportion_confint(x, n, 1 - level, method=method)
                    # Jeffreys by convention reaches 0 and 1 at the ends; statsmodels leaves the quantile.
                    if method == "jeffreys":
                        low, high = (0.0 if x == 0 else low), (1.0 if x == n else high)
                    row.append([float(low), float(high)])
                rows.append(row)
    return rows


def two_sided():
    rows = []
    for k, n, p in ((682, 925, 0.75), (3, 16, 0.5), (8, 16, 0.5), (14, 20, 1 / 3), (1, 30, 1 / 3), (0, 9, 1 / 3), (55, 100, 0.5)):
        rows.append([k, n, p, float(scipy.stats.binomtest(k, n, p).pvalue)])
    return rows


def families(source):
    rows = []
    for m in (1, 2, 5, 15, 60):
        p = [source.random() ** 3 for _ in range(m)]
        holm = multipletests(p, method="holm")[1]
        bh = multipletests(p, method="fdr_bh")[1]
        weights = [source.random() + 0.1 for _ in range(m)]
        fisher = scipy.stats.combine_pvalues(p, method="fisher")
        stouffer = scipy.stats.combine_pvalues(p, method="stouffer", weights=weights)
        rows.append(
            {
                "p": p,
                "weights": weights,
                "holm": holm.tolist(),
                "benjamini_hochberg": bh.tolist(),
                "fisher": [float(fisher.statistic), float(fisher.pvalue)],
                "stouffer": [float(stouffer.statistic), float(stouffer.pvalue)],
            }
        )
    return rows


def beta_binomials(source):
    rows = []
    for a, b, listeners, trials in ((2, 3, 12, 10), (8, 4, 40, 16), (0.6, 0.9, 25, 20), (30, 20, 60, 24)):
        scores = []
        for _ in range(listeners):
            p = source.betavariate(a, b)
            scores.append([sum(source.random() < p for _ in range(trials)), trials])
        x = numpy.array([s[0] for s in scores])

        def minus(free):
            m, g = 1 / (1 + numpy.exp(-free[0])), 1 / (1 + numpy.exp(-free[1]))
            whole = 1 / g - 1
            return -scipy.stats.betabinom.logpmf(x, trials, m * whole, (1 - m) * whole).sum()

        best = min(
            (
                scipy.optimize.minimize(minus, [0, start], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-12, "maxiter": 10000})
                for start in (-3, -1, 0)
            ),
            key=lambda found: found.fun,
        )
        mu, gamma = (float(1 / (1 + numpy.exp(-value))) for value in best.x)
        rows.append({"scores": scores, "mu": mu, "gamma": gamma, "ln_likelihood": float(-best.fun)})
    return rows


def changes():
    rows = []
    for x, m, y, n in ((5, 8, 6, 8), (0, 8, 8, 8), (20, 40, 28, 40), (3, 7, 2, 6)):
        low, high = confint_proportions_2indep(y, n, x, m, method="newcomb", compare="diff", correction=False)
        rows.append([x, m, y, n, float(low), float(high)])
    return rows


def main():
    source = random.Random(20)
    print(
        json.dumps(
            {
                "generated": "by stats.py, do not edit",
                "versions": {
                    "mpmath": mpmath.__version__,
                    "scipy": scipy.__version__,
                    "statsmodels": statsmodels.__version__,
                    "numpy": numpy.__version__,
                },
                "tails": tails(),
                "normals": normals(),
                "chi_squared": chi_squared(),
                "psychometric": psychometric(),
                "intervals": intervals(),
                "two_sided": two_sided(),
                "families": families(source),
                "beta_binomials": beta_binomials(source),
                "changes": changes(),
            },
            separators=(",", ":"),
        ).replace("],[", "],\n[").replace("},{", "},\n{")
    )


main()
