/* The phone's chain of links: its part of every draw. A link is opened when its trial begins, and never for two trials; what
   was shown at that moment is kept, and at the end the night's journal is held against it. */
var earwitnessLinks = (function () {
  "use strict";
  var sha256 = earwitnessHand.sha256;
  var kept = null;       /* first: receipt that names the night; opened: [link, head, trial]; chains by commitment */
  var chains = {};
  var busy = false;
  var asked = false;     /* the journal was asked for */
  var changed = false;   /* the night is not the one that this phone saw */
  try { kept = JSON.parse(window.localStorage.getItem("links") || "null"); } catch (error) { kept = null; }

  function save() {
    try { window.localStorage.setItem("links", JSON.stringify(kept)); } catch (error) { /* private mode: as long as the page is open */ }
  }
  function chain(commitment, count) {
    var own = kept.chains[commitment];
    if (!own && !count) { return []; }
    if (!own) {
      own = kept.chains[commitment] = { last: earwitnessHand.random(), count: count };
      save();
    }
    if (!chains[commitment]) { chains[commitment] = earwitnessHand.links(own.last, own.count); }
    return chains[commitment];
  }
  function send(body, done) {
    busy = true;
    earwitness.send("POST", "/link", {}, body, function (status) { busy = false; if (status === 200) { done(); } });
  }
  function isOpen(link) {
    for (var i = 0; i < kept.opened.length; i += 1) { if (kept.opened[i][0] === link) { return true; } }
    return false;
  }
  function open(state, done) {
    var trial = state.commitment.hex + " " + state.trial.id;
    var links = chain(state.commitment.hex, 0);
    var place = links.indexOf(state.last);
    if (place < 0) { return; }
    for (var i = 0; i < kept.opened.length; i += 1) {
      if (kept.opened[i][2] === trial) {
        if (kept.opened[i][1] !== state.head) { changed = true; return; }
        send({ link: kept.opened[i][0] }, done);
        return;
      }
    }
    /* A link that came too late is known to the computer: it is never given for another trial. */
    place += 1;
    while (place < links.length && isOpen(links[place])) { place += 1; }
    if (place >= links.length) { return; }
    kept.opened.push([links[place], state.head, trial]);
    save();
    send({ link: links[place] }, done);
  }
  /* Does what the night asks of this phone; nobody has to touch anything. done: there is news. */
  function answer(state, done) {
    if (!state.first || !window.crypto) { return; }
    if (!kept || kept.first !== state.first) {
      if (state.link !== "wanted") { return; }
      kept = { first: state.first, opened: [], chains: {}, receipts: [] };
      chains = {};
    }
    if (busy) { return; }
    if (state.link === "wanted") { send({ end: chain(state.commitment.hex, state.chain)[0] }, done); }
    else if (state.link === "asked" && state.head && state.trial) { open(state, done); }
    else if (state.result && kept.opened.length && !kept.receipts.length && !asked) { journal(done); }
  }
  /* The receipt of each line, made on this phone. */
  function journal(done) {
    asked = true;
    var request = new XMLHttpRequest();
    request.open("GET", "/journal", true);
    request.onload = function () {
      if (request.status !== 200) { asked = false; return; }
      var lines = request.responseText.split("\n");
      for (var i = 0; i + 1 < lines.length; i += 1) {
        kept.receipts.push(sha256(earwitnessHand.bytesOf(unescape(encodeURIComponent(lines[i])))));
      }
      changed = changed || kept.receipts[0] !== kept.first;
      for (i = 0; i < kept.opened.length; i += 1) {
        changed = changed || kept.receipts.indexOf(kept.opened[i][1]) < 0;
      }
      save();
      done();
    };
    request.onerror = function () { asked = false; };
    request.send();
  }
  /* What can be held against the journal by anybody. */
  function copy(name) {
    var opened = [];
    for (var i = 0; i < kept.opened.length; i += 1) { opened.push([kept.opened[i][0], kept.opened[i][1]]); }
    return JSON.stringify({ schema: "earwitness.witness/1", name: name, sitting: kept.first,
      receipts: kept.receipts.length ? kept.receipts : [kept.first], opened: opened });
  }
  function saveLink(name, words) {
    var link = earwitness.el("a", "save", words);
    link.setAttribute("download", "witness-" + kept.first.slice(0, 8) + ".json");
    link.href = "#";
    link.onclick = function () {
      link.href = URL.createObjectURL(new Blob([copy(name) + "\n"], { type: "application/json" }));
    };
    return link;
  }
  return { answer: answer, saveLink: saveLink, changed: function () { return changed; },
    has: function () { return Boolean(kept && kept.opened.length); } };
}());
