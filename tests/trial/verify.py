#!/usr/bin/env python3
"""An independent verifier of Earwitness journals: Python's standard library only, its own ChaCha20.

    python3 verify.py JOURNAL [--receipt "TWELVE WORDS" --words words.txt]

Re-derives the chain, the commitment, the key, every draw, every score and the outcome of a closed journal, from the
written format alone (rustdoc of the rooms trial::record, trial::seal, trial::schedule). Prints a JSON document; exit
status 0: everything holds, 1: something does not, 2: this is no journal or has a newer format.
"""

import hashlib
import json
import math
import re
import struct
import sys

FORMAT = 2
LINE = re.compile(
    rb'\{"number":(\d+),"chain":"([0-9a-f]{64})",(?:"utc_ms":(-?\d+),)?"record":(\{.*\}),"check":"([0-9a-f]{16})"\}', re.S)


class No(Exception):
    """Something does not hold: (record number, what)."""


def need(holds, number, what):
    if not holds:
        raise No(number, what)


def sha256(*parts):
    return hashlib.sha256(b"".join(parts)).digest()


# --- ChaCha20, RFC 8439 section 2.3 -----------------------------------------------------------------------------------

def rotate(value, by):
    return ((value << by) | (value >> (32 - by))) & 0xFFFFFFFF


def quarter(s, a, b, c, d):
    s[a] = (s[a] + s[b]) & 0xFFFFFFFF
    s[d] = rotate(s[d] ^ s[a], 16)
    s[c] = (s[c] + s[d]) & 0xFFFFFFFF
    s[b] = rotate(s[b] ^ s[c], 12)
    s[a] = (s[a] + s[b]) & 0xFFFFFFFF
    s[d] = rotate(s[d] ^ s[a], 8)
    s[c] = (s[c] + s[d]) & 0xFFFFFFFF
    s[b] = rotate(s[b] ^ s[c], 7)


def block(key, counter, nonce):
    start = [0x61707865, 0x3320646E, 0x79622D32, 0x6B206574]
    start += struct.unpack("<8L", key) + (counter,) + struct.unpack("<3L", nonce)
    state = list(start)
    for _ in range(10):
        quarter(state, 0, 4, 8, 12)
        quarter(state, 1, 5, 9, 13)
        quarter(state, 2, 6, 10, 14)
        quarter(state, 3, 7, 11, 15)
        quarter(state, 0, 5, 10, 15)
        quarter(state, 1, 6, 11, 12)
        quarter(state, 2, 7, 8, 13)
        quarter(state, 3, 4, 9, 14)
    return struct.pack("<16L", *((x + y) & 0xFFFFFFFF for x, y in zip(state, start)))


def self_test():
    key_stream = block(bytes(32), 0, bytes(12)).hex()  # RFC 8439 A.1, test vector 1
    assert key_stream.startswith("76b8e0ada0f13d90405d6ae55386bd28bdd219b8a08ded1aa836efcc8b770dc7")
    second = block(bytes(range(32)), 1, bytes.fromhex("000000090000004a00000000")).hex()  # RFC 8439 2.3.2
    assert second.startswith("10f1e7e4d13b5915500fdd1fa32071c4c7d1f4c733c068030422aa9ac3d46c4e")


class Stream:
    def __init__(self, key):
        self.key, self.counter, self.bytes = key, 0, b""

    def word(self):
        if len(self.bytes) < 4:
            self.bytes += block(self.key, self.counter, bytes(12))
            self.counter += 1
        value, self.bytes = struct.unpack("<L", self.bytes[:4])[0], self.bytes[4:]
        return value

    def below(self, n):
        if n == 1:
            return 0
        limit = (1 << 32) // n * n
        while True:
            value = self.word()
            if value < limit:
                return value % n

    def shuffle(self, items):
        for i in range(len(items) - 1, 0, -1):
            j = self.below(i + 1)
            items[i], items[j] = items[j], items[i]


# --- Protocols: orders as the side in each slot, alternatives, which one is right -------------------------------------

PROTOCOLS = {
    "abx": (["aba", "abb"], ["a", "b"], lambda s, more: 0 if s[2] == "a" else 1),
    "duo-trio": (["aab", "aba", "bab", "bba"], ["1", "2"], lambda s, more: 0 if s[1] == s[0] else 1),
    "triangle": (["aab", "aba", "baa", "bba", "bab", "abb"], ["1", "2", "3"],
                 lambda s, more: [s.count(x) for x in s].index(1)),
    "tetrad": (["aabb", "abab", "abba", "bbaa", "baba", "baab"], ["12-34", "13-24", "14-23"],
               lambda s, more: s[1:].index(s[0])),
    "two-afc": (["ab", "ba"], ["1", "2"], lambda s, more: s.index(more)),
    # No right answer: what is counted is the answers for side B.
    "preference": (["ab", "ba"], ["1", "2"], lambda s, more: s.index("b")),
    "same-different": (["aa", "ab", "ba", "bb"], ["same", "different"], lambda s, more: int(s[0] != s[1])),
    "a-not-a": (["aa", "ab"], ["a", "not-a"], lambda s, more: int(s[1] == "b")),
}
# What need not have been heard before an answer: the known sides of ABX.
KNOWN_SLOTS = {"abx": {0, 1}}
CHANCE = {"triangle": 1 / 3, "tetrad": 1 / 3}
PARTS = ["qualification", "warm-up", "main"]


def read(path):
    """All records of a journal, with the digests of their lines."""
    with open(path, "rb") as file:
        data = file.read()
    lines = data.split(b"\n")
    torn = lines.pop()
    if not lines:
        raise ValueError("no whole line")
    try:
        first = json.loads(lines[0])["record"]
    except (ValueError, KeyError, TypeError):
        first = {}
    if isinstance(first.get("format"), int) and first["format"] > FORMAT:
        raise ValueError("format %d is newer than %d" % (first["format"], FORMAT))
    if b'"record' not in lines[0]:
        raise ValueError("the first line is no record")
    records, digests, chain = [], [], bytes(32)
    for number, line in enumerate(lines, 1):
        match = LINE.fullmatch(line)
        need(match, number, "not a journal's line")
        covered = line[:-len(b',"check":"0123456789abcdef"}')]
        need(sha256(covered).hex()[:16].encode() == match[5], number, "its bytes were changed")
        need(int(match[1]) == number, number, "missing, repeated or out of order")
        need(match[2].decode() == chain.hex(), number, "the chain does not fit")
        records.append(json.loads(match[4]))
        chain = sha256(line)
        digests.append(chain)
    if torn and records[-1]["kind"] == "closing":
        raise No(len(records) + 1, "bytes after the closing record")
    return records, digests


def draw(opening, stream):
    """The schedule: for each part a list of (comparison or None, control or None, stimulus)."""
    terms, stimuli = opening["terms"], opening["stimuli"]
    own = [[i for i, s in enumerate(stimuli) if s["control"] is None and s["comparison"] == c]
           for c in range(len(terms["comparisons"]))]
    of_control = [[i for i, s in enumerate(stimuli) if s["control"] == k] for k in range(len(terms["controls"]))]
    parts = {part: [] for part in PARTS}

    if terms["qualification"]:
        positive = [k for k, c in enumerate(terms["controls"]) if c["control"] != "identical"]
        chosen = [positive[i % len(positive)] for i in range(terms["qualification"]["trials"])]
        stream.shuffle(chosen)
        for k in chosen:
            parts["qualification"].append((None, k, of_control[k][stream.below(len(of_control[k]))]))

    everything = [i for i, s in enumerate(stimuli) if s["control"] is None]
    for _ in range(terms["warm_up"]):
        i = everything[stream.below(len(everything))]
        parts["warm-up"].append((stimuli[i]["comparison"], None, i))

    sequences = []
    for mine in own:
        sequence = []
        while len(sequence) < terms["trials"]:
            run = list(mine)
            stream.shuffle(run)
            sequence += run
        sequences.append(sequence[:terms["trials"]])
    main = parts["main"]
    for b in range(terms["trials"]):
        order = list(range(len(sequences)))
        stream.shuffle(order)
        main.extend((c, None, sequences[c][b]) for c in order)
    chosen = [k for k, c in enumerate(terms["controls"]) for _ in range(c["trials"])]
    stream.shuffle(chosen)
    for k in chosen:
        i = of_control[k][stream.below(len(of_control[k]))]
        main.insert(stream.below(len(main) + 1), (None, k, i))
    return parts


def sequential(terms, correct, trials):
    """Wald's rule: True a difference, False none, None undecided."""
    rule = terms["stopping"]
    p0, p1 = CHANCE.get(terms["protocol"], 0.5), rule["proportion"]
    alpha = rule["alpha"] / 2 if terms["protocol"] == "preference" else rule["alpha"]
    upper, lower = math.log((1 - rule["beta"]) / alpha), math.log(rule["beta"] / (1 - alpha))

    def side(c):
        ratio = c * math.log(p1 / p0) + (trials - c) * math.log((1 - p1) / (1 - p0))
        return 1 if ratio >= upper - 1e-12 else -1 if ratio <= lower + 1e-12 else 0

    sides = [side(correct)]
    if terms["protocol"] == "preference":
        sides.append(side(trials - correct))
    if 1 in sides:
        return True
    return False if all(s == -1 for s in sides) else None


def verify(records):
    """Everything that the opened seal lets a stranger re-derive. Returns the counts."""
    opening, closing = records[0], records[-1]
    last = len(records)
    need(opening["kind"] == "opening", 1, "the first record is no opening")
    need(closing["kind"] == "closing", last, "not closed: the seal was not opened")
    terms = opening["terms"]
    version = b"%d" % opening["format"]
    opened = closing.get("earlier", []) + [{"secret": closing["secret"], "key": closing["key"]}]
    commitments = [r["commitment"] for r in records if r.get("commitment")]
    need(len(opened) == len(commitments), last, "another number of secrets")
    keys, hands = [], {}

    def close_sealing():
        secret, claimed = bytes.fromhex(opened[len(keys)]["secret"]), opened[len(keys)]["key"]
        committed = sha256(b"earwitness seal v" + version, secret).hex()
        need(committed == commitments[len(keys)], last, "another secret was committed to")
        given = [h for h in hands.values() if isinstance(h, bytes)]
        keys.append(sha256(b"earwitness key v" + version, secret, *(struct.pack(">Q", len(h)) + h for h in given)))
        need(keys[-1].hex() == claimed, last, "another key")

    orders, names, right = PROTOCOLS[terms["protocol"]]
    stream = None
    counts = {
        "comparisons": [{"trials": 0, "correct": 0} for _ in terms["comparisons"]],
        "controls": [{"trials": 0, "correct": 0} for _ in terms["controls"]],
        "qualification": {"trials": 0, "correct": 0},
        "warm_up": {"trials": 0, "correct": 0},
        "void": 0,
    }
    decided = [None] * len(terms["comparisons"])
    is_sequential = terms["stopping"]["kind"] == "sequential"
    votes, finished, outcome, time = {}, [], None, 0
    schedule, totals, at = None, {}, None

    for number, record in enumerate(records, 1):
        kind = record["kind"]
        need(number in (1, last) or kind not in ("opening", "closing"), number, "out of place")
        need(record.get("at_ms", 0) >= time, number, "time runs backwards")
        time = record.get("at_ms", 0)
        if kind == "sealed":
            need(stream is None, number, "sealed twice")
            need(record.get("hands", record.get("phrases")) == len(hands), number, "sealed with other hands")
            need(all(isinstance(h, bytes) for h in hands.values()), number, "sealed while a hand was closed")
            secret = bytes.fromhex(opened[len(keys)]["secret"])
            key = sha256(b"earwitness key v" + version, secret,
                         *(struct.pack(">Q", len(h)) + h for h in hands.values()))
            stream = Stream(key)
            if schedule is None:
                schedule = draw(opening, stream)
                totals = {part: len(schedule[part]) for part in PARTS}
                first = next(part for part in PARTS if totals[part])
                at = (first, 1, 1)
            elif at:
                for part in PARTS:
                    order = PARTS.index(part) - PARTS.index(at[0])
                    done = len(schedule[part]) if order < 0 else at[1] - 1 if order == 0 else 0
                    left = schedule[part][done:]
                    stream.shuffle(left)
                    schedule[part][done:] = left
        elif kind in ("phrase", "hand"):
            need(stream is None, number, "a hand after the sealing")
            hands[number] = record["text"].encode()
        elif kind == "hand-closed":
            hands.pop(("seat", record["seat"]), None)
            hands["seat", record["seat"]] = record["hash"]
        elif kind == "seat-left" and stream is None:
            if isinstance(hands.get(("seat", record["seat"])), str):
                del hands["seat", record["seat"]]
        elif kind == "hand-opened":
            hand = bytes.fromhex(record["hand"])
            closed = hands["seat", record["seat"]]
            need(sha256(b"earwitness hand v2", hand).hex() == closed, number, "not the hand that was closed")
            hands["seat", record["seat"]] = hand
        elif kind == "hands-void":
            hands = {who: h for who, h in hands.items() if isinstance(who, int)}
        elif kind == "resumed" and record.get("commitment"):
            close_sealing()
            stream, hands = None, {}
        elif kind == "closing":
            close_sealing()
        elif kind == "vote":
            votes.setdefault(tuple(record["id"].values()), {})[record["seat"]] = record["answer"]
        elif kind in ("answer", "void", "votes-closed"):
            ident = (record["id"]["part"], record["id"]["trial"], record["id"]["attempt"])
            need(outcome is None, number, "the sitting had ended")
            need(stream is not None and ident == at, number, "not the trial that should be here")
            order = orders[stream.below(len(orders))]
            part, trial, attempt = ident
            comparison, control, _ = schedule[part][trial - 1]
            more = terms["attribute_side"] if control is None else terms["controls"][control].get("more", "b")
            correct = names[right(order, more)]
            if kind == "void":
                counts["void"] += 1
                at = (part, trial, attempt + 1)
                continue
            if "heard_at_least_ms" in terms and opening["simulated"] is None:
                listening = record["listening"]
                for slot, (times, ms) in enumerate(zip(listening["listens"], listening["heard_ms"])):
                    known = slot in KNOWN_SLOTS.get(terms["protocol"], ())
                    least = terms["heard_at_least_ms"]
                    need(known or times and ms >= least, number, "answered before it was heard")
            finished.append((part, comparison, control, ident, correct, record.get("answer")))
            if kind == "answer":
                add(counts, finished[-1], [record["answer"]])
            if part == "main" and control is None and is_sequential and decided[comparison] is None:
                tally = counts["comparisons"][comparison]
                decided[comparison] = sequential(terms, tally["correct"], tally["trials"])
            if trial < totals[part]:
                at = (part, trial + 1, 1)
            else:
                later = [p for p in PARTS[PARTS.index(part) + 1:] if totals[p]]
                at = (later[0], 1, 1) if later else None
            qualification = terms["qualification"]
            if (part == "qualification" and trial == totals[part]
                    and counts["qualification"]["correct"] < qualification["correct"]):
                outcome = "not-qualified"
            elif is_sequential and None not in decided:
                outcome = "sequential"
            elif at is None:
                outcome = "all-trials"
    if opening["occasion"] == "night":
        for row in finished:
            add(counts, row, votes.get(row[3], {}).values())
    stopped = opening["occasion"] == "night" and closing["outcome"] == "stopped-early"
    need(stopped or closing["outcome"] == (outcome or "stopped-early"), last, "it ended otherwise")
    need(closing["counts"] == counts, last, "other counts: %s" % json.dumps(counts))
    need(closing["simulated"] == opening["simulated"], last, "simulated or not?")
    return counts


def add(counts, row, answers):
    part, comparison, control, _, correct, _ = row
    if part == "main":
        tally = counts["comparisons"][comparison] if control is None else counts["controls"][control]
    else:
        tally = counts[part.replace("-", "_")]
    for answer in answers:
        tally["trials"] += 1
        tally["correct"] += answer == correct


def phrase(digest, words):
    bits = int.from_bytes(digest, "big") >> (256 - 120)
    return " ".join(words[(bits >> (10 * (11 - i))) & 1023] for i in range(12))


def main(arguments):
    self_test()
    path, kept, words = arguments[0], None, None
    if "--receipt" in arguments:
        kept = arguments[arguments.index("--receipt") + 1]
        with open(arguments[arguments.index("--words") + 1], encoding="utf-8") as file:
            words = file.read().split()
    document = {"file": path, "ok": False, "problems": [], "counts": None, "receipt": None}
    status = 0
    try:
        records, digests = read(path)
        document["receipt"] = digests[-1].hex()
        document["counts"] = verify(records)
        if kept is not None:
            need(kept == phrase(digests[-1], words), len(records), "not the receipt that was kept")
        document["ok"] = True
    except No as no:
        document["problems"].append("record %d: %s" % no.args)
        status = 1
    except (KeyError, IndexError, TypeError, AttributeError, StopIteration) as error:
        document["problems"].append("its records are not what the format says: %r" % error)
        status = 1
    except (OSError, ValueError) as error:
        document["problems"].append("not a journal: %s" % error)
        status = 2
    print(json.dumps(document))
    return status


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
