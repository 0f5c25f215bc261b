/* The phone's hand: 32 random bytes that go into every draw. Its hash is given before the sealing, the bytes after it, so
   that nobody, the host included, can choose anything to suit them. SHA-256 by hand (FIPS 180-4): browsers lend none to
   pages without a certificate. */
var earwitnessHand = (function () {
  "use strict";
  var K = [];
  var START = [];

  /* The first 32 bits behind the point of a root of a prime: FIPS 180-4 sections 4.2.2 and 5.3.3. */
  (function () {
    var candidate = 2;
    function fraction(root) { return ((root - Math.floor(root)) * 4294967296) | 0; }
    while (K.length < 64) {
      var prime = true;
      for (var by = 2; by * by <= candidate; by += 1) { if (candidate % by === 0) { prime = false; break; } }
      if (prime) {
        if (START.length < 8) { START.push(fraction(Math.pow(candidate, 1 / 2))); }
        K.push(fraction(Math.pow(candidate, 1 / 3)));
      }
      candidate += 1;
    }
  }());
  function turn(word, by) { return (word >>> by) | (word << (32 - by)); }

  /* SHA-256 of a list of bytes, as hex digits. */
  function sha256(bytes) {
    var padded = bytes.concat([128]);
    while (padded.length % 64 !== 56) { padded.push(0); }
    var bits = bytes.length * 8;
    for (var place = 7; place >= 0; place -= 1) { padded.push(Math.floor(bits / Math.pow(256, place)) % 256); }
    var state = START.slice();
    for (var block = 0; block < padded.length; block += 64) {
      var w = [];
      var t;
      for (t = 0; t < 16; t += 1) {
        var at = block + 4 * t;
        w.push((padded[at] << 24) | (padded[at + 1] << 16) | (padded[at + 2] << 8) | padded[at + 3]);
      }
      for (t = 16; t < 64; t += 1) {
        var s0 = turn(w[t - 15], 7) ^ turn(w[t - 15], 18) ^ (w[t - 15] >>> 3);
        var s1 = turn(w[t - 2], 17) ^ turn(w[t - 2], 19) ^ (w[t - 2] >>> 10);
        w.push((w[t - 16] + s0 + w[t - 7] + s1) | 0);
      }
      var v = state.slice();
      for (t = 0; t < 64; t += 1) {
        var one = (v[7] + (turn(v[4], 6) ^ turn(v[4], 11) ^ turn(v[4], 25)) + ((v[4] & v[5]) ^ (~v[4] & v[6])) +
          K[t] + w[t]) | 0;
        var two = ((turn(v[0], 2) ^ turn(v[0], 13) ^ turn(v[0], 22)) +
          ((v[0] & v[1]) ^ (v[0] & v[2]) ^ (v[1] & v[2]))) | 0;
        v = [(one + two) | 0, v[0], v[1], v[2], (v[3] + one) | 0, v[4], v[5], v[6]];
      }
      for (t = 0; t < 8; t += 1) { state[t] = (state[t] + v[t]) | 0; }
    }
    var words = [];
    for (var i = 0; i < 8; i += 1) { words.push(("00000000" + (state[i] >>> 0).toString(16)).slice(-8)); }
    return words.join("");
  }
  function hex(bytes) {
    var text = "";
    for (var i = 0; i < bytes.length; i += 1) { text += ("0" + bytes[i].toString(16)).slice(-2); }
    return text;
  }
  function bytesOf(text) {
    var bytes = [];
    for (var i = 0; i < text.length; i += 1) { bytes.push(text.charCodeAt(i)); }
    return bytes;
  }
  function utf8(text) { return bytesOf(unescape(encodeURIComponent(text))); }
  /* HMAC (RFC 2104) with SHA-256, as hex digits. */
  function hmac(key, message) {
    var inner = [];
    var outer = [];
    for (var i = 0; i < 64; i += 1) {
      var byte = i < key.length ? key[i] : 0;
      inner.push(byte ^ 54);
      outer.push(byte ^ 92);
    }
    return sha256(outer.concat(unhex(sha256(inner.concat(message)))));
  }
  function unhex(text) {
    var bytes = [];
    for (var i = 0; i < text.length; i += 2) { bytes.push(parseInt(text.slice(i, i + 2), 16)); }
    return bytes;
  }
  function hash(hand) { return sha256(bytesOf("earwitness hand v2").concat(unhex(hand))); }

  /* 32 random bytes, and the chain of links that a last one gives, the end first. */
  function random() {
    var bytes = new Uint8Array(32);
    window.crypto.getRandomValues(bytes);
    return hex(bytes);
  }
  function links(last, count) {
    var chain = [last];
    for (var made = 0; made < count; made += 1) { chain.push(sha256(bytesOf("earwitness link v2").concat(unhex(chain[made])))); }
    return chain.reverse();
  }

  var hand = null;       /* 64 hex digits */
  var busy = false;
  try { hand = window.sessionStorage.getItem("hand"); } catch (error) { hand = null; }
  function fresh() {
    hand = random();
    try { window.sessionStorage.setItem("hand", hand); } catch (error) { /* a reload then draws another one */ }
  }

  /* Does what the night asks of this phone's hand; nobody has to touch anything. */
  function answer(asked) {
    if (busy || (asked !== "wanted" && asked !== "asked") || !window.crypto) { return; }
    var body;
    if (asked === "wanted") {
      fresh();
      body = { hash: hash(hand) };
    } else if (hand) {
      body = { hand: hand };
    } else { return; }
    busy = true;
    earwitness.send("POST", "/hand", {}, body, function () { busy = false; });
  }
  return { answer: answer, sha256: sha256, hash: hash, bytesOf: bytesOf, unhex: unhex, utf8: utf8, hmac: hmac, random: random, links: links,
    own: function () { return hand; } };
}());
