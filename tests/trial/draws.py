"""What a key draws, written from src/trial/FORMAT.md alone: stream (ChaCha20, RFC 8439), trials, orders."""
import hashlib
import struct
from itertools import groupby

ORDERS = {  # Each order with its right answer; for preference the answer for b, for two-afc the one where b has more.
    "abx": "aba=a abb=b",
    "duo-trio": "aab=1 aba=2 bab=2 bba=1",
    "triangle": "aab=3 aba=2 baa=1 bba=3 bab=2 abb=1",
    "tetrad": "aabb=12-34 abab=13-24 abba=14-23 bbaa=12-34 baba=13-24 baab=14-23",
    "two-afc": "ab=2 ba=1",
    "preference": "ab=2 ba=1",
    "same-different": "aa=same ab=different ba=different bb=same",
    "a-not-a": "aa=a ab=not-a",
}
QUARTERS = [(i, 4 + (i + by) % 4, 8 + (i + 2 * by) % 4, 12 + (i + 3 * by) % 4) for by in (0, 1) for i in range(4)]


def key_stream(key):
    """The words of the key stream: nonce of zeros, block counter from 0."""
    for counter in range(2**32):
        start = struct.unpack("<16L", b"expand 32-byte k" + key + struct.pack("<4L", counter, 0, 0, 0))
        state = list(start)
        for a, b, c, d in QUARTERS * 10:
            for x, y, z, bits in ((a, b, d, 16), (c, d, b, 12), (a, b, d, 8), (c, d, b, 7)):
                state[x] = (state[x] + state[y]) % 2**32
                state[z] = ((state[z] ^ state[x]) << bits | (state[z] ^ state[x]) >> (32 - bits)) % 2**32
        yield from ((x + y) % 2**32 for x, y in zip(state, start))


class Draws:
    def __init__(self, key):
        self.words = key_stream(key)

    def below(self, n):
        return 0 if n == 1 else next(word for word in self.words if word < 2**32 // n * n) % n

    def pick(self, items):
        return items[self.below(len(items))]

    def shuffle(self, items):
        for i in range(len(items) - 1, 0, -1):
            j = self.below(i + 1)
            items[i], items[j] = items[j], items[i]
        return items


def williams(t, row):
    """The comparisons in the order of a row of the design."""
    order = [(((place + 1) // 2 if place % 2 else t - place // 2) + row) % t for place in range(t)]
    return order if row < t else order[::-1]


def once_of(opening, draws):
    """What is drawn once for the whole sitting."""
    panel, once = opening["terms"].get("panel", {}), {}
    if panel.get("cable_a") == "drawn":
        once["exchanged"] = [draws.below(2) == 1 for _ in opening["terms"]["comparisons"]]
    if panel.get("order_of_comparisons") == "williams":
        once["row"] = draws.pick(opening["rows"])
    return once


def plan_of(opening, draws, plan, answered):
    """Every trial in its order: its part with its stretch, and its stimulus; a later sealing shuffles those not answered."""
    if plan:
        stretches = [list(trials) for _, trials in groupby(plan[answered:], key=lambda trial: trial[0])]
        return plan[:answered] + [trial for stretch in stretches for trial in draws.shuffle(stretch)]
    terms, stimuli = opening["terms"], opening["stimuli"]
    place = lambda s: ("level" in s, s["control"] is not None, s["control"] or 0, s["comparison"], s["clip"], s.get("level", 0))
    assert opening["format"] == 1 or stimuli == sorted(stimuli, key=place), "order of the stimuli"
    once = opening["once"] = once_of(opening, draws)
    controls, comparisons = range(len(terms["controls"])), range(len(terms["comparisons"]))
    real = [s for s in stimuli if s["control"] is None and "level" not in s]
    of_control = [[s for s in stimuli if s["control"] == k] for k in controls]
    of_comparison = [[s for s in real if s["comparison"] == c] for c in comparisons]
    heard = [k for k in controls if terms["controls"][k]["control"] != "identical"]
    wanted = terms["qualification"]["trials"] if terms["qualification"] else 0
    first = draws.shuffle([heard[i % len(heard)] for i in range(wanted)])
    plan = [(("qualification", 0), draws.pick(of_control[k])) for k in first]
    plan += [(("warm-up", 0), draws.pick(real)) for _ in range(terms["warm_up"])]
    rounds = lambda own: [s for _ in range(0, terms["trials"], len(own)) for s in draws.shuffle(own[:])]
    lists = [rounds(own) for own in of_comparison]
    if "row" in once:
        order = enumerate(williams(len(comparisons), once["row"]))
        main = [(("main", stretch), stimulus) for stretch, c in order for stimulus in lists[c][: terms["trials"]]]
    else:
        main = [(("main", 0), lists[c][b]) for b in range(terms["trials"]) for c in draws.shuffle(list(comparisons))]
    for k in draws.shuffle([k for k in controls for _ in range(terms["controls"][k]["trials"])]):
        stimulus, place = draws.pick(of_control[k]), draws.below(len(main) + 1)
        main.insert(place, (main[min(place, len(main) - 1)][0], stimulus))
    return plan + main


def protocol_of(terms, part):
    own = terms["qualification"].get("protocol") if part == "qualification" else None
    return own or terms["protocol"]


def orders_of(terms, part="main"):
    return [order.split("=") for order in ORDERS[protocol_of(terms, part)].split()]


def right_answer(terms, part, stimulus, draws):
    """Draws the order of an attempt and says which answer is right."""
    _, right = draws.pick(orders_of(terms, part))
    control = terms["controls"][stimulus["control"]] if stimulus["control"] is not None else None
    more = control.get("more", "b") if control else terms["attribute_side"]
    swapped = protocol_of(terms, part) == "two-afc" and more == "a"
    return {"1": "2", "2": "1"}[right] if swapped else right
