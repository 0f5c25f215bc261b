"""A second verifier, written from src/trial/FORMAT.md alone: python3 verify.py JOURNAL; exit 0 if everything holds."""
import hashlib, json, re, struct, sys
H = lambda *parts: hashlib.sha256(b"".join(parts)).digest()
LINE = re.compile(rb'\{"number":(\d+),"chain":"([0-9a-f]{64})"(?:,"utc_ms":-?\d+)?,"record":(.*),"check":"([0-9a-f]{16})"\}', re.S)
PARTS, WORD = ["qualification", "warm-up", "main"], 0xFFFFFFFF
RIGHT = {"abx": ("aba abb", lambda o, m: o[2]), "duo-trio": ("aab aba bab bba", lambda o, m: "1" if o[1] == o[0] else "2"),
         "triangle": ("aab aba baa bba bab abb", lambda o, m: str([o.count(s) for s in o].index(1) + 1)),
         "tetrad": ("aabb abab abba bbaa baba baab", lambda o, m: ["12-34", "13-24", "14-23"][o[1:].index(o[0])]),
         "two-afc": ("ab ba", lambda o, m: str(o.index(m) + 1)), "preference": ("ab ba", lambda o, m: str(o.index("b") + 1)),
         "same-different": ("aa ab ba bb", lambda o, m: "same" if o[0] == o[1] else "different"),
         "a-not-a": ("aa ab", lambda o, m: "a" if o[1] == "a" else "not-a")}
QUARTERS = [(i, i + 4, i + 8, i + 12) for i in range(4)] + [(i, 4 + (i + 1) % 4, 8 + (i + 2) % 4, 12 + (i + 3) % 4) for i in range(4)]

def words(key):
    for counter in range(1 << 32):
        start = [0x61707865, 0x3320646E, 0x79622D32, 0x6B206574, *struct.unpack("<8L", key), counter, 0, 0, 0]
        s = list(start)
        for a, b, c, d in QUARTERS * 10:
            for x, y, z, by in ((a, b, d, 16), (c, d, b, 12), (a, b, d, 8), (c, d, b, 7)):
                s[x] = (s[x] + s[y]) & WORD
                s[z] = ((s[z] ^ s[x]) << by | (s[z] ^ s[x]) >> (32 - by)) & WORD
        yield from ((x + y) & WORD for x, y in zip(s, start))

def stream(key):
    values = words(key)
    below = lambda n: 0 if n == 1 else next(v for v in values if v < (1 << 32) // n * n) % n
    def shuffle(items):
        for i in range(len(items) - 1, 0, -1):
            j = below(i + 1)
            items[i], items[j] = items[j], items[i]
        return items
    return below, shuffle

def schedule(terms, stimuli, below, shuffle):
    of = lambda wanted: [i for i, s in enumerate(stimuli) if wanted(s)]
    pick = lambda items: items[below(len(items))]
    controls = [of(lambda s: s["control"] == k) for k in range(len(terms["controls"]))]
    positive = [k for k, c in enumerate(terms["controls"]) if c["control"] != "identical"]
    needed, lists = (terms["qualification"] or {"trials": 0})["trials"], []
    first = [(k, pick(controls[k])) for k in shuffle([positive[i % len(positive)] for i in range(needed)])]
    warm = [(None, pick(of(lambda s: s["control"] is None and "level" not in s))) for _ in range(terms["warm_up"])]
    for c in range(len(terms["comparisons"])):
        own = of(lambda s: s["control"] is None and "level" not in s and s["comparison"] == c)
        lists.append([i for _ in range(-(-terms["trials"] // len(own))) for i in shuffle(list(own))])
    main = [(None, lists[c][b]) for b in range(terms["trials"]) for c in shuffle(list(range(len(lists))))]
    for k in shuffle([k for k, c in enumerate(terms["controls"]) for _ in range(c["trials"])]):
        item = (k, pick(controls[k]))
        main.insert(below(len(main) + 1), item)
    return [first, warm, main]

def verify(data, at):
    chain, records, plan, hands, votes, done, draw, part, trial = bytes(32), [], None, {}, {}, [], None, 0, 1
    for at[0], line in enumerate(data.split(b"\n")[:-1], 1):
        found = LINE.fullmatch(line)
        assert found and int(found[1]) == at[0] and bytes.fromhex(found[2].decode()) == chain and H(line[:-28]).hex()[:16].encode() == found[4], "chain"
        records, chain = records + [json.loads(found[3])], H(line)
    opening, closing, version = records[0], records[-1], b"%d" % records[0]["format"]
    assert closing["kind"] == "closing", "not closed"
    opened, (orders, right), terms = closing.get("earlier", []) + [closing], RIGHT[opening["terms"]["protocol"]], opening["terms"]
    for at[0], r in enumerate(records, 1):
        kind, seat = r["kind"], r.get("seat")
        if kind == "opening" or r.get("commitment"):
            now, hands, draw = opened.pop(0), {}, None
            assert H(b"earwitness seal v" + version, bytes.fromhex(now["secret"])).hex() == r["commitment"], "secret"
        elif kind in ("hand", "phrase"):
            hands[at[0], None] = r["text"].encode()
        elif kind in ("hand-closed", "seat-left", "hands-void") and draw is None:
            hands = {k: h for k, h in hands.items() if k[1] is None or (kind != "hands-void" and k[1] != seat)}
            hands.update({(at[0], seat): r["hash"]} if kind == "hand-closed" else {})
        elif kind == "hand-opened":
            place = next(k for k in hands if k[1] == seat)
            assert H(b"earwitness hand v2", bytes.fromhex(r["hand"])).hex() == hands[place], "hand"
            hands[place] = bytes.fromhex(r["hand"])
        elif kind == "sealed":
            mixed = b"".join(struct.pack(">Q", len(hands[k])) + hands[k] for k in sorted(hands, key=lambda k: k[0]))
            key = H(b"earwitness key v" + version, bytes.fromhex(now["secret"]), mixed)
            assert key.hex() == now["key"] and len(hands) == r.get("hands", r.get("phrases")), "key"
            draw, shuffle = stream(key)
            plan = schedule(terms, opening["stimuli"], draw, shuffle) if plan is None else [
                items[:k] + shuffle(items[k:]) for p, items in enumerate(plan) for k in [len(items) if p < part else trial - 1 if p == part else 0]]
            part, trial = (part, trial) if done else (next(p for p in range(3) if plan[p]), 1)
        elif kind == "vote":
            votes.setdefault(json.dumps(r["id"]), {})[seat] = r["answer"]
        elif kind in ("answer", "void", "votes-closed"):
            assert (r["id"]["part"], r["id"]["trial"]) == (PARTS[part], trial), "trial"
            order, (control, stimulus) = orders.split()[draw(len(orders.split()))], plan[part][trial - 1]
            more = terms["attribute_side"] if control is None else terms["controls"][control].get("more", "b")
            if kind != "void":
                where = PARTS[part].replace("-", "_") if part < 2 else ("controls", control) if control is not None else ("comparisons", opening["stimuli"][stimulus]["comparison"])
                done.append((where, right(order, more), r))
                part, trial = (part, trial + 1) if trial < len(plan[part]) else (next((p for p in range(part + 1, 3) if plan[p]), 3), 1)
    counts = {}
    for where, correct, r in done:
        for answer in [r["answer"]] if "answer" in r else votes.get(json.dumps(r["id"]), {}).values():
            had = counts.get(where, (0, 0))
            counts[where] = (had[0] + 1, had[1] + (answer == correct))
    told = closing["counts"]
    places = [((name, i), count) for name in ("comparisons", "controls") for i, count in enumerate(told[name])]
    for where, count in places + [(name, told[name]) for name in ("qualification", "warm_up")]:
        assert counts.get(where, (0, 0)) == (count["trials"], count["correct"]), "counts of %s" % (where,)
    assert (part == 3) or closing["outcome"] != "all-trials", "outcome"
    return chain.hex()

if __name__ == "__main__":
    place = [0]
    try:
        print("holds, receipt", verify(open(sys.argv[1], "rb").read(), place))
    except Exception as error:
        sys.exit("record %d: %r" % (place[0], error))
