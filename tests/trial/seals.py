"""Hands and the key of a sealing, written from src/trial/FORMAT.md alone."""
import hashlib, struct


def sha(*parts):
    return hashlib.sha256(b"".join(parts)).digest()


class Sealing:
    """What goes into one key: the secret that its commitment was made of, and the hands in the order of their lines."""

    def __init__(self, version, opened, commitment):
        self.version, self.secret, self.opened = version, bytes.fromhex(opened["secret"]), opened
        self.hands, self.taking = {}, True
        assert sha(b"earwitness seal v" + version, self.secret).hex() == commitment, "secret"

    def take(self, record, number):
        kind, seat = record["kind"], record.get("seat")
        if kind in ("hand", "phrase"):
            self.hands["typed", number] = record["text"].encode()
        elif kind == "hand-closed":  # A phone that draws anew stands where its later hand does.
            self.hands.pop(seat, None)
            self.hands[seat] = record["hash"]
        elif kind == "hands-closed":
            self.taking = False
        elif kind == "hand-opened":
            hand = bytes.fromhex(record["hand"])
            assert sha(b"earwitness hand v2", hand).hex() == self.hands[seat], "hand"
            self.hands[seat] = hand
        elif kind == "hands-void":
            self.hands, self.taking = {who: hand for who, hand in self.hands.items() if isinstance(who, tuple)}, True
        elif kind == "seat-left" and self.taking:
            self.hands.pop(seat, None)

    def key(self, hands):
        """The key, held against the one that was opened; nothing is taken from here on."""
        mixed = b"".join(struct.pack(">Q", len(hand)) + hand for hand in self.hands.values())
        key, self.taking = sha(b"earwitness key v" + self.version, self.secret, mixed), False
        assert key.hex() == self.opened["key"] and len(self.hands) == hands, "key"
        return key
