"""Reference values for thresholds, by numpy and scipy: the posterior on the documented grid, and placement.

    python threshold.py > threshold.json

The output stands beside this script: generated, do not edit. The grid is written out plainly, in another order of
operations than the program's own, so that agreement is agreement about the definition.
"""

import json

import numpy
import scipy
import scipy.optimize
import scipy.stats

LAPSES = numpy.array([0, 0.01, 0.02, 0.04, 0.08])
LAPSE_WEIGHTS = numpy.array([0.4, 0.25, 0.2, 0.1, 0.05])


def grid(smallest, largest):
    ln_t = numpy.linspace(numpy.log(smallest / 4), numpy.log(4 * largest), 241)
    ln_b = numpy.linspace(numpy.log(0.5), numpy.log(8), 17)
    t, b, l = numpy.meshgrid(numpy.exp(ln_t), numpy.exp(ln_b), LAPSES, indexing="ij")
    prior = (
        numpy.ones(241)[:, None, None]
        * scipy.stats.norm.pdf(ln_b, numpy.log(2), 0.7)[None, :, None]
        * LAPSE_WEIGHTS[None, None, :]
    )
    return ln_t, ln_b, t, b, l, prior / prior.sum()


def heard(g, t, b, l):
    with numpy.errstate(over="ignore"):
        return (1 - l) * (1 - 2 ** (-((g / t) ** b)))


def unheard(g, t, b, l):
    with numpy.errstate(over="ignore", under="ignore"):
        return l + (1 - l) * 2 ** (-((g / t) ** b))


def right(g, t, b, l, chance):
    return chance + (1 - chance) * heard(g, t, b, l)


def quantiles(x, mass):
    return numpy.interp([0.5, 0.025, 0.975], numpy.cumsum(mass) - mass / 2, x)


def posterior(chance, smallest, largest, points):
    ln_t, ln_b, t, b, l, prior = grid(smallest, largest)
    with numpy.errstate(divide="ignore", invalid="ignore"):
        log = numpy.log(prior)
        for g, correct, trials in points:
            if correct:
                log = log + correct * numpy.log(right(g, t, b, l, chance))
            if trials > correct:
                log = log + (trials - correct) * (numpy.log1p(-chance) + numpy.log(unheard(g, t, b, l)))
    weight = numpy.exp(log - log.max())
    return ln_t, ln_b, t, b, l, weight / weight.sum()


def confidence(chance, smallest, largest, points):
    """Which t agree: a penalised profile likelihood (weight 1/b, b from the third of the grid's on, the lapses' weights), up to
    the chi-squared point of one degree of freedom, with each t's best b and l found by brute force."""
    ln_t, ln_b, t, b, l, _ = grid(smallest, largest)
    with numpy.errstate(divide="ignore", invalid="ignore"):
        log = numpy.log(LAPSE_WEIGHTS)[None, None, :] - ln_b[None, :, None] + numpy.zeros((len(ln_t), 1, 1))
        for g, correct, trials in points:
            log = log + scipy.special.xlogy(correct, right(g, t, b, l, chance))
            log = log + scipy.special.xlogy(trials - correct, (1 - chance) * unheard(g, t, b, l))
    profile = log[:, 2:, :].max(axis=(1, 2))
    over = 2 * (profile.max() - profile) - scipy.stats.chi2.ppf(0.95, 1)
    inside = numpy.flatnonzero(over <= 0)
    first, last = inside[0], inside[-1]

    def crossing(one, other):
        return ln_t[one] - over[one] * (ln_t[other] - ln_t[one]) / (over[other] - over[one])

    lower = ln_t[0] if first == 0 else crossing(first, first - 1)
    upper = ln_t[-1] if last == len(ln_t) - 1 else crossing(last, last + 1)
    return [float(numpy.exp(lower)), float(numpy.exp(upper))]


def case(chance, smallest, largest, points):
    ln_t, ln_b, t, b, l, weight = posterior(chance, smallest, largest, points)
    d = heard(1.0, t, b, l).ravel()
    order = numpy.argsort(d, kind="stable")
    return {
        "chance": chance,
        "smallest": smallest,
        "largest": largest,
        "points": points,
        "threshold": list(numpy.exp(quantiles(ln_t, weight.sum(axis=(1, 2))))),
        "confidence": confidence(chance, smallest, largest, points),
        "slope": list(numpy.exp(quantiles(ln_b, weight.sum(axis=(0, 2))))),
        "at_one": list(quantiles(d[order], weight.ravel()[order])),
    }


def entropy(mass):
    mass = mass / mass.sum()
    mass = mass[mass > 0]
    return float(-(mass * numpy.log(mass)).sum())


def placement(chance, smallest, largest, answers):
    levels = numpy.exp(numpy.linspace(numpy.log(smallest), numpy.log(largest), 19))
    _, _, t, b, l, weight = grid(smallest, largest)
    chosen, least = [], []
    for answer in answers:
        expected = []
        for g in levels:
            p = right(g, t, b, l, chance)
            total = 0.0
            for joint in (weight * p, weight * (1 - p)):
                total += joint.sum() * entropy(joint.sum(axis=(1, 2)))
            expected.append(total)
        expected = numpy.array(expected)
        index = int(numpy.flatnonzero(expected <= expected.min() + 1e-9)[0])
        chosen.append(index)
        least.append(float(expected[index]))
        p = right(levels[index], t, b, l, chance)
        weight = weight * (p if answer else 1 - p)
        weight = weight / weight.sum()
    return {
        "chance": chance,
        "smallest": smallest,
        "largest": largest,
        "answers": answers,
        "levels": [float(levels[index]) for index in chosen],
        "expected_entropy": least,
    }


def deviance(chance, points):
    """The most likely curve within the grid's limits, by scipy's global search, and its deviance (Wichmann & Hill 2001)."""
    g, k, n = (numpy.array(column, float) for column in zip(*points))

    def minus(parameters):
        p = chance + (1 - chance) * heard(g, numpy.exp(parameters[0]), numpy.exp(parameters[1]), parameters[2])
        p = numpy.clip(p, 1e-15, 1 - 1e-15)
        return -(k * numpy.log(p) + (n - k) * numpy.log(1 - p)).sum()

    bounds = [(numpy.log(g.min() / 4), numpy.log(g.max() * 4)), (numpy.log(0.5), numpy.log(8)), (0, 0.08)]
    found = scipy.optimize.differential_evolution(minus, bounds, tol=1e-14, maxiter=5000, seed=3, polish=True)
    y = k / n
    with numpy.errstate(divide="ignore", invalid="ignore"):
        saturated = numpy.where(k > 0, k * numpy.log(y), 0) + numpy.where(n > k, (n - k) * numpy.log(1 - y), 0)
    return {
        "chance": chance,
        "points": points,
        "threshold": float(numpy.exp(found.x[0])),
        "slope": float(numpy.exp(found.x[1])),
        "lapse": float(found.x[2]),
        "deviance": float(2 * (saturated.sum() + found.fun)),
    }


def population(chance, smallest, largest, listeners):
    """What listeners say of those like them: ln t is normal, the integral over each listener's own threshold by Gauss-Hermite
    quadrature of the interpolated likelihood, and not on the grid. The spread has a half-normal prior of deviation 0.7 up to
    2, the middle a flat one within the grid (Gelman et al. 2013, chapter 5, from memory)."""
    nodes, shares = numpy.polynomial.hermite_e.hermegauss(150)
    shares = shares / shares.sum()
    ln_t = grid(smallest, largest)[0]
    spreads = numpy.linspace(0, 2, 801)[1:]
    middles = numpy.linspace(ln_t[0], ln_t[-1], 961)
    log = numpy.repeat(scipy.stats.halfnorm.logpdf(spreads, scale=0.7)[:, None], len(middles), axis=1)
    at = middles[None, :, None] + spreads[:, None, None] * nodes
    for points in listeners:
        likelihood = posterior(chance, smallest, largest, points)[5].sum(axis=(1, 2))
        log += numpy.log((numpy.interp(at, ln_t, likelihood, left=0, right=0) * shares).sum(axis=2))
    weight = numpy.exp(log - log.max())
    weight = weight / weight.sum()
    below = scipy.stats.norm.cdf(-middles[None, :] / spreads[:, None]).ravel()
    order = numpy.argsort(below, kind="stable")
    return {
        "chance": chance,
        "smallest": smallest,
        "largest": largest,
        "listeners": listeners,
        "middle": list(numpy.exp(quantiles(middles, weight.sum(axis=0)))),
        "spread": list(numpy.exp(quantiles(spreads, weight.sum(axis=1)))),
        "below_one": list(quantiles(below[order], weight.ravel()[order])),
    }


def main():
    third = 1 / 3
    generator = numpy.random.default_rng(11)
    cases = [
        case(0.5, 0.5, 32, [[1, 5, 10], [2, 6, 10], [4, 8, 10], [8, 10, 10]]),
        case(0.5, 0.5, 32, [[32, 20, 40]]),
        case(0.5, 0.5, 32, [[0.5, 40, 40]]),
        case(third, 0.25, 16, [[1, 3, 10], [4, 7, 10], [16, 9, 10]]),
        case(0.5, 0.05, 6, [[0.1, 4, 8], [0.4, 6, 8], [1.5, 8, 8], [6, 30, 31]]),
        case(0.5, 1, 20, [[1, 500, 1000], [3, 640, 1000], [9, 930, 1000], [20, 990, 1000]]),
        case(third, 0.5, 32, [[0, 4, 10], [3, 5, 10], [12, 9, 10]]),
    ]
    placements = [
        placement(0.5, 0.5, 32, [1, 1, 0, 1, 1, 0, 1, 1]),
        placement(third, 0.25, 16, [1, 0, 0, 1, 1, 1, 0, 1, 1, 1]),
        placement(0.5, 0.5, 32, [int(x) for x in generator.random(24) < 0.75]),
        placement(0.5, 0.05, 6, [1] * 12),
        placement(0.5, 0.5, 32, [0] * 12),
    ]
    fits = [
        deviance(0.5, [[1, 11, 20], [2, 13, 20], [4, 16, 20], [8, 19, 20]]),
        deviance(third, [[1, 8, 20], [3, 12, 20], [9, 19, 20]]),
        deviance(0.5, [[0.5, 25, 40], [1, 20, 40], [2, 33, 40], [4, 31, 40], [8, 40, 40]]),
        deviance(0.5, [[1, 510, 1000], [3, 640, 1000], [9, 930, 1000], [20, 999, 1000]]),
    ]
    near, far = [[1, 12, 20], [2, 15, 20], [4, 19, 20]], [[4, 11, 20], [8, 15, 20], [16, 20, 20]]
    sharp, vague = [[0.5, 13, 20], [1, 17, 20], [2, 20, 20]], [[4, 3, 4]]
    populations = [
        population(0.5, 0.5, 32, [near, far, sharp]),
        population(0.5, 0.5, 32, [near, near, near, vague]),
        population(third, 0.25, 16, [near, sharp, near, sharp, near, sharp]),
        population(0.5, 0.5, 32, [sharp, far]),
    ]
    versions = f"numpy {numpy.__version__}, scipy {scipy.__version__}"
    parts = {"posterior": cases, "placement": placements, "fits": fits, "populations": populations}
    print(json.dumps({"made_by": versions} | parts, indent=1))


main()
