"""What the answers of a journal add up to and how it ends, written from src/trial/FORMAT.md alone."""
from math import log
from draws import orders_of
from sizes import Track


def decided(terms, chance, count):
    """Whether Wald's test of a comparison has crossed a line; each of two directions has half the risk."""
    trials, correct, rule = count["trials"], count["correct"], terms["stopping"]
    both = terms.get("sides", "two" if terms["protocol"] == "preference" else "one") == "two"
    risk, wanted = rule["alpha"] / (2 if both else 1), rule["proportion"]
    scores = [correct, trials - correct] if both else [correct]
    most = max(score * log(wanted / chance) + (trials - score) * log((1 - wanted) / (1 - chance)) for score in scores)
    return most >= log((1 - rule["beta"]) / risk) - 1e-12 or most <= log(rule["beta"] / (1 - risk)) + 1e-12


class Outcomes:
    def __init__(self, terms):
        self.terms, self.chance = terms, 1 / len({right for _, right in orders_of(terms)})
        self.done, self.void, self.decided, self.ended = [], 0, set(), "stopped-early"
        self.comparisons, threshold = range(len(terms["comparisons"])), terms.get("threshold")
        self.tracks = [Track(threshold, self.chance) for _ in self.comparisons] if threshold else []

    def count(self, *place):
        answers = [answer == right for where, right, given in self.done if where == place for answer in given.values()]
        return {"trials": len(answers), "correct": sum(answers)}

    def counts(self):
        controls = [self.count("control", k) for k in range(len(self.terms["controls"]))]
        return {"comparisons": [self.count("comparison", c) for c in self.comparisons], "controls": controls,
                "qualification": self.count("qualification"), "warm_up": self.count("warm-up"), "void": self.void}

    def take_back(self):
        """The last attempt of a night is void after all."""
        self.done.pop()
        self.void, self.ended = self.void + 1, "stopped-early"

    def take(self, part, stimulus, right, given, last):
        """Takes an attempt with the answers to it (by seat on a night); None if it is void."""
        assert self.ended == "stopped-early", f"the sitting had ended ({self.ended})"
        if given is None:
            self.void += 1
            return
        control, comparison = stimulus["control"], stimulus["comparison"]
        counted = part == "main" and control is None
        place = ("comparison", comparison) if counted else ("control", control) if part == "main" else (part,)
        self.done.append((place, right, given))
        if counted and self.tracks:
            self.tracks[comparison].answer(given.get(None) == right)
        sequential = self.terms["stopping"]["kind"] == "sequential"
        if counted and sequential and decided(self.terms, self.chance, self.count(*place)):
            self.decided.add(comparison)
        qualification = self.terms["qualification"] or {"trials": 0}
        narrow = self.terms["threshold"].get("narrow_enough") if self.tracks else None
        if part == "qualification" and len(self.done) == qualification["trials"]:
            if self.count(part)["correct"] < qualification["correct"]:
                self.ended = "not-qualified"
        if last and self.ended == "stopped-early":
            self.ended = "all-trials"
        if sequential and len(self.decided) == len(self.comparisons):
            self.ended = "sequential"
        if narrow and all(track.ratio() <= narrow for track in self.tracks):
            self.ended = "sequential"
