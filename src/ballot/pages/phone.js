/* A listener's phone. */
(function () {
  "use strict";
  var el = earwitness.el;
  var add = earwitness.add;
  var main = document.getElementById("main");
  var who = document.getElementById("who");
  var spoken = document.getElementById("spoken");
  var state = null;      /* the last answer of the server */
  var shape = "";        /* what is drawn now, without the clock */
  var timer = null;      /* the next question to the server */
  var asking = false;
  var failures = 0;
  var deadline = null;   /* when the countdown ends, by this phone's clock */
  var pending = null;    /* a vote that has not been acknowledged */
  var refusal = "";      /* why something was refused */
  var leaving = false;

  function keep(value) {
    try {
      if (value) { window.sessionStorage.setItem("pending", JSON.stringify(value)); }
      else { window.sessionStorage.removeItem("pending"); }
    } catch (error) { /* private mode: a reload then needs another tap */ }
  }
  try { pending = JSON.parse(window.sessionStorage.getItem("pending") || "null"); } catch (error) { pending = null; }

  function send(method, path, body, done) { earwitness.send(method, path, {}, body, done); }
  function button(id, className, text, action) {
    var node = el("button", className, text);
    node.type = "button";
    node.id = id;
    node.onclick = action;
    return node;
  }
  function field(id, text, options) {
    var label = el("label", "", text);
    var input = el("input", options.className || "");
    label.htmlFor = id;
    input.id = id;
    input.type = options.type || "text";
    input.autocomplete = "off";
    input.maxLength = options.length;
    if (options.mode) { input.setAttribute("inputmode", options.mode); }
    input.setAttribute("autocapitalize", options.capital || "off");
    input.setAttribute("spellcheck", "false");
    input.value = options.value || "";
    return { label: label, input: input };
  }
  function say(text) { if (spoken.textContent !== text) { spoken.textContent = text; } }

  /* ---- asking the server ---- */

  function plan(milliseconds) {
    if (timer) { window.clearTimeout(timer); }
    timer = window.setTimeout(ask, milliseconds);
  }
  function ask() {
    if (asking) { return; }
    asking = true;
    send("GET", "/state", null, function (status, answer) {
      asking = false;
      if (status === 200 && answer) {
        failures = 0;
        earwitness.network("");
        take(answer);
        plan(answer.phase === "presenting" || answer.phase === "voting" ? 900 : 1800);
      } else if (status === 401) {
        failures = 0;
        earwitness.network("");
        state = null;
        draw();
      } else {
        failures += 1;
        if (failures > 1) {
          earwitness.network(state && state.phase === "result"
            ? "The host has gone. Your result stays on this page until you close it: take a picture to keep it."
            : "No connection. Your seat and your votes are kept; trying again.");
        }
        plan(Math.min(5000, 500 * failures + Math.floor(Math.random() * 500)));
      }
    });
  }
  function soon() { failures = 0; asking = false; plan(10); }
  document.addEventListener("visibilitychange", function () { if (!document.hidden) { soon(); } });
  window.addEventListener("online", soon);
  window.addEventListener("pageshow", soon);
  window.addEventListener("focus", soon);

  function take(answer) {
    state = answer;
    earwitnessHand.answer(answer.hand);
    deadline = answer.left_ms === null ? null : Date.now() + answer.left_ms;
    if (pending && (!answer.trial || pending.trial !== answer.trial.id || !answer.open)) {
      if (answer.vote === null || answer.vote.answer !== pending.answer) {
        refusal = "Your last tap came too late and was not counted.";
      }
      pending = null;
      keep(null);
    }
    if (pending && !pending.busy) { deliver(); }
    draw();
    tick();
  }

  function deliver() {
    var vote = pending;
    vote.busy = true;
    send("POST", "/vote", { trial: vote.trial, answer: vote.answer, sequence: vote.sequence }, function (status, answer) {
      vote.busy = false;
      if (pending !== vote) { return; }
      if (status === 200) {
        pending = null;
        keep(null);
        refusal = "";
        state.vote = answer.vote;
        state.sequence = answer.sequence;
        say("Received: " + label(answer.vote.answer));
      } else if (status === 429 || status === 503 || status === 0) {
        window.setTimeout(function () { if (pending === vote && !vote.busy) { deliver(); } }, 1200);
      } else {
        pending = null;
        keep(null);
        refusal = answer && answer.message ? answer.message : "The vote was refused.";
        say(refusal);
        soon();
      }
      draw();
    });
  }
  function choose(answer) {
    refusal = "";
    pending = { trial: state.trial.id, answer: answer, sequence: state.sequence + 1, busy: false };
    keep({ trial: pending.trial, answer: answer, sequence: pending.sequence });
    deliver();
    draw();
  }
  function label(name) {
    var list = state && state.trial ? state.trial.alternatives : [];
    for (var i = 0; i < list.length; i += 1) { if (list[i].name === name) { return list[i].label; } }
    return name;
  }

  function tick() { if (state) { earwitness.count(state, deadline); } }
  window.setInterval(tick, 250);

  /* ---- drawing ---- */

  function draw() {
    var drawn = state ? JSON.stringify([state.phase, state.trial, state.now, state.vote, state.open, state.phrases,
      state.hand, state.closed, state.phrases_open, state.left, state.result, state.alias, state.seat, pending, refusal, leaving]) : "join" + refusal;
    if (drawn === shape) { return; }
    shape = drawn;
    var focused = document.activeElement && document.activeElement.id;
    var typed = {};
    var inputs = main.getElementsByTagName("input");
    for (var i = 0; i < inputs.length; i += 1) { typed[inputs[i].id] = inputs[i].value; }
    earwitness.empty(main);
    if (state) { seated(); } else { join(); }
    for (var id in typed) {
      if (document.getElementById(id) && typed[id]) { document.getElementById(id).value = typed[id]; }
    }
    if (focused && document.getElementById(focused)) { document.getElementById(focused).focus(); }
  }

  function join() {
    who.textContent = "";
    var form = el("form");
    var code = field("code", "Code of the room", { className: "code", length: 12, capital: "characters",
      value: decodeURIComponent(window.location.hash.slice(1)) });
    var alias = field("alias", "The name you want to be shown", { length: 40, capital: "words" });
    var seat = field("seat", "Seat number, if you have one", { length: 4, mode: "numeric" });
    var go = el("button", "main", "Take my seat");
    go.type = "submit";
    go.id = "go";
    add(main, el("h1", "", "Join the listening night"),
      el("p", "", "You will hear the same as everybody in the room and answer here. Nobody sees your answers before the end."));
    if (refusal) { var why = el("p", "refusal", refusal); why.setAttribute("role", "alert"); main.appendChild(why); }
    add(form, code.label, code.input, alias.label, alias.input, seat.label, seat.input, go);
    add(main, form, el("p", "small", "Only this name is stored, with your answers, in the night's journal, which may be " +
      "published. Any name will do."));
    form.onsubmit = function (event) {
      event.preventDefault();
      go.disabled = true;
      var wanted = seat.input.value.replace(/\s/g, "");
      send("POST", "/join", { code: code.input.value, alias: alias.input.value,
        seat: wanted === "" ? null : Number(wanted) || 0 }, function (status, answer) {
        if (status === 200) { refusal = ""; shape = ""; ask(); return; }
        refusal = answer && answer.message ? answer.message : "No connection. Please try again.";
        go.disabled = false;
        draw();
      });
    };
  }

  function heading(text) { main.appendChild(el("h1", "", text)); }
  function seated() {
    who.textContent = "Seat " + state.seat + ", " + state.alias;
    if (state.phase === "result") { result(); return; }
    if (state.left) {
      heading("You have left");
      add(main, el("p", "", "Your votes so far are kept. Trials that you miss count as absent."),
        button("return", "main", "Come back", function () {
          send("POST", "/return", {}, function () { soon(); });
        }));
      return;
    }
    if (state.phase === "welcome" || state.phase === "joining") { welcome(); }
    else if (state.phase === "ready") { ready(); }
    else if (state.phase === "presenting" || state.phase === "voting") { trial(); }
    else if (state.phase === "break") {
      heading("A break");
      add(main, el("p", "loud", "Rest your ears. The host goes on when everybody is back."));
    } else if (state.phase === "counting") {
      heading("All trials are over");
      add(main, el("p", "loud", "Paper ballots are being entered. Then the seal is opened and this page shows your result."));
    } else {
      heading("The night has stopped");
      add(main, el("p", "", state.message || "The host must look at the machine. Your votes are kept."));
    }
    leave();
  }
  function leave() {
    if (leaving) {
      add(main, el("p", "", "Leave for tonight? Your votes so far are kept."),
        button("leave-yes", "plain", "Yes, I leave", function () {
          leaving = false;
          send("POST", "/leave", {}, function () { soon(); });
        }),
        button("leave-no", "plain", "No, I stay", function () { leaving = false; draw(); }));
    } else {
      main.appendChild(button("leave", "plain", "I must leave early", function () { leaving = true; draw(); }));
    }
  }
  function seal() {
    add(main, el("h2", "", "The seal"),
      el("p", "loud", state.commitment.phrase),
      el("p", "hex", state.commitment.hex),
      el("p", "small", "This fixes all draws without betraying them. Photograph it: at the end it can be checked."));
  }
  function hand() {
    var own = earwitnessHand.own();
    if (state.hand === "asked" || state.hand === "opened" || state.hand === "closed") {
      add(main, el("p", "received", state.hand === "closed" ? "Your phone has put its hand into the draws, closed."
        : state.hand === "asked" ? "Your phone is opening its hand." : "Your phone's hand is in every draw."),
        el("p", "small", "These are its random bytes. At the end, find them in the journal."),
        el("p", "hex", own || "lost: this page was closed in between"));
    }
    if (state.closed.length) { add(main, el("p", "waiting", "Still closed: " + state.closed.join(", ") + ".")); }
  }
  function welcome() {
    heading(state.title);
    add(main, el("p", "received", "You are in. Keep this page open; it can sleep, it finds its seat again."));
    notes();
    seal();
    hand();
    if (state.phrases_open) {
      var phrase = field("phrase", "Add a phrase to the draw, if you trust nobody", { length: 200 });
      var form = el("form");
      var go = el("button", "", "Add my phrase");
      go.type = "submit";
      go.id = "add-phrase";
      add(form, phrase.label, phrase.input, go);
      form.onsubmit = function (event) {
        event.preventDefault();
        if (!phrase.input.value) { return; }
        go.disabled = true;
        send("POST", "/phrase", { text: phrase.input.value }, function (status, answer) {
          go.disabled = false;
          if (status === 200) { phrase.input.value = ""; refusal = ""; }
          else { refusal = answer && answer.message ? answer.message : "No connection. Please try again."; }
          shape = "";
          soon();
        });
      };
      add(main, form, el("p", "small", state.phrases + " added so far. Every draw then depends on all of them. " +
        "Phrases are published with the journal."));
      warn();
    }
    add(main, el("h2", "", "Be kind to your ears"), el("p", "caution", state.caution));
  }
  function notes() {
    for (var i = 0; i < state.notes.length; i += 1) { main.appendChild(el("p", "waiting", state.notes[i])); }
  }
  function warn() {
    if (refusal) { var why = el("p", "refusal", refusal); why.setAttribute("role", "alert"); main.appendChild(why); }
  }
  function ready() {
    heading(state.trial ? earwitness.trialName(state.trial) : "Ready");
    notes();
    add(main, el("p", "loud", "Next, you hear " + (state.order || "") + "."),
      el("p", "", state.trial ? state.trial.question : ""));
    if (state.vote) { add(main, el("p", "received", "Your vote from before is kept: " + label(state.vote.answer) + ".")); }
    warn();
    say("Waiting for the host");
  }
  function trial() {
    heading(earwitness.trialName(state.trial));
    add(main, earwitness.slots(state), earwitness.clock(), el("p", "", state.trial.question));
    if (state.now.kind === "playing") { say(state.trial.slots[state.now.slot] + " plays"); }
    var chosen = pending && pending.trial === state.trial.id ? pending.answer : state.vote ? state.vote.answer : null;
    for (var i = 0; i < state.trial.alternatives.length; i += 1) {
      add(main, choice(state.trial.alternatives[i], chosen));
    }
    if (!state.open) { add(main, el("p", "waiting", "Votes open when everything has been heard.")); }
    else if (pending) { add(main, el("p", "waiting", "Sending.")); }
    else if (state.vote) {
      add(main, el("p", "received", "Received: " + label(state.vote.answer) + ". You may change it until votes close."),
        el("p", "small", "Receipt: " + state.vote.receipt));
    } else { add(main, el("p", "waiting", "No vote yet. If in doubt, guess: it is part of the test.")); }
    warn();
    var votes = el("p", "small");
    votes.id = "votes";
    main.appendChild(votes);
  }
  function choice(alternative, chosen) {
    var node = button("choice-" + alternative.name, "choice", alternative.label, function () { choose(alternative.name); });
    node.setAttribute("aria-pressed", chosen === alternative.name ? "true" : "false");
    node.disabled = !state.open;
    return node;
  }
  function paragraphs(list) {
    for (var i = 0; i < list.length; i += 1) { main.appendChild(el("p", "", list[i])); }
  }
  function result() {
    var own = state.result.own;
    var room = state.result.room;
    var i;
    heading("Your result");
    notes();
    for (i = 0; i < own.sentences.length; i += 1) { main.appendChild(el("p", "loud", own.sentences[i])); }
    main.appendChild(el("h2", "", "Your trials"));
    var table = el("table");
    var head = el("tr");
    var titles = ["Trial", "You said", "It was", "Receipt"];
    for (i = 0; i < titles.length; i += 1) { var th = el("th", "", titles[i]); th.scope = "col"; head.appendChild(th); }
    add(table, add(el("thead"), head));
    var body = el("tbody");
    for (i = 0; i < own.trials.length; i += 1) {
      var row = own.trials[i];
      add(body, add(el("tr"), el("td", "", row.name), el("td", "", row.said), el("td", "", row.was), el("td", "", row.receipt)));
    }
    add(table, body);
    main.appendChild(table);
    main.appendChild(el("h2", "", "The room"));
    paragraphs(room.sentences);
    main.appendChild(el("h2", "", "The podium"));
    paragraphs(room.podium);
    main.appendChild(el("h2", "", "Check it yourself"));
    add(main, el("p", "loud", state.result.receipt.phrase), el("p", "hex", state.result.receipt.hex),
      el("p", "small", "This is the receipt of the whole night. Photograph it. Your own receipts stand in the journal."));
    var link = el("a", "", "The night's journal");
    link.href = "/journal";
    main.appendChild(add(el("p"), link));
  }

  draw();
  ask();
}());
