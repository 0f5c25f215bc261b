/* The room's display: what plays, how long, how many have voted. It is never told how they voted before the close. */
(function () {
  "use strict";
  var el = earwitness.el;
  var add = earwitness.add;
  var main = document.getElementById("main");
  var who = document.getElementById("who");
  var key = window.location.hash.slice(1);
  var state = null;
  var entrance = null;
  var shape = "";
  var deadline = null;
  var failures = 0;

  function get(path, done) { earwitness.send("GET", path, { "X-Room-Key": key }, null, done); }
  function ask() {
    get("/room-state", function (status, answer) {
      if (status === 200 && answer) {
        failures = 0;
        earwitness.network("");
        state = answer;
        deadline = answer.left_ms === null ? null : Date.now() + answer.left_ms;
        if (entrance) { draw(); tick(); } else { enter(); }
        window.setTimeout(ask, 500);
      } else if (status === 401) {
        earwitness.empty(main);
        add(main, el("h1", "", "Room display"),
          el("p", "", "This page needs the address with its key, as the host's screen shows it."));
        window.setTimeout(ask, 3000);
      } else {
        failures += 1;
        if (failures > 2) {
          earwitness.network("No connection to the host's machine. Trying again.");
        }
        window.setTimeout(ask, 1000);
      }
    });
  }
  function enter() {
    get("/room-join", function (status, answer) {
      if (status === 200 && answer) { entrance = answer; draw(); tick(); }
    });
  }
  window.addEventListener("hashchange", function () { key = window.location.hash.slice(1); });

  function tick() { if (state) { earwitness.count(state, deadline); } }
  window.setInterval(tick, 250);

  function qr() {
    var size = entrance.modules.length;
    var space = "http://www.w3.org/2000/svg";
    var picture = document.createElementNS(space, "svg");
    var path = "";
    for (var y = 0; y < size; y += 1) {
      for (var x = 0; x < size; x += 1) {
        if (entrance.modules[y].charAt(x) === "1") { path += "M" + (x + 4) + " " + (y + 4) + "h1v1h-1z"; }
      }
    }
    picture.setAttribute("viewBox", "0 0 " + (size + 8) + " " + (size + 8));
    picture.setAttribute("class", "qr");
    picture.setAttribute("role", "img");
    picture.setAttribute("aria-label", "Code that leads a phone's camera to " + entrance.address);
    picture.setAttribute("shape-rendering", "crispEdges");
    var ink = document.createElementNS(space, "path");
    ink.setAttribute("d", path);
    ink.setAttribute("fill", "#000");
    picture.appendChild(ink);
    return picture;
  }
  function door() {
    return add(el("div", "join"), qr(), el("p", "small", entrance.address), el("p", "codeword", entrance.code));
  }
  function draw() {
    var drawn = JSON.stringify([state.phase, state.trial, state.now, state.open, state.sealed, state.phrases, state.hands, state.closed, state.started_over,
      state.seats, state.result, state.notes, state.order, state.message]);
    if (drawn === shape) { return; }
    shape = drawn;
    who.textContent = state.title;
    earwitness.empty(main);
    var text = el("div", "text");
    var i;
    for (i = 0; i < state.notes.length; i += 1) { add(text, el("p", "waiting", state.notes[i])); }
    if (state.phase === "welcome" || state.phase === "joining") {
      add(text, el("h1", "", state.title), el("p", "loud", "Take a seat: point your phone's camera at the code."),
        el("p", "votes", state.seats + (state.seats === 1 ? " listener is in" : " listeners are in")),
        el("p", "caution", state.caution));
      seal(text);
    } else if (state.phase === "ready") {
      add(text, el("h1", "", state.trial ? earwitness.trialName(state.trial) : "Ready"),
        el("p", "loud", "You will hear " + state.order + "."), el("p", "", state.trial ? state.trial.question : ""));
      seal(text);
    } else if (state.phase === "presenting" || state.phase === "voting") {
      var count = el("p", "votes");
      count.id = "votes";
      add(text, el("h1", "", earwitness.trialName(state.trial)), earwitness.slots(state), el("p", "", state.trial.question),
        earwitness.clock(), state.open ? el("p", "loud", "Vote now.") : null, count);
      seal(text);
    } else if (state.phase === "break") {
      add(text, el("h1", "", "A break"), el("p", "loud", "Rest your ears."));
      seal(text);
    } else if (state.phase === "counting") {
      add(text, el("h1", "", "All trials are over"), el("p", "loud", "Paper ballots are being entered."));
      seal(text);
    } else if (state.phase === "result") {
      add(text, el("h1", "", "The room"));
      for (i = 0; i < state.result.room.sentences.length; i += 1) { add(text, el("p", i ? "" : "loud", state.result.room.sentences[i])); }
      add(text, el("h2", "", "The podium"));
      for (i = 0; i < state.result.room.podium.length; i += 1) { add(text, el("p", "", state.result.room.podium[i])); }
      add(text, el("h2", "", "The receipt of the night"), el("p", "loud", state.result.receipt.phrase),
        el("p", "hex", state.result.receipt.hex));
    } else {
      add(text, el("h1", "", "The night has stopped"), el("p", "", state.message || ""));
    }
    var split = add(el("div", "split"), text);
    if (state.phase !== "result") { add(split, door()); }
    main.appendChild(split);
  }
  function seal(text) {
    add(text, el("h2", "", "The seal"), el("p", "", state.commitment.phrase), el("p", "hex", state.commitment.hex),
      el("p", "small", state.sealed ? "Sealed with " + state.phrases + (state.phrases === 1 ? " phrase." : " phrases.")
        : state.phrases + (state.phrases === 1 ? " phrase" : " phrases") + " added so far; anybody may add one."),
      el("p", "small", state.hands + (state.hands === 1 ? " phone has" : " phones have") + " put a hand into the draws."));
    if (state.closed.length) {
      add(text, el("p", "waiting", "Waiting for the hand of " + state.closed.join(", ") +
        ". If it stays closed, the sealing starts over."));
    }
    if (state.started_over) {
      add(text, el("p", "waiting", "The sealing has started over " + state.started_over +
        (state.started_over === 1 ? " time" : " times") + ", because a hand stayed closed."));
    }
  }
  ask();
}());
