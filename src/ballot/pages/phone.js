/* A listener's phone. */
(function () {
  "use strict";
  var el = earwitness.el;
  var add = earwitness.add;
  var text = earwitness.text;
  var main = document.getElementById("main");
  var who = document.getElementById("who");
  var spoken = document.getElementById("spoken");
  var state = null;      /* the last answer of the server */
  var shape = "";        /* what is drawn now, without the clock */
  var timer = null;      /* the next question to the server */
  var asking = false;
  var turn = 0;          /* how often the server was asked: an answer from an earlier turn is out of date */
  var failures = 0;
  var deadline = null;   /* when the countdown ends, by this phone's clock */
  var pending = null;    /* a vote that has not been acknowledged */
  var voted = null;      /* the last one that was */
  var tables = 0;        /* how many there are, before this phone has a seat */
  var refusal = "";      /* why something was refused */
  var leaving = false;
  var more = false;      /* the part that is rarely needed is unfolded */
  var kept = null;       /* a result of this phone, from this night or an earlier one */
  var showing = false;   /* it is shown, because no night knows this phone now */

  function keep(value) {
    try {
      if (value) { window.sessionStorage.setItem("pending", JSON.stringify(value)); }
      else { window.sessionStorage.removeItem("pending"); }
    } catch (error) { /* private mode: a reload then needs another tap */ }
  }
  try { pending = JSON.parse(window.sessionStorage.getItem("pending") || "null"); } catch (error) { pending = null; }

  try { kept = JSON.parse(window.localStorage.getItem("result") || "null"); } catch (error) { kept = null; }
  function keepResult() {
    kept = { kept: true, phase: "result", title: state.title, seat: state.seat, alias: state.alias, result: state.result,
      asked: state.asked, silent: state.silent, invented: state.invented, day: new Date().toISOString().slice(0, 10) };
    try { window.localStorage.setItem("result", JSON.stringify(kept)); } catch (error) { /* private mode */ }
  }

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
    turn += 1;
    var own = turn;
    send("GET", "/state", null, function (status, answer) {
      if (own !== turn) { return; }
      asking = false;
      if (status === 200 && answer) {
        failures = 0;
        earwitness.network("");
        take(answer);
        plan(/^(ready|presenting|voting)$/.test(answer.phase) ? 900 : 1800);
      } else if (status === 401) {
        failures = 0;
        earwitness.network("");
        if (answer && answer.refused === "released") { refusal = text("released", { n: answer.seat }); }
        state = null;
        tables = answer && answer.tables || 0;
        draw();
      } else {
        if (!state && kept && status === 0) { showing = true; draw(); }
        failures += 1;
        if (failures > 1) {
          earwitness.network(text(showing || (state && state.phase === "result") ? "gone" : "offline"));
        }
        plan(Math.min(5000, 500 * failures + Math.floor(Math.random() * 500)));
      }
    });
  }
  /* Asks afresh: an answer that is still on its way was given before what has just happened. */
  function afresh(milliseconds) { turn += 1; asking = false; plan(milliseconds); }
  function soon() { failures = 0; afresh(10); }
  document.addEventListener("visibilitychange", function () { if (!document.hidden) { soon(); } });
  window.addEventListener("online", soon);
  window.addEventListener("pageshow", soon);
  window.addEventListener("focus", soon);
  /* A tab of an earlier night that gets a new night's address. */
  window.addEventListener("hashchange", function () { refusal = ""; showing = false; shape = ""; soon(); draw(true); });

  function take(answer) {
    state = answer;
    showing = false;
    if (answer.result) { keepResult(); }
    earwitnessHand.answer(answer.hand);
    earwitnessLinks.answer(answer, function () { shape = ""; soon(); });
    deadline = answer.left_ms === null ? null : Date.now() + answer.left_ms;
    if (pending && (!answer.trial || pending.trial !== answer.trial.id || !answer.open)) {
      var same = answer.trial && pending.trial === answer.trial.id;
      if (same && answer.vote && answer.vote.answer !== pending.answer) {
        refusal = text("vote.late", { label: label(answer.vote.answer) });
      } else if (!same || !answer.vote) { refusal = late(pending.trial); }
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
        voted = { trial: vote.trial, label: label(answer.vote.answer) };
        say(text("vote.received", { label: voted.label }));
        afresh(900);
      } else if (status === 429 || status === 503 || status === 0) {
        window.setTimeout(function () { if (pending === vote && !vote.busy) { deliver(); } }, 1200);
      } else {
        pending = null;
        keep(null);
        refusal = answer && answer.refused && /not-open|other-trial/.test(answer.refused) ? late(vote.trial)
          : answer ? earwitness.refused(answer) : text("vote.refused");
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
    for (var i = 0; i < list.length; i += 1) {
      if (list[i].name === name) { return earwitness.choice(state.trial, list[i]); }
    }
    return name;
  }
  /* What a tap that came too late leaves standing. */
  function late(trial) {
    return voted && voted.trial === trial ? text("vote.late", { label: voted.label }) : text("vote.late.none");
  }

  /* The countdown, several times a second, without asking. */
  function tick() {
    var clock = document.getElementById("clock");
    if (!state || !clock) { return; }
    var left = earwitness.seconds(deadline);
    var words = left === null ? "" : state.phase === "voting" ? text("vote.closes", { n: left }) : left + " s";
    if (clock.textContent !== words) { clock.textContent = words; }
    var votes = document.getElementById("votes");
    if (votes) { votes.textContent = text("voted", { n: state.voted, of: state.seats }); }
  }
  window.setInterval(tick, 250);

  /* ---- drawing ---- */

  function draw(anew) {
    var drawn = showing ? "kept" : state ? JSON.stringify([state.phase, state.trial, state.now, state.vote, state.open, state.typed_hands,
      state.hand, state.closed, state.hands_open, state.left, state.result, state.alias, state.seat, state.links, state.link, state.revealed, state.again, state.ears,
      pending, refusal, leaving]) : "join" + tables + refusal;
    if (drawn === shape) { return; }
    shape = drawn;
    var focused = document.activeElement && document.activeElement.id;
    var typed = {};
    var inputs = main.getElementsByTagName("input");
    for (var i = 0; i < inputs.length; i += 1) { typed[inputs[i].id] = inputs[i].value; }
    earwitness.empty(main);
    if (showing) { result(kept); } else if (state) { seated(); } else { join(); }
    for (var id in typed) {
      if (id === "code" && anew) { continue; }
      if (document.getElementById(id) && typed[id]) { document.getElementById(id).value = typed[id]; }
    }
    if (focused && document.getElementById(focused)) { document.getElementById(focused).focus(); }
  }

  function warn() {
    if (refusal) { var why = el("p", "refusal", refusal); why.setAttribute("role", "alert"); main.appendChild(why); }
  }
  function join() {
    who.textContent = "";
    var form = el("form");
    var code = field("code", text("join.code"), { className: "code", length: 12, capital: "characters",
      value: decodeURIComponent(window.location.hash.slice(1)) });
    var alias = field("alias", text("join.name"), { length: 40, capital: "words" });
    var seat = field("seat", text("join.seat"), { length: 4, mode: "numeric" });
    var table = tables ? field("table", text("join.table"), { length: 2, mode: "numeric" }) : null;
    var go = el("button", "main", text("join.go"));
    go.type = "submit";
    go.id = "go";
    add(main, el("h1", "", text("join.title")), el("p", "", text("join.task")));
    warn();
    add(form, code.label, code.input, alias.label, alias.input, seat.label, seat.input, table && table.label, table && table.input, go);
    add(main, form, el("p", "small", text("join.stored")));
    if (kept) {
      add(main, el("p", "small", text("kept")),
        button("kept", "plain", text("kept.show"), function () { showing = true; draw(); }));
    }
    form.onsubmit = function (event) {
      event.preventDefault();
      go.disabled = true;
      var wanted = seat.input.value.replace(/\s/g, "");
      send("POST", "/join", { code: code.input.value, alias: alias.input.value,
        seat: wanted === "" ? null : Number(wanted) || 0, table: table ? Number(table.input.value) || 0 : null }, function (status, answer) {
        if (status === 200) { refusal = ""; shape = ""; soon(); return; }
        refusal = earwitness.refused(answer);
        go.disabled = false;
        draw();
      });
    };
  }

  function heading(words) { main.appendChild(el("h1", "", words)); }
  function seated() {
    who.textContent = text("who", { n: state.seat, name: state.alias });
    if (state.phase === "result") {
      if (state.result) { result(state); } else { reveal(); }
      return;
    }
    if (state.left) {
      heading(text("left"));
      add(main, el("p", "", text("left.text")), button("return", "main", text("left.back"), function () {
        send("POST", "/return", {}, function () { soon(); });
      }));
      return;
    }
    if (state.phase === "welcome" || state.phase === "joining") { welcome(); }
    else if (state.phase === "ears") { heading(text("ears")); add(main, el("p", "loud", earwitness.heard(state.ears)),
      earwitness.slots(state), el("p", "waiting", text("ears.phone"))); }
    else if (state.phase === "ready") { ready(); }
    else if (state.phase === "presenting" || state.phase === "voting") { trial(); }
    else if (state.phase === "break") { heading(text("break")); add(main, el("p", "loud", text("break.rest"))); }
    else if (state.phase === "counting") { heading(text("counting")); add(main, el("p", "loud", text("counting.paper"))); }
    else { heading(text("stopped")); add(main, el("p", "", state.message)); }
    rarely();
  }
  /* What is rarely needed, folded, away from the answers. */
  function rarely() {
    var fold = el("details", "more");
    fold.open = more || leaving;
    fold.ontoggle = function () { more = fold.open; };
    add(fold, el("summary", "", text("more")));
    if (state.phase !== "welcome" && state.phase !== "joining") { seal(fold); }
    if (leaving) {
      add(fold, el("p", "", text("leave.ask")),
        button("leave-yes", "plain", text("leave.yes"), function () {
          leaving = false;
          send("POST", "/leave", {}, function () { soon(); });
        }),
        button("leave-no", "plain", text("leave.no"), function () { leaving = false; draw(); }));
    } else {
      fold.appendChild(button("leave", "plain", text("leave"), function () { leaving = true; draw(); }));
    }
    main.appendChild(fold);
  }
  function seal(parent) {
    add(parent, el("h2", "", text("seal")), el("p", "", state.commitment.words), el("p", "hex", state.commitment.hex),
      el("p", "small", text("seal.why")), /kept|asked|opened/.test(state.link) ? el("p", "small", text("links.phone")) : null);
  }
  function hand() {
    var own = earwitnessHand.own();
    if (state.hand === "asked" || state.hand === "opened" || state.hand === "closed") {
      add(main, el("p", "received", text(state.hand === "closed" ? "hand.closed" : state.hand === "asked" ? "hand.opening" : "hand.open")),
        el("p", "small", text("hand.bytes")), el("p", "hex", own || text("hand.lost")));
    }
    if (state.closed.length) { add(main, el("p", "waiting", text("hands.closed", { names: state.closed.join(", ") }))); }
  }
  function notes() {
    var said = earwitness.marks(state);
    if (said) { main.appendChild(el("p", "waiting", said)); }
  }
  function welcome() {
    heading(state.title);
    add(main, el("p", "received", text("in")), el("p", "loud", text("task", { question: earwitness.question(state.asked) })));
    notes();
    seal(main);
    hand();
    if (state.hands_open) {
      var typed = field("typed-hand", text("typed.label"), { length: 200 });
      var form = el("form");
      var go = el("button", "", text("typed.go"));
      go.type = "submit";
      go.id = "add-hand";
      add(form, typed.label, typed.input, go);
      form.onsubmit = function (event) {
        event.preventDefault();
        if (!typed.input.value) { return; }
        go.disabled = true;
        send("POST", "/typed-hand", { text: typed.input.value }, function (status, answer) {
          go.disabled = false;
          if (status === 200) { typed.input.value = ""; refusal = ""; }
          else { refusal = earwitness.refused(answer); }
          shape = "";
          soon();
        });
      };
      add(main, form, el("p", "small", text("typed.count", { n: state.typed_hands })));
      warn();
    }
    add(main, el("h2", "", text("caution.title")), el("p", "caution", text("caution")));
  }
  function again() { if (state.again) { add(main, el("p", "waiting", text("again." + state.again))); } }
  function ready() {
    heading(state.trial ? earwitness.trialName(state.trial) : "");
    again();
    add(main, el("p", "loud", text("hear.order", { order: state.order })),
      state.fillings ? el("p", "small", text("hear.drawn", { n: state.fillings })) : null,
      el("p", "", state.trial ? earwitness.question(state.trial) : ""));
    if (state.links) { add(main, el("p", "waiting", text("links", { n: state.links.opened, of: state.links.of }))); }
    if (state.vote) { add(main, el("p", "received", text("ready.kept", { label: label(state.vote.answer) }))); }
    warn();
    say(text("wait.host"));
  }
  function trial() {
    heading(earwitness.trialName(state.trial));
    again();
    var clock = el("p", "clock");
    clock.id = "clock";
    add(main, earwitness.slots(state), clock, el("p", "", earwitness.question(state.trial)));
    if (state.now.kind === "silent") { add(main, el("p", "waiting", text("hear.silent"))); }
    if (state.now.kind === "playing") { say(text("plays", { slot: state.trial.slots[state.now.slot] })); }
    var chosen = pending && pending.trial === state.trial.id ? pending.answer : state.vote ? state.vote.answer : null;
    for (var i = 0; i < state.trial.alternatives.length; i += 1) {
      add(main, choice(state.trial.alternatives[i], chosen));
    }
    if (!state.open) { add(main, el("p", "waiting", text("vote.later"))); }
    else if (pending) { add(main, el("p", "waiting", text("vote.sending"))); }
    else if (state.vote) {
      add(main, el("p", "received", text("vote.received", { label: label(state.vote.answer) })),
        el("p", "small", text("vote.receipt", { words: state.vote.receipt })));
    } else { add(main, el("p", "waiting", text("vote.none"))); }
    warn();
    var votes = el("p", "small");
    votes.id = "votes";
    main.appendChild(votes);
  }
  function choice(alternative, chosen) {
    var node = button("choice-" + alternative.name, "choice", earwitness.choice(state.trial, alternative),
      function () { choose(alternative.name); });
    node.setAttribute("aria-pressed", chosen === alternative.name ? "true" : "false");
    node.disabled = !state.open;
    return node;
  }
  function reveal() {
    heading(text("reveal"));
    add(main, el("p", "loud", text("reveal.look")));
    if (state.revealed && state.revealed.length) {
      add(main, earwitnessResult.marks(state.revealed), earwitnessResult.legend());
      var last = state.revealed[state.revealed.length - 1];
      add(main, earwitnessResult.table([last], state.asked));
    }
  }

  /* ---- the own result ---- */

  function result(shown) {
    var own = shown.result.own;
    who.textContent = text("who", { n: shown.seat, name: shown.alias });
    heading(text("result"));
    var said = earwitness.marks(shown);
    if (!shown.kept && earwitnessLinks.changed()) {
      var warning = el("p", "caution refusal", text("copy.changed"));
      warning.setAttribute("role", "alert");
      main.appendChild(warning);
    }
    if (said) { main.appendChild(el("p", "waiting", said)); }
    var words = earwitnessResult.sentences(own);
    add(main, el("p", "score", words[0]), earwitnessResult.marks(own.trials), earwitnessResult.legend());
    for (var i = 1; i < words.length; i += 1) { main.appendChild(el("p", "", words[i])); }
    var room = shown.result.room.verdicts || [];
    if (room.length) { main.appendChild(el("h2", "", text("result.room"))); }
    for (i = 0; i < room.length; i += 1) {
      var lines = earwitnessResult.room(room[i], room.length > 1);
      /* What was said of the listener is not said again of the room. */
      for (var at = 0; at < lines.length; at += 1) { if (words.indexOf(lines[at]) < 0) { main.appendChild(el("p", "", lines[at])); } }
    }
    add(main, button("save", "main", text("save"), function () { earwitnessResult.save(shown); }),
      el("h2", "", text("trials.yours")), earwitnessResult.table(own.trials, shown.asked));
    var english = el("details");
    english.lang = "en";
    add(english, el("summary", "", text("details")));
    english.firstChild.lang = document.documentElement.lang;
    lines = own.sentences.concat(shown.result.room.sentences, shown.result.room.highest);
    for (i = 0; i < lines.length; i += 1) { english.appendChild(el("p", "small", lines[i])); }
    var receipts = el("details");
    add(receipts, el("summary", "", text("receipts")), el("p", "", shown.result.receipt.words), el("p", "hex", shown.result.receipt.hex),
      el("p", "small", text("receipts.why")));
    for (i = 0; i < own.trials.length; i += 1) {
      if (own.trials[i].receipt) { receipts.appendChild(el("p", "small", own.trials[i].number + ": " + own.trials[i].receipt)); }
    }
    if (!shown.kept) {
      var link = el("a", "", text("journal"));
      link.href = "/journal";
      receipts.appendChild(add(el("p"), link));
      if (earwitnessLinks.has()) {
        add(receipts, earwitnessLinks.saveLink(shown.alias, text("copy.save")), el("p", "small", text("copy.why")));
      }
    }
    add(main, english, receipts);
    if (shown.kept && showing) {
      main.appendChild(button("kept-back", "plain", text("kept.back"), function () { showing = false; shape = ""; draw(); soon(); }));
    }
  }

  draw();
  ask();
}());
