"""The sizes of a sitting that looks for a threshold, written from src/trial/FORMAT.md alone."""
from math import exp, log

LEVELS = 19
AGREES = 3.8414588207
LAPSES = [(0, 0.4), (0.01, 0.25), (0.02, 0.2), (0.04, 0.1), (0.08, 0.05)]


def steps(first, last, count):
    return [first + (last - first) * i / (count - 1) for i in range(count)]


def entropy(masses):
    """The entropy of masses that need not sum to 1, times their sum, in nats."""
    total = sum(masses)
    return total * log(total) - sum(mass * log(mass) for mass in masses if mass > 0)


class Track:
    """One comparison: `level` comes next."""

    def __init__(self, threshold, chance):
        smallest, largest, self.chance = log(threshold["smallest"]), log(threshold["largest"]), chance
        self.ln_t = steps(smallest - log(4), largest + log(4), 241)
        ln_b = steps(log(0.5), log(8), 17)
        slopes = [exp(-(((b - log(2)) / 0.7) ** 2) / 2) for b in ln_b]
        self.weights = [[[slope * share for _, share in LAPSES] for slope in slopes] for _ in self.ln_t]
        self.missed = [[[2 ** -exp(exp(b) * (g - t)) for b in ln_b] for t in self.ln_t]
                       for g in steps(smallest, largest, LEVELS)]
        self.rule = threshold["method"].get("rule")
        self.answers, self.coarse, self.row = [], True, 0
        self.scale()
        self.steps = threshold["method"].get("steps")
        self.level = LEVELS - 1 if self.rule or self.steps else self.place()

    def scale(self):
        total = sum(map(sum, (cells for of_t in self.weights for cells in of_t)))
        self.weights = [[[weight / total for weight in cells] for cells in of_t] for of_t in self.weights]

    def marginal(self):
        return [sum(map(sum, of_t)) for of_t in self.weights]

    def place(self):
        """The level whose answer leaves the least expected entropy of t."""
        lapsed = [[sum(w * l for w, (l, _) in zip(cells, LAPSES)) for cells in of_t] for of_t in self.weights]
        awake = [[sum(w * (1 - l) for w, (l, _) in zip(cells, LAPSES)) for cells in of_t] for of_t in self.weights]
        marginal, expected = self.marginal(), []
        for missed in self.missed:
            unheard = [sum(x + y * m for x, y, m in zip(*of_t)) for of_t in zip(lapsed, awake, missed)]
            wrong = [(1 - self.chance) * mass for mass in unheard]
            right = [max(mass - part, 0) for mass, part in zip(marginal, wrong)]
            expected.append(entropy(right) + entropy(wrong))
        return next(level for level in range(LEVELS) if expected[level] <= min(expected) + 1e-9)

    def rung(self):
        share = (self.steps - 1 - len(self.answers) % self.steps) / (self.steps - 1)
        return int((LEVELS - 1) * share + 0.5)

    def stairs(self, right):
        self.row = self.row + 1 if right else 0
        if not right:
            self.coarse = False
            up = round((1 + self.chance) / (1 - self.chance)) if self.rule == "weighted" else 1
            return min(LEVELS - 1, self.level + up)
        if self.row < {"weighted": 1, "two-down": 2, "three-down": 3}[self.rule]:
            return self.level
        self.row = 0
        return max(0, self.level - (2 if self.coarse else 1))

    def answer(self, right):
        for of_t, missed in zip(self.weights, self.missed[self.level]):
            for cells, miss in zip(of_t, missed):
                for i, (lapse, _) in enumerate(LAPSES):
                    wrong = (1 - self.chance) * (lapse + (1 - lapse) * miss)
                    cells[i] *= 1 - wrong if right else wrong
        self.scale()
        self.answers.append(self.level)
        self.level = self.stairs(right) if self.rule else self.rung() if self.steps else self.place()

    def ratio(self):
        """The upper bound of the 95 % confidence interval over the lower one."""
        ln_b = steps(log(0.5), log(8), 17)
        penalty = [1 / exp(b - ((b - log(2)) / 0.7) ** 2 / 2) for b in ln_b]
        best = [max(max(cells) * by for cells, by in list(zip(of_t, penalty))[2:]) for of_t in self.weights]
        apart = [2 * log(max(best) / one) if one > 0 else 1e300 for one in best]
        inside = [i for i, one in enumerate(apart) if one <= AGREES]

        def bound(at, beyond):
            if not 0 <= beyond < len(apart):
                return self.ln_t[at]
            return self.ln_t[at] + (AGREES - apart[at]) / (apart[beyond] - apart[at]) * (self.ln_t[beyond] - self.ln_t[at])

        return exp(bound(inside[-1], inside[-1] + 1) - bound(inside[0], inside[0] - 1))
