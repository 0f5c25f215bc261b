"""What a key says of presentations over real cables, written from src/trial/FORMAT.md alone: times, whole rounds."""
import hashlib
from draws import Draws, orders_of


def derived(purpose, key, attempt, number):
    text = "{part} {trial} {attempt} {}".format(number, **attempt)
    return hashlib.sha256(b"earwitness " + purpose + b" v2" + key + text.encode()).digest()


def places_of(terms, part):
    """Presentations of a round: the most slots that each side's cable carries, with silent fillings where it carries fewer."""
    orders = [order for order, _ in orders_of(terms, part)]
    real = [] if part == "qualification" else orders
    control = not real or any(control["trials"] for control in terms["controls"])
    a = max([order.count("a") for order in real] + [len(orders[0])] * control)
    return a + max([order.count("b") for order in real] + [0])


def hold(opening, key, record, line):
    """Holds the presentations of an attempt against the key, and an answer against whole rounds."""
    terms, attempt = opening["terms"], record["id"]
    switcher, is_void = terms.get("switcher", {}), record["kind"] == "void"
    presented = record["listening"].get("presented", [])
    for number, own in enumerate(presented, 1):
        more = int.from_bytes(derived(b"wait", key, attempt, number)[:8], "big") % (switcher.get("spread_ms", 0) + 1)
        assert own["apart_ms"] == switcher["apart_ms"] + more, f"record {line}: waits"
    if switcher.get("filled"):
        places = places_of(terms, attempt["part"])
        for start in range(0, len(presented), places):
            drawn = Draws(derived(b"round", key, attempt, start // places + 1)).shuffle(list(range(places)))
            slots = [own["slot"] for own in presented[start : start + places]]
            assert slots == drawn[: len(slots)], f"record {line}: order of a round"
        whole = len(presented) % places == 0 and (presented or opening["simulated"] is not None)
        assert is_void or whole, f"record {line}: an answer in the middle of a round"
