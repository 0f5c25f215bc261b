"""A second verifier, written from src/trial/FORMAT.md alone: python3 second.py JOURNAL; exit 0 if everything holds."""
import hashlib, json, re, struct, sys
H = lambda *parts: hashlib.sha256(b"".join(parts)).digest()
LINE = re.compile(rb'\{"number":(\d+),"chain":"([0-9a-f]{64})"(,"utc_ms":-?\d+)?,"record":(.*),"check":"([0-9a-f]{16})"\}', re.S)
PARTS = ["qualification", "warm-up", "main"]
PROTOCOLS = {
    "abx": ("aba abb", "a b", lambda o, m: o[2]),
    "duo-trio": ("aab aba bab bba", "1 2", lambda o, m: "1" if o[1] == o[0] else "2"),
    "triangle": ("aab aba baa bba bab abb", "1 2 3", lambda o, m: str([o.count(s) for s in o].index(1) + 1)),
    "tetrad": ("aabb abab abba bbaa baba baab", "", lambda o, m: ["12-34", "13-24", "14-23"][o[1:].index(o[0])]),
    "two-afc": ("ab ba", "1 2", lambda o, m: str(o.index(m) + 1)),
    "preference": ("ab ba", "1 2", lambda o, m: str(o.index("b") + 1)),
    "same-different": ("aa ab ba bb", "", lambda o, m: "same" if o[0] == o[1] else "different"),
    "a-not-a": ("aa ab", "", lambda o, m: "a" if o[1] == "a" else "not-a")}

def chacha(key, counter):
    start = [0x61707865, 0x3320646E, 0x79622D32, 0x6B206574, *struct.unpack("<8L", key), counter, 0, 0, 0]
    s = list(start)
    for _ in range(10):
        for a, b, c, d in ((0, 4, 8, 12), (1, 5, 9, 13), (2, 6, 10, 14), (3, 7, 11, 15),
                           (0, 5, 10, 15), (1, 6, 11, 12), (2, 7, 8, 13), (3, 4, 9, 14)):
            for x, y, z, by in ((a, b, d, 16), (c, d, b, 12), (a, b, d, 8), (c, d, b, 7)):
                s[x] = (s[x] + s[y]) & 0xFFFFFFFF
                s[z] ^= s[x]
                s[z] = ((s[z] << by) | (s[z] >> (32 - by))) & 0xFFFFFFFF
    return b"".join(struct.pack("<L", (x + y) & 0xFFFFFFFF) for x, y in zip(s, start))

def stream(key):
    words = (w for counter in range(1 << 32) for w in struct.unpack("<16L", chacha(key, counter)))
    def below(n):
        return 0 if n == 1 else next(w for w in words if w < (1 << 32) // n * n) % n
    def shuffle(items):
        for i in range(len(items) - 1, 0, -1):
            j = below(i + 1)
            items[i], items[j] = items[j], items[i]
        return items
    return below, shuffle

def schedule(opening, below, shuffle):
    terms, stimuli = opening["terms"], opening["stimuli"]
    kinds = lambda wanted: [i for i, s in enumerate(stimuli) if wanted(s)]
    controls = [kinds(lambda s: s["control"] == k) for k in range(len(terms["controls"]))]
    pick = lambda items: items[below(len(items))]
    positive = [k for k, c in enumerate(terms["controls"]) if c["control"] != "identical"]
    needed = (terms["qualification"] or {"trials": 0})["trials"]
    parts = [[(k, pick(controls[k])) for k in shuffle([positive[i % len(positive)] for i in range(needed)])]]
    parts.append([(None, pick(kinds(lambda s: s["control"] is None))) for _ in range(terms["warm_up"])])
    lists = []
    for c in range(len(terms["comparisons"])):
        own, run = kinds(lambda s: s["control"] is None and s["comparison"] == c), []
        while len(run) < terms["trials"]:
            run += shuffle(list(own))
        lists.append(run[:terms["trials"]])
    main = [(None, lists[c][b]) for b in range(terms["trials"]) for c in shuffle(list(range(len(lists))))]
    for k in shuffle([k for k, c in enumerate(terms["controls"]) for _ in range(c["trials"])]):
        item = (k, pick(controls[k]))
        main.insert(below(len(main) + 1), item)
    return parts + [main]

def verify(data):
    records, chain, votes, finished, plan, hands, draw = [], bytes(32), {}, [], None, {}, None
    for number, line in enumerate(data.split(b"\n")[:-1], 1):
        found = LINE.fullmatch(line)
        assert found and int(found[1]) == number and found[2].decode() == chain.hex(), "chain at %d" % number
        assert H(line[:-28]).hex()[:16].encode() == found[5], "check at %d" % number
        records, chain = records + [json.loads(found[4])], H(line)
    opening, closing, version = records[0], records[-1], b"%d" % records[0]["format"]
    opened = iter(closing.get("earlier", []) + [{"secret": closing["secret"], "key": closing["key"]}])
    orders, _, right = PROTOCOLS[opening["terms"]["protocol"]]
    part, trial, now = 0, 1, None
    for number, record in enumerate(records, 1):
        kind, seat = record["kind"], record.get("seat")
        if kind == "opening" or record.get("commitment"):
            now, hands, draw = next(opened), {}, None
            secret = bytes.fromhex(now["secret"])
            assert H(b"earwitness seal v" + version, secret).hex() == record["commitment"], "secret at %d" % number
        elif kind in ("hand", "phrase"):
            hands[number, "typed"] = record["text"].encode()
        elif kind in ("hand-closed", "seat-left", "hands-void") and draw is None:
            hands = {k: v for k, v in hands.items() if k[1] != seat and (kind != "hands-void" or k[1] == "typed")}
            if kind == "hand-closed":
                hands[number, seat] = record["hash"]
        elif kind == "hand-opened":
            place, hand = next(k for k in hands if k[1] == seat), bytes.fromhex(record["hand"])
            assert H(b"earwitness hand v2", hand).hex() == hands[place], "hand at %d" % number
            hands[place] = hand
        elif kind == "sealed":
            mixed = b"".join(struct.pack(">Q", len(h)) + h for _, h in sorted(hands.items(), key=lambda kv: kv[0][0]))
            key = H(b"earwitness key v" + version, secret, mixed)
            assert key.hex() == now["key"] and len(hands) == record.get("hands", record.get("phrases")), "key at %d" % number
            draw, shuffle = stream(key)
            if plan is None:
                plan = schedule(opening, draw, shuffle)
                part = next(p for p in range(3) if plan[p])
            else:
                plan = [items if p < part else items[:trial - 1] + shuffle(items[trial - 1:]) if p == part
                        else shuffle(items) for p, items in enumerate(plan)]
        elif kind == "vote":
            votes.setdefault(json.dumps(record["id"]), {})[seat] = record["answer"]
        elif kind in ("answer", "void", "votes-closed"):
            assert (record["id"]["part"], record["id"]["trial"]) == (PARTS[part], trial), "trial at %d" % number
            order = orders.split()[draw(len(orders.split()))]
            control, stimulus = plan[part][trial - 1]
            if kind != "void":
                more = opening["terms"]["attribute_side"] if control is None else "b"
                finished.append((part, control, opening["stimuli"][stimulus]["comparison"], right(order, more), record))
                trial += 1
                if trial > len(plan[part]):
                    part, trial = next((p for p in range(part + 1, 3) if plan[p]), 3), 1
    counts = {}
    for part, control, comparison, correct, record in finished:
        for answer in [record["answer"]] if "answer" in record else votes.get(json.dumps(record["id"]), {}).values():
            place = PARTS[part].replace("-", "_") if part < 2 else ("controls", control) if control is not None else ("comparisons", comparison)
            done = counts.setdefault(place, [0, 0])
            counts[place] = [done[0] + 1, done[1] + (answer == correct)]
    told = closing["counts"]
    for name in ("comparisons", "controls"):
        for index, count in enumerate(told[name]):
            assert counts.get((name, index), [0, 0]) == [count["trials"], count["correct"]], "%s %d" % (name, index)
    for name in ("qualification", "warm_up"):
        assert counts.get(name, [0, 0]) == [told[name]["trials"], told[name]["correct"]], name
    return chain.hex()

if __name__ == "__main__":
    with open(sys.argv[1], "rb") as file:
        try:
            print("holds, receipt", verify(file.read()))
        except (AssertionError, KeyError, IndexError, StopIteration, ValueError, TypeError) as error:
            sys.exit("does not hold: %r" % error)
