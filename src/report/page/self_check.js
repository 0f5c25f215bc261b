// This script checks the sittings of this page, with what is in this page and nothing else: no library, no request.
// What it follows is the written format of the journals (`earwitness verify --format`). Its algorithms are FIPS 180-4
// (SHA-256) and RFC 8439 (ChaCha20), with RFC 2104 (HMAC) for locks; all are held against published vectors each time before
// they are used.
'use strict';
(() => {
  // ---- Bytes ---------------------------------------------------------------------------------------------------------
  const bytes = (text) => new TextEncoder().encode(text);
  const hex = (data) => Array.from(data, (byte) => byte.toString(16).padStart(2, '0')).join('');
  const unhex = (text) => Uint8Array.from(text.match(/../g) ?? [], (pair) => parseInt(pair, 16));
  const join = (...parts) => {
    const all = new Uint8Array(parts.reduce((length, part) => length + part.length, 0));
    parts.reduce((at, part) => (all.set(part, at), at + part.length), 0);
    return all;
  };
  const bigEndian8 = (number) => {
    const eight = new DataView(new ArrayBuffer(8));
    eight.setBigUint64(0, BigInt(number));
    return new Uint8Array(eight.buffer);
  };
  const need = (holds, otherwise) => { if (!holds) throw new Error(otherwise); };

  // ---- SHA-256, FIPS 180-4 section 6.2 -------------------------------------------------------------------------------
  const primes = [];
  for (let n = 2; primes.length < 64; n += 1) if (primes.every((prime) => n % prime)) primes.push(n);
  const fraction = (x) => Math.floor((x - Math.floor(x)) * 2 ** 32);
  const ROUND = primes.map((prime) => fraction(Math.cbrt(prime)));
  const START = primes.slice(0, 8).map((prime) => fraction(Math.sqrt(prime)));
  const right = (x, by) => (x >>> by) | (x << (32 - by));

  function sha256(...parts) {
    const message = join(...parts);
    const padding = new Uint8Array((119 - (message.length % 64)) % 64 + 1);
    padding[0] = 0x80;
    const data = new DataView(join(message, padding, bigEndian8(message.length * 8)).buffer);
    const state = Int32Array.from(START);
    const w = new Int32Array(64);
    for (let block = 0; block < data.byteLength; block += 64) {
      for (let t = 0; t < 16; t += 1) w[t] = data.getInt32(block + 4 * t);
      for (let t = 16; t < 64; t += 1) {
        const s0 = right(w[t - 15], 7) ^ right(w[t - 15], 18) ^ (w[t - 15] >>> 3);
        const s1 = right(w[t - 2], 17) ^ right(w[t - 2], 19) ^ (w[t - 2] >>> 10);
        w[t] = w[t - 16] + s0 + w[t - 7] + s1;
      }
      let [a, b, c, d, e, f, g, h] = state;
      for (let t = 0; t < 64; t += 1) {
        const s1 = right(e, 6) ^ right(e, 11) ^ right(e, 25);
        const first = (h + s1 + ((e & f) ^ (~e & g)) + ROUND[t] + w[t]) | 0;
        const s0 = right(a, 2) ^ right(a, 13) ^ right(a, 22);
        const second = (s0 + ((a & b) ^ (a & c) ^ (b & c))) | 0;
        [h, g, f, e, d, c, b, a] = [g, f, e, (d + first) | 0, c, b, a, (first + second) | 0];
      }
      [a, b, c, d, e, f, g, h].forEach((word, i) => { state[i] += word; });
    }
    const digest = new DataView(new ArrayBuffer(32));
    state.forEach((word, i) => digest.setInt32(4 * i, word));
    return new Uint8Array(digest.buffer);
  }

  // ---- HMAC-SHA-256, RFC 2104 ------------------------------------------------------------------------------------------
  function hmac(key, message) {
    const block = new Uint8Array(64);
    block.set(key.length > 64 ? sha256(key) : key);
    const padded = (by) => block.map((byte) => byte ^ by);
    return sha256(padded(0x5c), sha256(padded(0x36), message));
  }

  // ---- ChaCha20, RFC 8439 section 2.3 --------------------------------------------------------------------------------
  function chachaBlock(key, counter, nonce) {
    const words = (data) => Array.from({ length: data.length / 4 }, (_, i) =>
      new DataView(data.buffer, data.byteOffset).getInt32(4 * i, true));
    const start = [0x61707865, 0x3320646e, 0x79622d32, 0x6b206574, ...words(key), counter, ...words(nonce)];
    const s = Int32Array.from(start);
    const left = (x, by) => (x << by) | (x >>> (32 - by));
    const quarter = (a, b, c, d) => {
      s[a] += s[b]; s[d] = left(s[d] ^ s[a], 16);
      s[c] += s[d]; s[b] = left(s[b] ^ s[c], 12);
      s[a] += s[b]; s[d] = left(s[d] ^ s[a], 8);
      s[c] += s[d]; s[b] = left(s[b] ^ s[c], 7);
    };
    for (let round = 0; round < 10; round += 1) {
      quarter(0, 4, 8, 12); quarter(1, 5, 9, 13); quarter(2, 6, 10, 14); quarter(3, 7, 11, 15);
      quarter(0, 5, 10, 15); quarter(1, 6, 11, 12); quarter(2, 7, 8, 13); quarter(3, 4, 9, 14);
    }
    const out = new DataView(new ArrayBuffer(64));
    s.forEach((word, i) => out.setInt32(4 * i, word + start[i], true));
    return new Uint8Array(out.buffer);
  }

  function testAlgorithms() {
    // FIPS 180-4 (the examples that NIST publishes with it): one block, two blocks.
    need(hex(sha256(bytes('abc'))) === 'ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad', 'SHA-256');
    need(hex(sha256(bytes('abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq')))
      === '248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1', 'SHA-256');
    // RFC 4231, test case 2.
    need(hex(hmac(bytes('Jefe'), bytes('what do ya want for nothing?')))
      === '5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843', 'HMAC');
    // RFC 8439: 2.3.2, and A.1 test vector 1.
    const key = Uint8Array.from({ length: 32 }, (_, i) => i);
    need(hex(chachaBlock(key, 1, unhex('000000090000004a00000000')))
      === '10f1e7e4d13b5915500fdd1fa32071c4c7d1f4c733c068030422aa9ac3d46c4e'
      + 'd2826446079faa0914c2d705d98b02a2b5129cd1de164eb9cbd083e8a2503c4e', 'ChaCha20');
    need(hex(chachaBlock(new Uint8Array(32), 0, new Uint8Array(12))).startsWith('76b8e0ada0f13d90405d6ae55386bd28'),
      'ChaCha20');
  }

  // ---- The stream of draws -------------------------------------------------------------------------------------------
  function stream(key) {
    let [block, at, counter] = [new Uint8Array(0), 0, 0];
    const word = () => {
      if (at === block.length) {
        [block, at] = [chachaBlock(key, counter, new Uint8Array(12)), 0];
        counter += 1;
      }
      at += 4;
      return new DataView(block.buffer).getUint32(at - 4, true);
    };
    const below = (n) => {
      if (n === 1) return 0;
      const limit = Math.floor(2 ** 32 / n) * n;
      for (;;) { const value = word(); if (value < limit) return value % n; }
    };
    const shuffle = (list) => {
      for (let i = list.length - 1; i > 0; i -= 1) {
        const j = below(i + 1);
        [list[i], list[j]] = [list[j], list[i]];
      }
      return list;
    };
    return { below, shuffle };
  }

  // ---- Step 1: the chain ---------------------------------------------------------------------------------------------
  const LINE = /^\{"number":(\d+),"chain":"([0-9a-f]{64})"(?:,"utc_ms":-?\d+)?,"record":(\{.*\}),"check":"([0-9a-f]{16})"\}$/s;

  function chain(text) {
    need(text.endsWith('\n'), 'the last line was cut off');
    const [records, digests] = [[], []];
    let before = '0'.repeat(64);
    for (const [index, line] of text.slice(0, -1).split('\n').entries()) {
      const found = LINE.exec(line);
      need(found, `line ${index + 1} is no record`);
      need(Number(found[1]) === index + 1, `line ${index + 1} says that it is number ${found[1]}`);
      need(found[2] === before, `line ${index + 1} does not hold the SHA-256 of the line before`);
      const covered = line.slice(0, line.lastIndexOf(',"check"'));
      need(hex(sha256(bytes(covered)).slice(0, 8)) === found[4], `line ${index + 1} was changed: its own check fails`);
      try { records.push(JSON.parse(found[3])); } catch { need(false, `line ${index + 1} is no record`); }
      digests.push(sha256(bytes(line)));
      before = hex(digests.at(-1));
    }
    need(records[0].kind === 'opening', 'line 1 is no opening');
    need(records.slice(1, -1).every((record) => record.kind !== 'opening' && record.kind !== 'closing'),
      'an opening or closing stands in the middle');
    return { records, digests };
  }

  // ---- Step 2 and 3: what was committed to, and the hands that were added ----------------------------------------------
  const openings = (closing) => [...(closing.earlier ?? []), { secret: closing.secret, key: closing.key }];

  function sealings(records) {
    const all = [];
    let taking = true;
    const begin = (commitment) => { all.push({ commitment, hands: [] }); taking = true; };
    const forget = (seat) => { all.at(-1).hands = all.at(-1).hands.filter((hand) => hand.seat !== seat); };
    for (const record of records) {
      const { hands } = all.at(-1) ?? {};
      switch (record.kind) {
        case 'opening': begin(record.commitment); break;
        case 'resumed': case 'resealed': if (record.commitment) begin(record.commitment); break;
        case 'witness-joined': need(taking, 'a witness joined after the draws were sealed'); break;
        case 'phrase': case 'hand':
          need(taking, 'a hand was added after the draws were sealed');
          hands.push({ by: record.by, bytes: bytes(record.text) });
          break;
        case 'hand-closed':
          forget(record.seat);
          all.at(-1).hands.push({ seat: record.seat, hash: record.hash });
          break;
        case 'hand-opened': {
          const hand = hands.find((one) => one.seat === record.seat);
          need(hand, `a hand of seat ${record.seat} was opened that was never closed`);
          hand.foreign = hand.hash !== hex(sha256(bytes('earwitness hand v2'), unhex(record.hand)));
          hand.bytes = unhex(record.hand);
          break;
        }
        case 'hands-closed': taking = false; break;
        case 'hands-void':
          all.at(-1).hands = hands.filter((hand) => hand.seat === undefined);
          taking = true;
          break;
        case 'seat-left': if (taking) forget(record.seat); break;
        case 'sealed': taking = false; break;
        default:
      }
    }
    return all;
  }

  function commitments(records) {
    const [all, opened, { format }] = [sealings(records), openings(records.at(-1)), records[0]];
    need(all.length === opened.length, `${all.length} secrets were committed to, ${opened.length} were opened`);
    all.forEach(({ commitment }, i) => need(
      hex(sha256(bytes(`earwitness seal v${format}`), unhex(opened[i].secret))) === commitment,
      'the secret that was opened is not the one that was committed to',
    ));
    return all;
  }

  function keys(records) {
    const [all, opened, { format }] = [sealings(records), openings(records.at(-1)), records[0]];
    all.forEach(({ hands }, i) => {
      need(hands.every((hand) => hand.bytes), 'a hand stayed closed');
      const foreign = hands.find((hand) => hand.foreign);
      need(!foreign, `the hand of seat ${foreign?.seat} is not the one that its phone committed itself to`);
      const pieces = hands.flatMap((hand) => [bigEndian8(hand.bytes.length), hand.bytes]);
      const key = hex(sha256(bytes(`earwitness key v${format}`), unhex(opened[i].secret), ...pieces));
      need(key === opened[i].key, 'secret and hands give another key than the closing record says');
    });
    return all.flatMap(({ hands }) => hands).length;
  }

  /** The records of a locked sitting that have to prove its passphrase, held against the lock's key where somebody has it. */
  function lock(records, digests, key) {
    const guarded = records.flatMap((record, i) => (record.kind === 'resumed' || record.kind === 'closing' ? [i] : []));
    need(guarded.every((i) => records[i].proof), 'a record that has to prove the passphrase does not');
    const carry = `${guarded.length} ${guarded.length === 1 ? 'record carries' : 'records carry'} a proof of the passphrase`;
    if (!key) return `${carry}, not checked without the lock's key`;
    if (hex(hmac(key, bytes('earwitness verifier v2'))) !== records[0].lock.verifier) {
      return `${carry}, not checked: the key that was typed is that of another lock, or of none`;
    }
    for (const i of guarded) {
      need(hex(hmac(key, digests[i - 1])) === records[i].proof, `line ${i + 1} proves another passphrase than the lock's`);
    }
    return `${carry}, and the lock's key gives the same`;
  }

  // ---- Step 4: the draws ---------------------------------------------------------------------------------------------
  const PARTS = ['qualification', 'warm-up', 'main'];

  /** The comparisons in the order of a row of a Williams design. */
  function williams(count, row) {
    const order = Array.from({ length: count }, (_, i) => ((i % 2 ? (i + 1) / 2 : count - i / 2) + row) % count);
    return row < count ? order : order.reverse();
  }

  /** What is drawn once for the whole sitting: which cables change places, and the row of the design. */
  function once({ terms, rows }, { below }) {
    const panel = terms.panel ?? {};
    const exchanged = panel.cable_a === 'drawn' ? terms.comparisons.map(() => below(2) === 1) : undefined;
    const row = panel.order_of_comparisons === 'williams' ? rows[below(rows.length)] : undefined;
    return { row, exchanged };
  }

  function schedule(opening, { row }, { below, shuffle }) {
    const { terms, stimuli } = opening;
    const those = (wanted) => stimuli.map((_, i) => i).filter((i) => wanted(stimuli[i]));
    const ofControl = terms.controls.map((_, k) => those((stimulus) => stimulus.control === k));
    const one = (list) => list[below(list.length)];
    const parts = { qualification: [], 'warm-up': [], main: [] };

    if (terms.qualification) {
      const heard = terms.controls.map((_, k) => k).filter((k) => terms.controls[k].control !== 'identical');
      const chosen = Array.from({ length: terms.qualification.trials }, (_, i) => heard[i % heard.length]);
      for (const control of shuffle(chosen)) { one(ofControl[control]); parts.qualification.push({ control }); }
    }
    const real = ({ control, level }) => control === null && level === undefined;
    const plain = those(real);
    for (let i = 0; i < terms.warm_up; i += 1) {
      parts['warm-up'].push({ comparison: stimuli[one(plain)].comparison, control: null });
    }
    // Which stimulus each trial has is drawn, too; only what it is about matters for right and wrong.
    terms.comparisons.forEach((_, comparison) => {
      const own = those((stimulus) => real(stimulus) && stimulus.comparison === comparison);
      for (let length = 0; length < terms.trials; length += own.length) shuffle([...own]);
    });
    const { main } = parts;
    if (row !== undefined) {
      williams(terms.comparisons.length, row).forEach((comparison, stretch) => {
        for (let trial = 0; trial < terms.trials; trial += 1) main.push({ comparison, control: null, stretch });
      });
    }
    for (let block = 0; block < terms.trials && row === undefined; block += 1) {
      for (const comparison of shuffle(terms.comparisons.map((_, i) => i))) main.push({ comparison, control: null });
    }
    const chosen = terms.controls.flatMap((control, k) => Array(control.trials).fill(k));
    for (const control of shuffle(chosen)) {
      one(ofControl[control]);
      const place = below(main.length + 1);
      main.splice(place, 0, { control, stretch: (main[place] ?? main.at(-1)).stretch });
    }
    return parts;
  }

  /** What the trials of a part are asked with: the session's protocol, or in the qualification one of its own. */
  function asked({ protocol, qualification }, part) {
    const name = (part === 'qualification' && qualification.protocol) || protocol;
    const found = data('self-check-protocols')[name];
    need(found, `this page does not know the protocol "${name}"`);
    return found;
  }

  /** How long nothing was connected before each presentation over a real cable, by the key of the sealing. */
  function heldWaits(terms, key, { id, listening }) {
    const { apart_ms: least, spread_ms: more } = terms.switcher ?? {};
    (listening?.presented ?? []).forEach(({ apart_ms: told }, i) => {
      const place = bytes(`${id.part} ${id.trial} ${id.attempt} ${i + 1}`);
      const digest = sha256(bytes('earwitness wait v2'), unhex(key), place);
      const drawn = least + Number(BigInt(`0x${hex(digest.slice(0, 8))}`) % BigInt((more ?? 0) + 1));
      need(told === drawn, `trial ${id.trial}: nothing was connected for ${told} ms, and the seal says ${drawn} ms`);
    });
  }

  /** Whole rounds over real cables: every slot and silent fillings, each round in the order of the key of the sealing. */
  function heldRounds({ terms, simulated }, key, { id, kind, listening }) {
    if (!terms.switcher?.filled) return;
    const [presented, { orders }] = [listening.presented ?? [], asked(terms, id.part)];
    const real = id.part === 'qualification' ? [] : orders;
    const control = !real.length || terms.controls.some(({ trials }) => trials) ? orders[0].length : 0;
    const most = (side) => real.map((order) => [...order].filter((own) => own === side).length);
    const places = Math.max(control, ...most('a')) + Math.max(0, ...most('b'));
    for (let start = 0; start < presented.length; start += places) {
      const name = bytes(`${id.part} ${id.trial} ${id.attempt} ${start / places + 1}`);
      const drawn = stream(sha256(bytes('earwitness round v2'), unhex(key), name)).shuffle([...Array(places).keys()]);
      const slots = presented.slice(start, start + places).map(({ slot }) => slot);
      need(slots.every((slot, i) => slot === drawn[i]), `trial ${id.trial}: a round in another order than the seal says`);
    }
    need(kind === 'void' || (presented.length % places === 0 && (presented.length || simulated !== null)),
      `trial ${id.trial}: an answer in the middle of a round`);
  }

  /** Every finished attempt with what was drawn for it, in the order of the journal. */
  function attempts(records) {
    const [opening, opened] = [records[0], openings(records.at(-1))];
    let [sealing, draws, parts, at, drawn] = [0, null, null, null, {}];
    // Of the sealing that is on: the link that each witness gave last, those opened for this attempt, how many attempts
    // began without it since, and whether this one has begun.
    let [last, links, missed, begun] = [[], [], [], false];
    const finished = [];
    const first = (from) => {
      const part = PARTS.slice(from).find((name) => parts[name].length);
      return part ? { part, trial: 1, attempt: 1 } : null;
    };
    // The attempt is drawn under the links that are open, and `below` picks which trial it is.
    const begin = () => {
      begun = true;
      missed = last.map((_, i) => (links[i] === undefined ? missed[i] + 1 : 0));
      draws = stream(sha256(bytes('earwitness trial v2'), unhex(opened[sealing].key), ...links.filter((link) => link !== undefined)));
      const trials = parts[at.part];
      const rest = trials.slice(at.trial - 1);
      const chosen = at.trial - 1 + draws.below(rest.filter(({ stretch }) => stretch === rest[0].stretch).length);
      [trials[at.trial - 1], trials[chosen]] = [trials[chosen], trials[at.trial - 1]];
    };
    for (const record of records) {
      if (['resumed', 'resealed'].includes(record.kind) && record.commitment) {
        sealing += 1;
        [draws, last, links, missed, begun] = [null, [], [], [], false];
      }
      if (record.kind === 'witness-joined') [last[record.witness - 1], missed[record.witness - 1]] = [record.end, 0];
      if (record.kind === 'link-opened') {
        const [link, own] = [unhex(record.link), record.witness - 1];
        let [earlier, leads] = [link, false];
        for (let step = 0; step <= missed[own] && !leads; step += 1) {
          earlier = sha256(bytes('earwitness link v2'), earlier);
          leads = hex(earlier) === last[own];
        }
        need(draws && at && !begun && links[own] === undefined && leads,
          `a link of witness ${record.witness} does not lead to the one before it`);
        [last[own], links[own]] = [record.link, link];
        if (last.every((_, i) => links[i] !== undefined)) begin();
      }
      if (record.kind === 'links-passed') {
        const missing = last.map((_, i) => i + 1).filter((number) => links[number - 1] === undefined);
        need(draws && at && !begun && opening.occasion === 'night' && missing.length && String(record.missing) === String(missing),
          'the links that were passed over are others than those that are missing');
        begin();
      }
      if (record.kind === 'sealed') {
        draws = stream(unhex(opened[sealing].key));
        if (!parts) {
          drawn = once(opening, draws);
          parts = schedule(opening, drawn, draws);
          at = first(0);
        } else if (at) {
          // A later sealing shuffles what has not been answered, part by part; what was answered keeps its place.
          for (const part of PARTS) {
            const order = PARTS.indexOf(part) - PARTS.indexOf(at.part);
            const answered = order < 0 ? parts[part].length : order > 0 ? 0 : at.trial - 1;
            const stretches = [];
            for (const trial of parts[part].slice(answered)) {
              if (stretches.length && trial.stretch === stretches.at(-1)[0].stretch) stretches.at(-1).push(trial);
              else stretches.push([trial]);
            }
            parts[part] = [...parts[part].slice(0, answered), ...stretches.flatMap((stretch) => draws.shuffle(stretch))];
          }
        }
      }
      if (record.kind === 'votes-void') {
        // The last trial is void after all: what was drawn for the next one is dropped.
        need(!begun && links.length === 0, 'votes became void after links for the next trial were opened');
        if (at && !last.length) draws.below(asked(opening.terms, at.part).orders.length);
        finished.at(-1).record = { ...finished.at(-1).record, kind: 'void' };
        at = { ...record.id, attempt: record.id.attempt + 1 };
      }
      if (!['answer', 'void', 'votes-closed', 'votes'].includes(record.kind)) continue;
      const { part, trial, attempt } = record.id;
      need(draws && at && at.part === part && at.trial === trial && at.attempt === attempt,
        `trial ${trial} stands where another one should`);
      need(!last.length || begun, `trial ${trial} began before its witnesses opened their links`);
      heldWaits(opening.terms, opened[sealing].key, record);
      heldRounds(opening, opened[sealing].key, record);
      [links, begun] = [[], false];
      const { comparison, control } = parts[part][trial - 1];
      const protocol = asked(opening.terms, part);
      const order = draws.below(protocol.orders.length);
      const more = control === null ? opening.terms.attribute_side : opening.terms.controls[control].more ?? 'b';
      finished.push({ record, part, comparison, control, sides: protocol.orders[order],
        right: protocol.answers[protocol.right[more][order]] });
      if (record.kind === 'void') at = { part, trial, attempt: attempt + 1 };
      else if (trial < parts[part].length) at = { part, trial: trial + 1, attempt: 1 };
      else at = first(PARTS.indexOf(part) + 1);
    }
    const told = records.at(-1).drawn ?? {};
    need(JSON.stringify([drawn.row, drawn.exchanged]) === JSON.stringify([told.row, told.exchanged]),
      'the order of comparisons or the cable heard as A is not what was drawn');
    return { finished, ended: parts !== null && at === null };
  }

  // ---- Sizes, where a threshold is looked for: see the written format ---------------------------------------------------
  const LAPSES = [[0, 0.4], [0.01, 0.25], [0.02, 0.2], [0.04, 0.1], [0.08, 0.05]];
  const spread = (first, last, count) => Array.from({ length: count }, (_, i) => first + (last - first) * i / (count - 1));
  const sum = (list) => list.reduce((all, one) => all + one, 0);

  /** One comparison's sizes: `answer` takes the answer at the size that is on, `ratio` is upper over lower bound. */
  function track({ smallest, largest, method }, chance) {
    const [lnT, lnB] = [spread(Math.log(smallest / 4), Math.log(largest * 4), 241), spread(Math.log(0.5), Math.log(8), 17)];
    const levels = spread(Math.log(smallest), Math.log(largest), 19);
    const curves = lnT.flatMap((t) => lnB.map((b) => [t, Math.exp(b)]));
    let weights = lnT.flatMap(() => lnB.flatMap((b) => LAPSES.map(([, w]) => w * Math.exp(-0.5 * ((b - Math.log(2)) / 0.7) ** 2))));
    const missed = levels.map((g) => curves.map(([t, b]) => 2 ** -Math.exp(b * (g - t))));
    const marginal = () => lnT.map((_, t) => sum(weights.slice(t * 85, t * 85 + 85)));
    const entropy = (masses) => {
      const all = sum(masses);
      return all * Math.log(all) - sum(masses.map((mass) => (mass > 0 ? mass * Math.log(mass) : 0)));
    };
    const place = () => {
      const lapsed = curves.map((_, i) => sum(LAPSES.map(([l], k) => weights[5 * i + k] * l)));
      const heard = curves.map((_, i) => sum(LAPSES.map(([l], k) => weights[5 * i + k] * (1 - l))));
      const all = marginal();
      const expected = missed.map((of) => {
        const wrong = lnT.map((_, t) => (1 - chance)
          * sum(lnB.map((__, b) => lapsed[17 * t + b] + heard[17 * t + b] * of[17 * t + b])));
        return entropy(wrong) + entropy(all.map((mass, t) => Math.max(mass - wrong[t], 0)));
      });
      return expected.findIndex((one) => one <= Math.min(...expected) + 1e-9);
    };
    const ratio = () => {
      const penalty = lnB.map((b) => Math.exp(((b - Math.log(2)) / 0.7) ** 2 / 2 - b));
      const best = lnT.map((_, t) => Math.max(...lnB.slice(2).map((__, b) => (
        penalty[b + 2] * Math.max(...weights.slice(85 * t + 5 * b + 10, 85 * t + 5 * b + 15))))));
      const apart = best.map((one) => 2 * Math.log(Math.max(...best) / one));
      const inside = apart.map((one) => one <= 3.8414588207);
      const bound = (at, next) => (next in lnT
        ? lnT[at] + (3.8414588207 - apart[at]) / (apart[next] - apart[at]) * (lnT[next] - lnT[at]) : lnT[at]);
      const [first, last] = [inside.indexOf(true), inside.lastIndexOf(true)];
      return Math.exp(bound(last, last + 1) - bound(first, first - 1));
    };
    const scale = () => { const all = sum(weights); weights = weights.map((weight) => weight / all); };
    scale();
    const rule = method.kind === 'staircase' ? method.rule : '';
    let [level, coarse, inARow] = [rule ? 18 : place(), true, 0];
    const stairs = (right) => {
      inARow = right ? inARow + 1 : 0;
      if (!right) {
        coarse = false;
        return Math.min(18, level + (rule === 'weighted' ? Math.round((1 + chance) / (1 - chance)) : 1));
      }
      if (inARow < { weighted: 1, 'two-down': 2, 'three-down': 3 }[rule]) return level;
      inARow = 0;
      return Math.max(0, level - (coarse ? 2 : 1));
    };
    return {
      answer(right) {
        weights = weights.map((weight, i) => {
          const l = LAPSES[i % 5][0];
          const wrong = (1 - chance) * (l + (1 - l) * missed[level][Math.floor(i / 5)]);
          return weight * (right ? 1 - wrong : wrong);
        });
        scale();
        level = rule ? stairs(right) : place();
      },
      ratio,
    };
  }

  // ---- Step 5: the score ---------------------------------------------------------------------------------------------
  function sequential(terms, chance, { correct, trials }) {
    // Wald's test; in both directions, where the terms say so, each at half the risk.
    const rule = terms.stopping;
    const both = (terms.sides ?? (terms.protocol === 'preference' ? 'two' : 'one')) === 'two';
    const upper = Math.log((1 - rule.beta) / (both ? rule.alpha / 2 : rule.alpha));
    const lower = Math.log(rule.beta / (1 - (both ? rule.alpha / 2 : rule.alpha)));
    const ends = (c) => {
      const ratio = c * Math.log(rule.proportion / chance)
        + (trials - c) * Math.log((1 - rule.proportion) / (1 - chance));
      if (ratio >= upper - 1e-12) return 'difference';
      return ratio <= lower + 1e-12 ? 'none' : '';
    };
    const found = both ? [ends(correct), ends(trials - correct)] : [ends(correct)];
    if (found.includes('difference')) return 'difference';
    return found.every((one) => one === 'none') ? 'none' : '';
  }

  function score(records, protocol) {
    const [{ terms, occasion }, closing] = [records[0], records.at(-1)];
    const none = () => ({ trials: 0, correct: 0 });
    const counts = { comparisons: terms.comparisons.map(none), controls: terms.controls.map(none),
      qualification: none(), warm_up: none(), void: 0 };
    const tallyOf = ({ part, comparison, control }) => {
      if (part !== 'main') return counts[part.replace('-', '_')];
      return control === null ? counts.comparisons[comparison] : counts.controls[control];
    };
    const votes = new Map();
    for (const record of records.filter(({ kind }) => kind === 'vote')) {
      const trial = JSON.stringify(record.id);
      votes.set(trial, { ...votes.get(trial), [record.seat]: record.answer });
    }
    const given = (record) => {
      if (record.kind === 'answer') return [record.answer];
      return record.answers ?? Object.values(votes.get(JSON.stringify(record.id)) ?? {});
    };
    const { finished, ended } = attempts(records);
    const isSequential = terms.stopping.kind === 'sequential';
    // Only where the sitting may end early do the sizes decide anything that the journal says.
    const narrow = terms.threshold?.narrow_enough;
    const tracks = narrow ? terms.comparisons.map(() => track(terms.threshold, 1 / protocol.answers.length)) : [];
    const decided = terms.comparisons.map(() => '');
    let outcome = null;
    for (const attempt of finished) {
      need(outcome === null, 'the sitting had ended by its rule before its last answer');
      if (attempt.record.kind === 'void') { counts.void += 1; continue; }
      const tally = tallyOf(attempt);
      for (const answer of given(attempt.record)) {
        tally.trials += 1;
        tally.correct += answer === attempt.right;
      }
      if (narrow && attempt.part === 'main' && attempt.control === null) {
        tracks[attempt.comparison].answer(given(attempt.record)[0] === attempt.right);
        if (tracks.every((one) => one.ratio() <= narrow)) outcome = 'sequential';
      }
      if (isSequential && attempt.part === 'main' && attempt.control === null && !decided[attempt.comparison]) {
        decided[attempt.comparison] = sequential(terms, 1 / protocol.answers.length, tally);
      }
      const last = attempt.part === 'qualification' && attempt.record.id.trial === terms.qualification.trials;
      if (last && counts.qualification.correct < terms.qualification.correct) outcome = 'not-qualified';
      else if (isSequential && decided.every((one) => one)) outcome = 'sequential';
    }
    outcome ??= ended ? 'all-trials' : 'stopped-early';
    need(closing.outcome === outcome || (occasion === 'night' && closing.outcome === 'stopped-early'),
      `the closing record says "${closing.outcome}", the answers say "${outcome}"`);
    need(JSON.stringify(closing.counts) === JSON.stringify(counts),
      `the closing record counts otherwise than its answers: ${JSON.stringify(counts)}`);
    return { counts, finished };
  }

  // ---- Step 6: receipts ----------------------------------------------------------------------------------------------
  function words(digest, list) {
    const bits = Array.from(digest, (byte) => byte.toString(2).padStart(8, '0')).join('');
    return Array.from({ length: 12 }, (_, i) => list[parseInt(bits.slice(10 * i, 10 * i + 10), 2)]);
  }

  // ---- The page ------------------------------------------------------------------------------------------------------
  const text = (element) => element?.textContent.trim();
  const data = (id) => JSON.parse(document.getElementById(id).textContent);
  const make = (tag, content, ...children) => {
    const element = document.createElement(tag);
    if (content) element.textContent = content;
    element.append(...children);
    return element;
  };

  /** One sitting, step by step. Each step says what it found, or throws what does not hold. */
  function checkSitting(journal, wordList) {
    const { sitting: number, names } = journal.dataset;
    const shown = (name) => text(document.querySelector(`[data-sitting="${number}"] [data-shown="${name}"]`));
    const steps = [];
    const result = { number, steps, holds: true, digests: [], records: [], closed: true };
    const step = (name, work) => {
      if (!result.holds) return;
      try { steps.push([true, name, work()]); } catch (error) {
        result.holds = false;
        steps.push([false, name, error.message]);
      }
    };
    const equal = (name, found) => {
      const here = shown(name);
      need(here === undefined || here === String(found), `this page shows the ${name} ${here}, the journal ${found}`);
    };
    let records = [];
    step('Chain', () => {
      if (names === 'withheld') {
        records = journal.textContent.trim().split('\n').map((line) => JSON.parse(line));
        return 'not checked: names are withheld on this page, and the lines of the journal hold names';
      }
      const read = chain(journal.textContent);
      records = read.records;
      result.digests = read.digests;
      result.records = records;
      const session = text(document.querySelector('[data-shown="session"]'));
      need(session === records[0].session, `its session file's SHA-256 is ${records[0].session}, this page shows another one`);
      return `${records.length} lines, each with the SHA-256 of the line before it`;
    });
    step('Seal', () => {
      result.closed = records.at(-1).kind === 'closing';
      if (!result.closed) return 'still closed: this sitting is unfinished, and nothing of it counts';
      const all = commitments(records);
      equal('seal', all[0].commitment);
      equal('register', records[0].register);
      equal('register at the closing', records.at(-1).register);
      equal('secret', records.at(-1).secret);
      equal('key', records.at(-1).key);
      return `SHA-256 of the opened secret is the seal, published before the first trial${
        all.length > 1 ? `; ${all.length} seals, a fresh one for each time that the sitting went on` : ''}`;
    });
    if (records[0]?.lock) {
      step('Lock', () => {
        if (names === 'withheld') return 'not checked: it guards the lines of the journal, which hold names';
        const typed = document.getElementById('self-check-lock-key').value.toLowerCase().replace(/[^0-9a-f]/g, '');
        return lock(records, result.digests, typed.length === 64 ? unhex(typed) : null);
      });
    }
    if (result.closed) {
      step('Hands', () => {
        if (names === 'withheld') return 'not checked: what people typed is withheld, so the key is taken as it stands';
        const count = keys(records);
        return `the secret and ${count} ${count === 1 ? 'hand' : 'hands'} give the key of all draws`;
      });
      step('Draws and score', () => {
        const protocol = asked(records[0].terms, 'main');
        const { counts, finished } = score(records, protocol);
        result.comparisons = counts.comparisons.map((own, i) => ({ ...own, name: records[0].terms.comparisons[i].name }));
        const right = counts.comparisons.reduce((sum, { correct }) => sum + correct, 0);
        const all = counts.comparisons.reduce((sum, { trials }) => sum + trials, 0);
        equal('right', right);
        result.finished = finished;
        return `${finished.length} trials drawn anew from the key: ${right} of ${all} counted answers ${
          records[0].terms.protocol === 'preference' ? 'for side B' : 'right'}${
          records[0].terms.switcher ? '; times and rounds of the cables are those of the key' : ''}`;
      });
    }
    step('Receipt', () => {
      if (names === 'withheld') return 'not checked: it belongs to the journal with its names';
      const last = result.digests.at(-1);
      equal('receipt', hex(last));
      const kept = words(last, wordList);
      const here = shown('receipt in words');
      need(here === undefined || here.replace(/[^a-z]+/g, ' ') === kept.join(' '),
        `this page shows other words for it: ${here}`);
      return `SHA-256 of the last line: ${kept.join(' ')}`;
    });
    return result;
  }

  /** The scores of the verdicts against the sum over the sittings that this page counts. */
  function checkVerdicts(results) {
    const cells = [...document.querySelectorAll('[data-counts]')].filter((cell) => /^yes\b/.test(text(cell)));
    // A sitting counts for the comparisons that no look had ended before it: the page says so in words, and they are read.
    const late = (cell) => /^yes, but not for (.*): a look had ended/.exec(text(cell))?.[1].split(', ') ?? [];
    const counted = new Map(cells.map((cell) => [cell.closest('tr').dataset.sitting, late(cell)]));
    const known = results.filter(({ number }) => counted.has(number));
    if (known.length < counted.size) return [[true, 'Verdicts', 'not checked: not every sitting that counts is in this page']];
    return [...document.querySelectorAll('[data-score]')].map((cell) => {
      const own = known.filter(({ number, comparisons }) => !counted.get(number).includes(comparisons?.[cell.dataset.score]?.name));
      const sum = own.reduce((all, { comparisons }) => all + (comparisons?.[cell.dataset.score]?.correct ?? 0), 0);
      const holds = text(cell).split(' ')[0] === String(sum);
      return [holds, `Verdict ${Number(cell.dataset.score) + 1}`,
        `${sum} right in the sittings that count; this page says ${text(cell)}`];
    });
  }

  const list = (steps) => make('ol', '', ...steps.map(([holds, name, found]) => make('li', '',
    make('strong', `${holds ? '' : 'Does not hold: '}${name}. `), found)));

  function trialTable({ finished }) {
    const rows = finished.map(({ record, part, control, sides, right: answer }) => make('tr', '', ...[
      `${part} ${record.id.trial}`, control === null ? '' : 'control', [...sides].join(' ').toUpperCase(), answer,
      record.kind === 'answer' ? record.answer : record.kind === 'void' ? 'void' : 'votes',
    ].map((cell) => make('td', cell))));
    const head = make('tr', '', ...['trial', '', 'sides in order', 'right', 'answer'].map((name) => {
      const cell = make('th', name);
      cell.scope = 'col';
      return cell;
    }));
    const box = make('div', '', make('table', '', make('thead', '', head), make('tbody', '', ...rows)));
    box.className = 'wide';
    box.tabIndex = 0;
    return make('details', '', make('summary', 'Every trial as it was drawn'), box);
  }

  let results = [];

  function run() {
    const output = document.getElementById('self-check-results');
    output.replaceChildren();
    try { testAlgorithms(); } catch (error) {
      output.append(make('p', `This browser computes ${error.message} wrongly: nothing can be checked here.`));
      return;
    }
    const wordList = text(document.getElementById('self-check-words')).split(/\s+/);
    const journals = [...document.querySelectorAll('.self-check-journal')];
    results = journals.map((journal) => checkSitting(journal, wordList));
    const verdicts = checkVerdicts(results);
    const bad = results.filter(({ holds }) => !holds).length + verdicts.filter(([holds]) => !holds).length;
    const open = results.filter(({ closed }) => !closed).length;
    const summary = make('p', bad
      ? `Something does not hold: ${bad} of ${results.length + verdicts.length} checks. Do not trust this page.`
      : `${results.length - open} of ${journals.length} sittings checked from the opened seal: everything below holds.${
        open ? ` ${open} unfinished.` : ''}`);
    summary.className = bad ? 'notice' : 'self-check-summary';
    output.append(summary);
    for (const result of results) {
      const state = result.holds ? (result.closed ? 'holds' : 'unfinished') : 'does not hold';
      const title = `Sitting ${Number(result.number) + 1}: ${state}`;
      const details = make('details', '', make('summary', title), list(result.steps));
      if (result.finished) details.append(trialTable(result));
      details.open = !result.holds;
      output.append(details);
    }
    if (verdicts.length) output.append(list(verdicts));
    document.getElementById('self-check-receipt').hidden = !results.some(({ digests }) => digests.length);
  }

  function hold() {
    const wordList = text(document.getElementById('self-check-words')).split(/\s+/);
    const kept = document.getElementById('self-check-kept').value.toLowerCase().split(/[^a-z0-9]+/).filter(Boolean);
    const matches = results.flatMap(({ number, digests }) => digests.map((digest, i) => ({ number, digest, i,
      whole: i + 1 === digests.length }))).filter(({ digest }) =>
      kept.join('') === hex(digest) || kept.join(' ') === words(digest, wordList).join(' '));
    const found = matches.find(({ whole }) => whole) ?? matches[0];
    let says = 'This receipt is none of these journals\': it belongs to another one, or a file was rewritten.';
    if (found?.whole) says = `This is the receipt of sitting ${Number(found.number) + 1}: its journal is whole and unchanged.`;
    else if (found) {
      says = `This receipt vouches for sitting ${Number(found.number) + 1} up to line ${found.i + 1}, and for nothing after it.`;
    }
    document.getElementById('self-check-held').textContent = kept.length ? says : 'Type the words or the hex digits first.';
  }

  /** What a witness kept, against the journal of its sitting: what does not fit, and the trials that its links began. */
  function against(copy, { digests, records }) {
    const heads = digests.map(hex);
    const [problems, began, ours] = [[], new Set(), new Set(copy.opened.map(([link]) => link))];
    let late = 0;
    const changed = copy.receipts.findIndex((receipt, i) => i < heads.length && receipt !== heads[i]);
    if (changed >= 0) problems.push(`line ${changed + 1} is not the one that the witness saw`);
    else if (copy.receipts.length > heads.length) {
      problems.push(`the witness saw ${copy.receipts.length} lines, and those after line ${heads.length} are gone`);
    }
    const over = ['answer', 'void', 'votes-closed'];
    for (const [link, head] of copy.opened) {
      const from = heads.indexOf(head);
      const next = from < 0 ? undefined : records.slice(from + 1).find((record) => record.link === link
        || [...over, 'links-passed', 'resumed', 'resealed', 'closing'].includes(record.kind));
      if (from < 0) problems.push('a link was asked for at a line that is not in it');
      else if (next?.link === link) began.add(JSON.stringify(next.id));
      else if (next?.kind === 'links-passed') late += 1;
      else if (over.includes(next?.kind)) problems.push('a link that the witness opened stands after its trial, or nowhere');
    }
    // Links that pretend to be this witness's: its number in each sealing is known by one of its own.
    let sealing = 0;
    const links = records.slice(0, copy.receipts.length).flatMap((record) => {
      sealing += record.commitment ? 1 : 0;
      return record.kind === 'link-opened' ? [{ link: record.link, who: `${sealing} ${record.witness}` }] : [];
    });
    const own = new Set(links.filter(({ link }) => ours.has(link)).map(({ who }) => who));
    if (links.some(({ link, who }) => own.has(who) && !ours.has(link))) problems.push('the witness did not open a link that is in it');
    const trials = new Map();
    for (const { kind, id } of records) {
      if (id?.part === 'main' && ['answer', 'votes-closed'].includes(kind)) trials.set(JSON.stringify(id), 1);
      if (kind === 'votes-void') trials.delete(JSON.stringify(id));
    }
    return { problems, late, of: trials.size, witnessed: [...trials.keys()].filter((id) => began.has(id)).length };
  }

  function holdCopy(content) {
    let copy = null;
    try { copy = JSON.parse(content); } catch (error) { copy = null; }
    if (copy?.schema !== 'earwitness.witness/1' || !Array.isArray(copy.receipts) || !Array.isArray(copy.opened)) {
      return 'This file is no copy of a witness.';
    }
    const found = results.find(({ digests }) => digests.length && hex(digests[0]) === copy.sitting);
    if (!found) return 'This copy is of none of these journals, or the first line of its journal was rewritten.';
    const [name, place] = [String(copy.name), `sitting ${Number(found.number) + 1}`];
    const { problems, late, of, witnessed } = against(copy, found);
    if (problems.length) return `The copy of ${name} does not fit ${place}: ${problems[0]}. Do not believe this journal.`;
    return `The copy of ${name} fits ${place}: ${witnessed} of ${of} trials witnessed${
      late ? `; ${late} links came too late and were passed over` : ''}.`;
  }

  document.getElementById('self-check-copy').addEventListener('change', async ({ target }) => {
    const held = document.getElementById('self-check-held');
    held.textContent = '';
    if (target.files[0]) held.textContent = holdCopy(await target.files[0].text());
  });

  const locked = [...document.querySelectorAll('.self-check-journal')].some((one) => one.textContent.includes('"lock":{'));
  document.getElementById('self-check-lock').hidden = !locked;
  document.getElementById('self-check-button').addEventListener('click', run);
  document.getElementById('self-check-hold').addEventListener('click', hold);
  document.getElementById('self-check-tools').hidden = false;
})();
