"""A second verifier, written from src/trial/FORMAT.md alone: python3 verify.py JOURNAL; exit status 0 if all holds.

This page reads the chain and goes through the records. Beside it: seals.py (secret, hands, key), draws.py (what a key
draws), outcomes.py (counts and endings), and for the sittings that have them sizes.py, witness.py and cables.py."""
import hashlib, json, re, sys
import cables
from draws import Draws, plan_of, right_answer
from outcomes import Outcomes
from seals import Sealing
from witness import Witnesses

START = rb'(\{"number":(\d+),"chain":"([0-9a-f]{64})"(?:,"utc_ms":-?\d+)?,"record":(.*))'
LINE = re.compile(START + rb',"check":"([0-9a-f]{16})"\}', re.S)


def sha(data):
    return hashlib.sha256(data).digest()


def read(data):
    records, chain = [], bytes(32)
    for number, line in enumerate(data.split(b"\n")[:-1], 1):
        found = LINE.fullmatch(line)
        assert found and int(found[2]) == number and found[3].decode() == chain.hex(), f"record {number}: chain"
        assert found[5].decode() == sha(found[1]).hex()[:16], f"record {number}: check"
        records.append(json.loads(found[4]))
        chain = sha(line)
    return records, chain.hex()


def verify(records):
    opening, closing = records[0], records[-1]
    assert opening["kind"] == "opening" and closing["kind"] == "closing", "not closed"
    terms, opened = opening["terms"], closing.get("earlier", []) + [closing]
    outcomes, plan, answered, votes = Outcomes(terms), [], 0, {}
    for number, record in enumerate(records, 1):
        kind, seat = record["kind"], record.get("seat")
        if record.get("commitment"):  # An opening, or a sitting that goes on: a fresh secret, and no hands yet.
            sealing = Sealing(b"%d" % opening["format"], opened.pop(0), record["commitment"])
            key, witnesses = None, Witnesses()
        elif kind == "sealed":
            key = sealing.key(record.get("hands", record.get("phrases")))
            draws = Draws(key)
            plan = plan_of(opening, draws, plan, answered)
        elif kind in ("seat", "seat-left"):
            witnesses.left = witnesses.left - {seat} if kind == "seat" else witnesses.left | {seat}
        elif kind in ("witness-joined", "links-asked", "link-opened", "links-passed"):
            witnesses.take(record, key, plan, answered)
        elif kind == "vote":
            votes.setdefault(str(record["id"]), {})[seat] = record["answer"]
        elif kind in ("answer", "void", "votes-closed"):
            (part, _), stimulus = plan[answered]
            nth = sum(trial[0][0] == part for trial in plan[: answered + 1])
            assert (record["id"]["part"], record["id"]["trial"]) == (part, nth), f"record {number}: another trial"
            cables.hold(opening, key, record, number)
            right = right_answer(terms, part, stimulus, witnesses.draws(record["id"], draws))
            given = {None: record["answer"]} if kind == "answer" else votes.setdefault(str(record["id"]), {})
            answered += kind != "void"
            outcomes.take(part, stimulus, right, None if kind == "void" else given, answered == len(plan))
        elif kind == "votes-void":  # What was drawn for the next trial is dropped.
            assert witnesses.asked is None, "votes became void after links for the next trial were asked for"
            following = plan[answered : answered + 1] if not witnesses.last else []
            dropped = [right_answer(terms, part, stimulus, draws) for (part, _), stimulus in following]
            outcomes.take_back()
            answered -= 1
        sealing.take(record, number)
    assert opening.get("once", {}) == closing.get("drawn", {}), "drawn once"
    assert outcomes.counts() == closing["counts"], f"counts {outcomes.counts()}"
    stopped = opening["occasion"] == "night" and closing["outcome"] == "stopped-early"
    assert stopped or outcomes.ended == closing["outcome"], f"outcome {outcomes.ended}"
    return outcomes


if __name__ == "__main__":
    records, receipt = read(open(sys.argv[1], "rb").read())
    levels = [track.answers for track in verify(records).tracks]
    print("holds, receipt", receipt, *(f"sizes {levels}" for _ in levels[:1]))
