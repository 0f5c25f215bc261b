"""Witnesses, written from src/trial/FORMAT.md alone: chains of links, and the stream that each attempt is drawn from."""
import hashlib
from draws import Draws


def sha(*parts):
    return hashlib.sha256(b"".join(parts)).digest()


class Witnesses:
    """Those of one sealing, who open a link each for every attempt."""

    def __init__(self):
        self.last, self.links, self.drawn = {}, {}, None
        self.seats, self.missed, self.asked, self.left = {}, {}, None, set()

    def take(self, record, key, plan, answered):
        if record["kind"] == "links-asked":
            assert key and self.asked is None and self.last, "links asked for out of their time"
            self.asked = record["at_ms"]
            return
        if record["kind"] == "links-passed":
            missing = [who for who in sorted(self.last) if who not in self.links]
            assert missing and record["missing"] == missing, "the links that are missing are others"
            for who in missing:
                late = record["at_ms"] - self.asked >= 5000
                assert late or self.missed[who] or self.seats[who] in self.left, "a link passed over before its time"
            self.begin(record, key, plan, answered)
            return
        who = record["witness"]
        if record["kind"] == "witness-joined":
            assert key is None and who == len(self.last) + 1, "a witness who joined late, or twice"
            self.last[who], self.seats[who], self.missed[who] = record["end"], record.get("seat"), 0
            return
        link = earlier = bytes.fromhex(record["link"])
        befores = [(earlier := sha(b"earwitness link v2", earlier)).hex() for _ in range(1 + self.missed[who])]
        assert who not in self.links and self.last[who] in befores, "link"
        assert self.seats[who] is None or self.asked is not None, "a link that nobody asked for"
        self.links[who], self.last[who] = link, record["link"]
        if len(self.links) == len(self.last):
            self.begin(record, key, plan, answered)

    def begin(self, record, key, plan, answered):
        """The attempt is drawn under the links that are open."""
        self.missed = {who: 0 if who in self.links else self.missed[who] + 1 for who in self.last}
        links = [self.links[who] for who in sorted(self.links)]
        self.drawn, self.links = (record["id"], Draws(sha(b"earwitness trial v2", key, *links))), {}
        left = [trial[0] for trial in plan[answered:]].count(plan[answered][0])
        chosen = answered + self.drawn[1].below(left)
        plan[answered], plan[chosen] = plan[chosen], plan[answered]

    def draws(self, attempt, alone):
        """The draws of an attempt: without witnesses those of the sealing alone."""
        if not self.last:
            return alone
        assert self.drawn and self.drawn[0] == attempt and not self.links, "an attempt without its links"
        self.asked = None
        return self.drawn[1]
