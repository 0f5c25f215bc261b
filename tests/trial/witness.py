"""Witnesses, written from src/trial/FORMAT.md alone: chains of links, and the stream that each attempt is drawn from."""
import hashlib
from draws import Draws


def sha(*parts):
    return hashlib.sha256(b"".join(parts)).digest()


class Witnesses:
    """Those of one sealing, who open a link each for every attempt."""

    def __init__(self):
        self.last, self.links, self.drawn = {}, {}, None

    def take(self, record, key, plan, answered):
        who = record["witness"]
        if record["kind"] == "witness-joined":
            assert key is None and who == len(self.last) + 1, "a witness who joined late, or twice"
            self.last[who] = record["end"]
            return
        link = bytes.fromhex(record["link"])
        assert who not in self.links and sha(b"earwitness link v2", link).hex() == self.last[who], "link"
        self.links[who], self.last[who] = link, record["link"]
        if len(self.links) == len(self.last):
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
        return self.drawn[1]
