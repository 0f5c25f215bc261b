/* A witness's page: a chain of links drawn on this phone holds the other half of every draw. Each link is opened when its
   trial begins, and not before; the receipts of all records are kept. Plain old script, and nothing from anywhere else. */
(function () {
  "use strict";
  var sha256 = earwitnessHand.sha256;
  var bytesOf = earwitnessHand.bytesOf;
  var unhex = earwitnessHand.unhex;
  var hmac = earwitnessHand.hmac;
  var utf8 = earwitnessHand.utf8;
  var main = document.getElementById("main");
  var bar = document.getElementById("network");
  var spoken = document.getElementById("spoken");


  /* ---- what this phone keeps ---- */
  var code = "";
  var kept = null;      /* name, receipts, opened: [link, receipt, trial], chains by commitment: last link and length */
  var chains = {};      /* by commitment: every link, the end first */
  var memory = true;
  function proof(purpose, of) { return hmac(bytesOf(code), utf8("earwitness " + purpose + " v2 " + of)); }
  function save() {
    try {
      window.localStorage.setItem("witness " + code, JSON.stringify(kept));
      memory = true;
    } catch (error) { memory = false; }
  }
  function load() {
    try { kept = JSON.parse(window.localStorage.getItem("witness " + code)); } catch (error) { kept = null; }
    if (!kept) { kept = { name: "", receipts: [], opened: [], chains: {} }; }
  }
  function chain(commitment, count) {
    if (!kept.chains[commitment]) {
      if (!count) { return null; }
      kept.chains[commitment] = { last: earwitnessHand.random(), count: count };
      save();
    }
    if (!chains[commitment]) {
      chains[commitment] = earwitnessHand.links(kept.chains[commitment].last, kept.chains[commitment].count);
    }
    return chains[commitment];
  }

  /* ---- the sitting ---- */
  var state = null;
  var received = 0;
  var busy = false;
  var warning = "";
  var look = "";
  function send(method, path, body, done) {
    var request = new XMLHttpRequest();
    request.open(method, path, true);
    request.timeout = 9000;
    request.setRequestHeader("X-Witness", look);
    request.onload = function () {
      var answer = null;
      try { answer = JSON.parse(request.responseText); } catch (error) { answer = null; }
      done(request.status, answer);
    };
    request.onerror = request.ontimeout = request.onabort = function () { done(0, null); };
    if (body) { request.setRequestHeader("Content-Type", "application/json"); }
    request.send(body ? JSON.stringify(body) : null);
  }
  /* This phone among the witnesses of the sealing that is on. */
  function mine() {
    var links = state && chain(state.commitment, 0);
    if (!links) { return null; }
    for (var i = 0; i < state.witnesses.length; i += 1) {
      var place = links.indexOf(state.witnesses[i].last);
      if (place >= 0) { return { place: place, opened: state.witnesses[i].opened, last: state.witnesses[i].last }; }
    }
    return null;
  }
  function keepReceipts() {
    var known = kept.receipts;
    var fresh = false;
    if (state.records < known.length) {
      warning = "The computer shows " + state.records + " records; it had shown " + known.length + ". Records are gone.";
      return;
    }
    for (var i = 0; i < state.receipts.length; i += 1) {
      var place = state.first - 1 + i;
      if (place < known.length && known[place] !== state.receipts[i]) {
        warning = "Record " + (place + 1) + " is not the one that was shown before. The journal was changed.";
        return;
      }
      if (place === known.length) { known.push(state.receipts[i]); fresh = true; }
    }
    if (fresh) { save(); }
  }
  function join() {
    var end = chain(state.commitment, state.links)[0];
    busy = true;
    send("POST", "/witness-join", { name: kept.name, end: end, proof: proof("join", end + " " + kept.name) },
      function (status, answer) {
        busy = false;
        if (status === 400 || status === 403) { warning = answer ? answer.refused : ""; draw(); }
      });
  }
  function openLink(own) {
    var asked = state.asked;
    if (proof("ask", asked.receipt + " " + asked.trial) !== asked.signature) {
      warning = "Somebody asked for your part of a draw without the sitting's signature. It stays closed.";
      return;
    }
    var link = chain(state.commitment, 0)[own.place + 1];
    if (!link) { warning = "This phone has no more parts of draws: it is one witness less from here on."; return; }
    for (var i = 0; i < kept.opened.length; i += 1) {
      if (kept.opened[i][2] === asked.trial && kept.opened[i][0] !== link) {
        warning = "The computer asked for two parts for one trial. The second stays closed.";
        return;
      }
    }
    if (!kept.opened.length || kept.opened[kept.opened.length - 1][0] !== link) {
      kept.opened.push([link, asked.receipt, asked.trial]);
      save();
    }
    busy = true;
    send("POST", "/witness-link", { last: own.last, link: link }, function () { busy = false; });
  }
  function take() {
    keepReceipts();
    var own = mine();
    if (!busy && kept.name && !warning) {
      if (state.at === "joining" && !own) { join(); }
      if (state.asked && own && !own.opened) { openLink(own); }
    }
    draw();
  }
  var running = null;
  function ask() {
    if (running) { return; }
    running = true;
    var after = Math.max(0, kept.receipts.length - 1);
    var seen = state ? state.version : 0;
    send("GET", "/witness-state?seen=" + seen + "&after=" + after, null, function (status, answer) {
      running = null;
      if (status === 200 && answer) {
        bar.className = "network";
        state = answer;
        received = Date.now();
        take();
        window.setTimeout(ask, state.records > kept.receipts.length && !warning ? 0 : 5);
        return;
      }
      if (status === 403) { warning = answer ? answer.refused : ""; draw(); return; }
      if (!state || state.at !== "closed") {
        bar.textContent = "The computer cannot be reached. Stay in its network; this page tries again.";
        bar.className = "network on";
      }
      window.setTimeout(ask, 1000);
    });
  }
  document.addEventListener("visibilitychange", function () { if (!document.hidden && kept && kept.name) { ask(); } });

  /* ---- what is shown ---- */
  function el(tag, className, text) {
    var node = document.createElement(tag);
    if (className) { node.className = className; }
    if (text) { node.appendChild(document.createTextNode(text)); }
    return node;
  }
  function say(text) { if (spoken.textContent !== text) { spoken.textContent = text; } }
  function count(number, one, many) { return number === 1 ? one : number + " " + many; }
  function clock() {
    var seconds = Math.floor((state.at_ms + (state.at === "closed" ? 0 : Date.now() - received)) / 1000);
    return Math.floor(seconds / 60) + ":" + ("0" + seconds % 60).slice(-2);
  }
  function part(trial) {
    return (trial.part === "main" ? "Trial " : trial.part === "warm-up" ? "Warm-up " : "Qualification ") + trial.trial +
      " of " + state.of;
  }
  function headline(own) {
    if (state.at === "closed") { return state.witnessed + " of " + state.answered + " witnessed"; }
    if (state.at === "stopped") { return "The sitting has stopped"; }
    if (!own) { return state.at === "joining" ? "Joining" : "You are not a witness of this part"; }
    if (state.at === "joining") { return "You are a witness"; }
    if (!state.trial) { return state.at === "sealed" ? "The draws are sealed" : "A pause"; }
    return part(state.trial);
  }
  function underIt(own) {
    if (state.at === "closed") { return "The seal is open. Save your copy: it shows whether the journal is the one you watched."; }
    if (state.at === "stopped") { return "Save your copy. What was recorded is kept."; }
    if (!own && state.at !== "joining") { return "You join again when the next seal is made. Keep this page open."; }
    if (state.at === "joining") { return "Keep this page open and the screen on. It does the rest by itself."; }
    if (state.at === "asking") { return own.opened ? "Your part of the draw is open. Others are awaited." : "Opening your part of the draw."; }
    if (state.at === "trial") { return "Your part of the draw was opened when this trial began."; }
    return "Your next part stays closed until the next trial begins.";
  }
  function copy() {
    var opened = [];
    for (var i = 0; i < kept.opened.length; i += 1) { opened.push([kept.opened[i][0], kept.opened[i][1]]); }
    return JSON.stringify({ schema: "earwitness.witness/1", name: kept.name, sitting: kept.receipts[0],
      receipts: kept.receipts, opened: opened });
  }
  function saveButton() {
    var link = el("a", "save", "Save my copy");
    link.setAttribute("download", "witness-" + kept.receipts[0].slice(0, 8) + ".json");
    link.href = "#";
    /* Made when it is asked for: the state changes often. */
    link.onclick = function () {
      link.href = URL.createObjectURL(new Blob([copy() + "\n"], { type: "application/json" }));
    };
    return link;
  }
  function row(table, label, value) {
    var line = el("tr");
    line.appendChild(el("th", "", label));
    line.appendChild(el("td", "", value));
    table.appendChild(line);
    return line.lastChild;
  }
  var time = null;
  function draw() {
    while (main.firstChild) { main.removeChild(main.firstChild); }
    if (warning) { main.appendChild(el("p", "caution refusal", warning)); say(warning); }
    if (!state) { main.appendChild(el("p", "", "One moment, please.")); return; }
    var own = mine();
    main.appendChild(el("p", "small", state.title + " \u00b7 " + state.listener + " listens"));
    main.appendChild(el("h1", "score", headline(own)));
    main.appendChild(el("p", state.at === "asking" ? "waiting" : "received", underIt(own)));
    if (!warning) { say(headline(own)); }
    var table = el("table");
    time = row(table, "Elapsed", clock());
    row(table, "Witnessed", state.witnessed + " of " + count(state.answered, "1 answer", "answers"));
    row(table, "Void", state.void.length ? state.void.length + " (" + state.void[state.void.length - 1] + ")" : "none");
    row(table, "Other sound events", state.events ? String(state.events) : "none");
    if (state.sealings) { row(table, "Fresh seals", String(state.sealings)); }
    var names = [];
    for (var i = 0; i < state.witnesses.length; i += 1) { names.push(state.witnesses[i].name); }
    row(table, "Witnesses", names.join(", ") || "none");
    row(table, "Draws opened here", String(kept.opened.length));
    row(table, "Receipts kept", String(kept.receipts.length));
    main.appendChild(table);
    if (!memory) {
      main.appendChild(el("p", "caution", "This browser keeps nothing when the page is closed. Leave it open, and save your copy."));
    }
    if (kept.receipts.length) {
      main.appendChild(saveButton());
      main.appendChild(el("p", "small", "Last receipt"));
      main.appendChild(el("p", "hex", kept.receipts[kept.receipts.length - 1].replace(/(.{4})/g, "$1 ")));
    }
    var more = el("details", "more");
    more.appendChild(el("summary", "", "What a witness protects against, and what not"));
    more.appendChild(el("p", "small", "Nobody can know a trial before it begins: not from the computer's files, and not from this " +
      "phone alone. A journal that is cut, rewritten or exchanged does not fit your copy."));
    more.appendChild(el("p", "small", "Somebody who reads the computer's files or memory, or measures its sound, while a trial plays can " +
      "know that trial. So can two who share everything: the owner of the computer and all witnesses."));
    main.appendChild(more);
  }
  window.setInterval(function () { if (state && time && state.at !== "closed") { time.textContent = clock(); } }, 1000);

  function field(label, value, className) {
    var name = el("label", "", label);
    var input = el("input", className || "");
    input.value = value;
    name.appendChild(input);
    main.appendChild(name);
    return input;
  }
  function form() {
    while (main.firstChild) { main.removeChild(main.firstChild); }
    main.appendChild(el("h1", "", "Be the witness"));
    main.appendChild(el("p", "", "Your phone holds the other half of every draw. Nobody can know a trial before it begins."));
    var asked = code ? null : field("The code from the computer's screen", "", "code");
    var input = field("Your name", kept ? kept.name : "");
    input.setAttribute("maxlength", "40");
    var button = el("button", "main", "I am a witness");
    button.onclick = function () {
      var name = input.value.replace(/^\s+|\s+$/g, "");
      if (asked) { code = plain(asked.value); }
      if (!name || !code) { return; }
      load();
      kept.name = name;
      begin();
    };
    main.appendChild(button);
  }
  function plain(text) { return text.replace(/[\s-]/g, "").toUpperCase(); }
  function begin() {
    save();
    look = proof("look", "");
    draw();
    ask();
  }
  code = plain(window.location.hash.replace("#", ""));
  if (!window.crypto || !window.crypto.getRandomValues) {
    main.appendChild(el("p", "caution", "This browser has no randomness that can be trusted. Use another one."));
    return;
  }
  if (code) { load(); }
  if (kept && kept.name) { begin(); } else { form(); }
}());
