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
from statsmodels.tools.numdiff import approx_hess

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


def same_different(d):
    """Differencing: "different" beyond a distance k, which is sought where the proportion right is largest."""
    root2 = mpmath.sqrt(2)

    def right(k):
        hits = mpmath.ncdf((d - k) / root2) + mpmath.ncdf((-d - k) / root2)
        return (1 + hits - 2 * mpmath.ncdf(-k / root2)) / 2

    with mpmath.workdps(50):
        return right(mpmath.findroot(lambda k: mpmath.diff(right, k), (mpf("1.3"), d / 2 + 1), tol=1e-40))


def psychometric():
    models = {
        "two-afc": lambda d: mpmath.ncdf(d / mpmath.sqrt(2)),
        "differencing": lambda d: pair(d, mpmath.sqrt(6)),
        "independent-observation": lambda d: pair(d, mpf(2)),
        "triangle": triangle,
        "tetrad": tetrad,
        "same-different": same_different,
        "yes-no": lambda d: mpmath.ncdf(d / 2),
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


def beta_binomial_errors(source):
    """Maxima and standard errors by the inverse observed information, all in mpmath from the closed form of the
    chance-corrected beta-binomial probability; for chance 0 also by statsmodels' numeric Hessian of scipy's betabinom."""
    published = list(
        zip(
            [3, 2, 6, 8, 3, 4, 6, 0, 9, 9, 0, 2, 1, 2, 8, 9, 5, 7],
            [10, 9, 8, 9, 8, 6, 9, 10, 10, 10, 9, 9, 10, 10, 10, 10, 9, 10],
        )
    )
    simulated = []
    for _ in range(20):
        p = 0.5 + 0.5 * source.betavariate(1.2, 2.0)
        n = source.choice([12, 16, 20])
        simulated.append((sum(source.random() < p for _ in range(n)), n))
    rows = []
    with mpmath.workdps(40):
        for scores, chance in ((published, 0), (published, "1/2"), (simulated, 0), (simulated, "1/2"), (simulated, "1/3")):
            c = mpf(0) if chance == 0 else mpf(1) / int(chance[2:])
            groups = {}
            for score in scores:
                groups[score] = groups.get(score, 0) + 1

            def ln_likelihood(mu, gamma):
                whole = 1 / gamma - 1
                a, b = mu * whole, (1 - mu) * whole
                total = mpf(0)
                for (x, n), times in groups.items():
                    heard = [x] if c == 0 else range(x + 1)
                    probability = sum(
                        mpmath.binomial(x, j) * c ** (x - j) * (1 - c) ** (j + n - x) * mpmath.beta(a + j, b + n - x)
                        for j in heard
                    )
                    total += times * mpmath.log(mpmath.binomial(n, x) * probability / mpmath.beta(a, b))
                return total

            def slopes(mu, gamma):
                step = mpf(10) ** -12
                return (
                    (ln_likelihood(mu + step, gamma) - ln_likelihood(mu - step, gamma)) / (2 * step),
                    (ln_likelihood(mu, gamma + step) - ln_likelihood(mu, gamma - step)) / (2 * step),
                )

            coarse = scipy.optimize.minimize(
                lambda free: -float(ln_likelihood(1 / (1 + mpmath.exp(-free[0])), 1 / (1 + mpmath.exp(-free[1])))),
                [-0.5, -1],
                method="Nelder-Mead",
                options={"xatol": 1e-6, "fatol": 1e-9},
            )
            start = [1 / (1 + mpmath.exp(-value)) for value in coarse.x]
            mu, gamma = mpmath.findroot(slopes, start, tol=mpf(10) ** -18)
            h = mpf(10) ** -9
            f = ln_likelihood
            mm = (f(mu + h, gamma) - 2 * f(mu, gamma) + f(mu - h, gamma)) / h**2
            gg = (f(mu, gamma + h) - 2 * f(mu, gamma) + f(mu, gamma - h)) / h**2
            mg = (f(mu + h, gamma + h) - f(mu + h, gamma - h) - f(mu - h, gamma + h) + f(mu - h, gamma - h)) / (4 * h**2)
            determinant = mm * gg - mg**2
            row = {
                "scores": [list(score) for score in scores],
                "chance": chance,
                "mu": text(mu),
                "gamma": text(gamma),
                "ln_likelihood": text(f(mu, gamma)),
                "mu_standard_error": text(mpmath.sqrt(-gg / determinant)),
                "gamma_standard_error": text(mpmath.sqrt(-mm / determinant)),
            }
            if chance == 0:
                x, n = (numpy.array(column) for column in zip(*scores))

                def numeric(free):
                    whole = 1 / free[1] - 1
                    return scipy.stats.betabinom.logpmf(x, n, free[0] * whole, (1 - free[0]) * whole).sum()

                hessian = approx_hess(numpy.array([float(mu), float(gamma)]), numeric)
                row["numeric"] = numpy.sqrt(numpy.diag(numpy.linalg.inv(-hessian))).tolist()
            rows.append(row)
    return rows


def sequential():
    """Wald's test by an independent recursion over the probability of every open score, at 40 digits."""
    rows = []
    cases = (
        ("1/2", "0.7", "0.1", "0.1", 200, False),
        ("1/2", "0.75", "0.05", "0.1", 1000, False),
        ("1/3", "0.6", "0.05", "0.05", 60, False),
        ("1/3", "0.5", "0.01", "0.2", 300, False),
        ("1/2", "0.8", "0.05", "0.1", 40, True),
        ("1/2", "0.65", "0.1", "0.1", 250, True),
        ("0.01", "0.1", "0.05", "0.1", 400, False),
    )
    with mpmath.workdps(40):
        number = lambda words: mpf(words.split("/")[0]) / mpf(words.split("/")[1]) if "/" in words else mpf(words)
        for chance, proportion, alpha, beta, most, two_sided in cases:
            p0, p1, a, b = (number(words) for words in (chance, proportion, alpha, beta))
            side = a / 2 if two_sided else a
            upper, lower = (1 - b) / side, b / (1 - side)

            def crossed(right, n):
                ratio = (p1 / p0) ** right * ((1 - p1) / (1 - p0)) ** (n - right)
                return 1 if ratio >= upper else -1 if ratio <= lower else 0

            def said(right, n):
                one = crossed(right, n)
                if not two_sided:
                    return one
                other = crossed(n - right, n)
                return 1 if 1 in (one, other) else -1 if one == other == -1 else 0

            for at in (p0, p1, (p0 + p1) / 2, mpf("0.9")):
                open_scores = {0: mpf(1)}
                ends = {1: mpf(0), -1: mpf(0)}
                length = mpf(0)
                for n in range(1, most + 1):
                    length += sum(open_scores.values())
                    grown = {}
                    for right, weight in open_scores.items():
                        grown[right] = grown.get(right, mpf(0)) + weight * (1 - at)
                        grown[right + 1] = grown.get(right + 1, mpf(0)) + weight * at
                    open_scores = {}
                    for right, weight in grown.items():
                        decision = said(right, n)
                        if decision:
                            ends[decision] += weight
                        else:
                            open_scores[right] = weight
                rows.append(
                    [chance, float(p1), float(a), float(b), most, two_sided, text(at)]
                    + [text(value) for value in (ends[1], ends[-1], sum(open_scores.values()), length)]
                )
    return rows


def plans():
    """First and stable numbers of trials by trying all of them with scipy's binomial distribution."""
    rows = []
    for name, chance in (("abx", 0.5), ("triangle", 1 / 3), ("tetrad", 1 / 3), ("two-afc", 0.5), ("duo-trio", 0.5)):
        for share in (0.15, 0.3, 0.5, 0.8):
            for alpha, power in ((0.05, 0.8), (0.01, 0.9), (0.2, 0.95)):
                right = share + (1 - share) * chance
                n = numpy.arange(1, 1500)
                # Smallest k with P(X >= k) <= alpha.
                critical = scipy.stats.binom.isf(alpha, n, chance).astype(int) + 1
                reached = scipy.stats.binom.sf(critical - 1, n, right)
                enough = numpy.flatnonzero(reached >= power)
                short = numpy.flatnonzero(reached < power)
                first, stable = int(n[enough[0]]), int(n[short[-1]] + 1)
                if stable < 1400:
                    rows.append([name, share, alpha, power, first, stable, int(critical[first - 1]), float(reached[first - 1])])
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
                "families": families(source),
                "beta_binomials": beta_binomials(source),
                "changes": changes(),
                "beta_binomial_errors": beta_binomial_errors(source),
                "sequential": sequential(),
                "plans": plans(),
            },
            separators=(",", ":"),
        ).replace("],[", "],\n[").replace("},{", "},\n{")
    )


main()
