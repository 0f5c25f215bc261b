/* The room's display: one thing at a time. It is never told how anybody voted before the close. */
(function () {
  "use strict";
  var el = earwitness.el;
  var add = earwitness.add;
  var text = earwitness.text;
  var main = document.getElementById("main");
  var where = document.getElementById("where");
  var corner = document.getElementById("corner");
  var foot = document.getElementById("foot");
  var key = window.location.hash.slice(1);
  var state = null;
  var entrance = null;
  var shape = "";
  var deadline = null;
  var whole = null;      /* how long the countdown was at its longest */
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
        add(main, el("h1", "matter", text("room.title")), el("p", "matter", text("room.key")));
        window.setTimeout(ask, 3000);
      } else {
        failures += 1;
        if (failures > 2) { earwitness.network(text("room.lost")); }
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
  /* A light room wants a light page: the key l changes between the two. */
  window.addEventListener("keydown", function (event) {
    if (event.key !== "l") { return; }
    var light = window.matchMedia("(prefers-color-scheme: light)").matches;
    var now = document.documentElement.className || (light ? "light" : "dark");
    document.documentElement.className = now === "light" ? "dark" : "light";
  });
  window.addEventListener("resize", fit);

  /* The countdown and the votes, several times a second, without drawing anew. */
  function tick() {
    if (!state) { return; }
    var left = earwitness.seconds(deadline);
    var clock = document.getElementById("clock");
    if (clock && left !== null) {
      if (clock.textContent !== String(left)) { clock.textContent = String(left); }
      whole = Math.max(whole || 0, left);
      var bar = document.getElementById("bar");
      if (bar) { bar.style.width = (whole ? 100 * left / whole : 0) + "%"; }
    }
    var votes = document.getElementById("votes");
    if (votes) { votes.textContent = text("voted", { n: state.voted, of: state.seats }); }
    var seats = document.getElementById("seats");
    if (seats) { seats.textContent = text("seats", { n: state.seats }); }
  }
  window.setInterval(tick, 250);

  /* Nothing is cut: what does not fit gets smaller, down to the size that can still be read from the last row. Of a table whose
     names are too long even then, the last rows wait for the phones and the report. */
  function fit() {
    var rows = main.querySelectorAll("tr");
    var i;
    for (i = 0; i < rows.length; i += 1) { rows[i].hidden = false; }
    for (var size = 100; size >= 40; size -= 4) {
      main.style.setProperty("--fit", String(size / 100));
      if (fits()) { return; }
    }
    var beside = main.querySelector(".split .words");
    for (i = rows.length - 1; i > 0 && !fits() && lower(rows[i].parentNode, beside); i -= 1) { rows[i].hidden = true; }
  }
  function lower(table, beside) { return !beside || table.getBoundingClientRect().height > beside.getBoundingClientRect().height; }
  function fits() { return main.scrollHeight <= main.clientHeight + 1 && main.scrollWidth <= main.clientWidth + 1; }

  var SPACE = "http://www.w3.org/2000/svg";
  function shaped(tag, values, words) {
    var node = document.createElementNS(SPACE, tag);
    for (var name in values) { node.setAttribute(name, values[name]); }
    if (words !== undefined) { node.appendChild(document.createTextNode(words)); }
    return node;
  }
  function qr() {
    var size = entrance.modules.length;
    var path = "";
    for (var y = 0; y < size; y += 1) {
      for (var x = 0; x < size; x += 1) {
        if (entrance.modules[y].charAt(x) === "1") { path += "M" + (x + 4) + " " + (y + 4) + "h1v1h-1z"; }
      }
    }
    var picture = shaped("svg", { viewBox: "0 0 " + (size + 8) + " " + (size + 8), "class": "qr", role: "img",
      "aria-label": entrance.address, "shape-rendering": "crispEdges" });
    picture.appendChild(shaped("path", { d: path, fill: "#000" }));
    return picture;
  }

  function draw() {
    var drawn = JSON.stringify([state.phase, state.trial, state.now, state.open, state.sealed, state.typed_hands, state.hands,
      state.closed, state.started_over, state.reveal, state.order, state.message, state.again, state.ears, state.door, state.links,
      state.seats === 1]);
    if (drawn === shape) { return; }
    shape = drawn;
    whole = null;
    var joining = state.phase === "welcome" || state.phase === "joining";
    where.textContent = joining ? "" : state.title;
    corner.textContent = state.phase === "result" || joining ? "" : entrance.address.replace(/^http:\/\/|\/$/g, "") +
      "   " + entrance.code;
    foot.textContent = [earwitness.marks(state), text("hands", { n: state.hands })].filter(Boolean).join(" \u00b7 ");
    add(foot, el("span", "seal", text("seal") + ": " + state.commitment.words));
    earwitness.empty(main);
    main.className = "at-" + state.phase;
    if (joining) { welcome(); }
    else if (state.phase === "ears") { ears(); }
    else if (state.phase === "ready") { ready(); }
    else if (state.phase === "presenting") { presenting(); }
    else if (state.phase === "voting") { voting(); }
    else if (state.phase === "break") { two(text("break"), text("break.rest")); }
    else if (state.phase === "counting") { two(text("counting"), text("counting.paper")); }
    else if (state.phase === "result") { reveal(); }
    else { two(text("stopped"), state.message || ""); }
    tick();
    fit();
  }
  function two(first, second) { add(main, el("h1", "large", first), el("p", "matter", second)); }
  function label(words) { where.textContent = words; }
  function again() {
    if (state.again) { main.appendChild(el("p", "matter warning", text("again." + state.again))); }
  }

  function welcome() {
    var address = entrance.address.replace(/^http:\/\/|\/$/g, "");
    var words = el("div", "words");
    var seats = el("p", "matter");
    seats.id = "seats";
    club(words);
    add(words, el("h1", "say", state.title), el("p", "matter", text("seat.take")),
      add(el("p", "matter"), document.createTextNode(text("seat.open") + " "), el("span", "address", address)),
      add(el("p", "matter"), document.createTextNode(text("seat.code") + " "), el("span", "code", entrance.code)), seats);
    if (state.closed.length) { add(words, el("p", "matter warning", text("hands.closed", { names: state.closed.join(", ") }))); }
    else if (state.started_over) { add(words, el("p", "matter warning", text("hands.again"))); }
    if (!state.door) { add(words, el("p", "matter warning", text("door.shut"))); }
    add(main, add(el("div", "split"), words, qr()), el("p", "quiet", text("caution")));
  }
  /* Whose night it is, where the session says so. */
  function club(parent) {
    if (!entrance.club) { return; }
    var line = el("p", "club matter");
    if (entrance.logo) {
      var logo = el("img");
      logo.src = entrance.logo;
      logo.alt = "";
      logo.onload = fit;
      line.appendChild(logo);
    }
    parent.appendChild(add(line, el("span", "", entrance.club)));
  }
  function ready() {
    label(state.trial ? earwitness.trialName(state.trial) : "");
    again();
    add(main, el("h1", "large", text("hear.order", { order: state.order })),
      state.fillings ? el("p", "matter grey", text("hear.drawn", { n: state.fillings })) : null,
      state.trial ? el("p", "matter", earwitness.question(state.trial)) : null,
      state.links ? el("p", "matter grey", text("links", { n: state.links.opened, of: state.links.of })) : null);
  }
  function presenting() {
    label(earwitness.trialName(state.trial));
    var playing = state.now.kind === "playing";
    var silent = state.now.kind === "silent";
    var slot = silent ? "\u2013" : state.now.slot === undefined ? "" : state.trial.slots[state.now.slot];
    add(main, el("p", "say", text(silent ? "hear.silent" : playing ? "hear" : "hear.next")), el("h1", playing ? "huge" : "huge waiting", slot),
      earwitness.slots(state));
  }
  /* Before the test, by name: the head says at every step that it is no part of it. */
  function ears() {
    label(text("ears"));
    var on = state.now.kind !== "none";
    var slot = state.now.slot === undefined ? "" : state.ears.slots[state.now.slot];
    if (on) {
      add(main, el("p", "say", earwitness.heard(state.ears)),
        el("h1", state.now.kind === "playing" ? "huge" : "huge waiting", slot), earwitness.slots(state));
    } else { add(main, el("h1", "large", earwitness.heard(state.ears)), earwitness.slots(state)); }
  }
  function voting() {
    label(earwitness.trialName(state.trial));
    var clock = el("p", "clock");
    clock.id = "clock";
    var votes = el("p", "say");
    votes.id = "votes";
    var bar = el("div", "bar");
    var inner = el("div");
    inner.id = "bar";
    add(main, el("h1", "large", earwitness.question(state.trial)));
    if (deadline !== null) { add(main, add(bar, inner)); }
    add(main, add(el("div", "count"), deadline === null ? null : add(el("div", "time"), clock, el("p", "unit", text("seconds"))), votes));
  }

  /* ---- the reveal ---- */

  function reveal() {
    var step = state.reveal ? state.reveal.step : null;
    main.setAttribute("data-step", state.reveal ? state.reveal.at : "");
    main.setAttribute("data-kind", step ? step.kind : "");
    label(text("reveal"));
    if (!step) { return; }
    if (step.kind === "question") { asked(step); }
    else if (step.kind === "trial") { trial(step); }
    else if (step.kind === "score") { score(step); }
    else if (step.kind === "verdict") { verdict(step); }
    else if (step.kind === "tables") { tables(step); }
    else if (step.kind === "highest") { highest(step); }
    else { thanks(step); }
  }
  function compared(pair) { return text("compared", { a: pair[0], b: pair[1] }); }
  function asked(step) {
    add(main, el("h1", "large", earwitness.question(step)));
    for (var i = 0; i < step.compared.length; i += 1) { add(main, el("p", "say", compared(step.compared[i]))); }
    add(main, el("p", "matter grey", text("reveal.size", { n: step.trials, listeners: step.listeners })));
  }
  function was(step) {
    if (step.identical) { return text("was.identical"); }
    if (step.right === null) { return text("was.nobody"); }
    if (step.protocol === "abx") { return text("was." + step.right); }
    for (var i = 0; i < step.bars.length; i += 1) {
      if (step.bars[i].right) { return text("was.other", { label: earwitness.choice(step, step.bars[i]) }); }
    }
    return "";
  }
  function trial(step) {
    label(text("reveal") + " \u00b7 " + text("reveal.trial", { n: step.number }));
    add(main, el("h1", "huge short", was(step)));
    var most = 1;
    var i;
    for (i = 0; i < step.bars.length; i += 1) { most = Math.max(most, step.bars[i].votes); }
    var bars = el("div", "bars");
    for (i = 0; i < step.bars.length; i += 1) {
      var bar = step.bars[i];
      var right = bar.right && !step.identical;
      var line = el("div", "amount");
      line.style.width = (60 * bar.votes / most) + "%";
      add(bars, add(el("div", right ? "row right" : "row"), el("p", "matter name", (right ? "\u2713 " : "") + earwitness.choice(step, bar)),
        add(el("div", "track"), line, el("p", "matter number", String(bar.votes)))));
    }
    main.appendChild(bars);
    if (step.control) { add(main, el("p", "matter grey", text("control", { what: step.control.replace(/(\d) /g, "$1\u00a0") }))); }
    else if (step.so_far) { add(main, el("p", "matter grey", text("sofar", earwitness.rounded(step.so_far)))); }
  }
  /* The score over the trials, as its distance from what chance gives on average, before the band of chance. */
  function score(step) {
    var points = step.points;
    var last = points[points.length - 1];
    add(main, el("h1", "say", text("score", earwitness.rounded(last))));
    var most = 1;
    for (var i = 0; i < points.length; i += 1) {
      most = Math.max(most, Math.abs(points[i].right - points[i].expected), points[i].high - points[i].expected,
        points[i].expected - points[i].low);
    }
    function x(index) { return 20 + 640 * index / points.length; }
    function y(value) { return 150 - 120 * value / most; }
    var upper = "M" + x(0) + " " + y(0);
    var lower = "";
    var line = "M" + x(0) + " " + y(0);
    for (i = 0; i < points.length; i += 1) {
      upper += "L" + x(i + 1) + " " + y(points[i].high - points[i].expected);
      lower = "L" + x(i + 1) + " " + y(points[i].low - points[i].expected) + lower;
      line += "L" + x(i + 1) + " " + y(points[i].right - points[i].expected);
    }
    var end = y(last.right - last.expected);
    var picture = shaped("svg", { viewBox: "0 0 980 300", "class": "figure", role: "img", "aria-label": text("score", earwitness.rounded(last)) });
    picture.appendChild(shaped("path", { d: upper + lower + "Z", "class": "band" }));
    picture.appendChild(shaped("path", { d: "M20 150H660", "class": "middle" }));
    picture.appendChild(shaped("path", { d: line, "class": "line", pathLength: "100" }));
    picture.appendChild(shaped("circle", { cx: x(points.length), cy: end, r: 9, "class": "dot" }));
    picture.appendChild(shaped("text", { x: 684, y: end + 16, "class": "label strong" }, text("score.room")));
    picture.appendChild(shaped("text", { x: 30, y: 285, "class": "label" }, text("score.band")));
    main.appendChild(picture);
    add(main, el("p", "matter grey", text("score.note", earwitness.rounded(last))));
  }
  function verdict(step) {
    add(main, el("h1", "large", step.preference ? step.sentence : earwitness.known("verdict." + step.finding, {}, step.sentence)));
    if (step.score) {
      var s = step.score;
      var low = Math.min(s.low, s.right);
      var high = Math.max(s.high, s.right);
      var span = Math.max(1, high - low);
      var at = function (value) { return 120 + 640 * (value - low) / span; };
      var picture = shaped("svg", { viewBox: "0 0 920 180", "class": "figure", role: "img", "aria-label": text("score.line", earwitness.rounded(s)) });
      picture.appendChild(shaped("rect", { x: at(s.low), y: 62, width: Math.max(4, at(s.high) - at(s.low)), height: 26, "class": "band" }));
      picture.appendChild(shaped("path", { d: "M" + at(s.expected) + " 52V98", "class": "middle" }));
      picture.appendChild(shaped("circle", { cx: at(s.right), cy: 75, r: 18, "class": "dot" }));
      picture.appendChild(shaped("text", { x: at(s.right), y: 40, "class": "label strong", "text-anchor": "middle" },
        text("score.room") + " " + s.right));
      picture.appendChild(shaped("text", { x: (at(s.low) + at(s.high)) / 2, y: 150, "class": "label", "text-anchor": "middle" },
        text("score.band") + " " + s.low + "\u2013" + s.high));
      main.appendChild(picture);
      add(main, el("p", "matter", text("score.line", earwitness.rounded(s)) + (step.chance ? " " + text("score.chance", step.chance) : "")));
    }
    add(main, el("p", "quiet", compared(step.compared)));
  }
  /* Teams: in order of how rarely chance does as well, with what so many tables make of the best of them. */
  function tables(step) {
    add(main, el("h1", "say", text("tables")));
    var table = el("table");
    var body = el("tbody");
    var rows = step.rows.slice(0, 6);
    for (var i = 0; i < rows.length; i += 1) {
      add(body, add(el("tr"), el("td", "", text("table", { n: rows[i].table })),
        el("td", "number", text("highest.of", { right: rows[i].right, of: rows[i].votes })),
        el("td", "number grey", text("tables.chance", rows[i].chance))));
    }
    add(main, add(table, body), el("p", "matter grey", text("tables.best", { k: step.rows.length, times: step.best.times, of: step.best.of })));
  }
  function highest(step) {
    add(main, el("h1", "say", text("highest")));
    var table = el("table");
    var body = el("tbody");
    var rows = step.rows.slice(0, 6);
    for (var i = 0; i < rows.length; i += 1) {
      add(body, add(el("tr"), el("td", "", rows[i].place + "."), el("td", "name", rows[i].name),
        el("td", "number", text("highest.of", { right: rows[i].correct, of: rows[i].trials }))));
    }
    var words = el("div", "words");
    if (step.expected !== null) { add(words, el("p", "matter", text("highest.expected", { n: step.expected }))); }
    if (step.chance) { add(words, el("p", "matter", text("highest.chance", step.chance))); }
    if (!rows.length) { add(words, el("p", "matter", step.sentences.join(" "))); }
    main.appendChild(add(el("div", "split"), rows.length ? add(table, body) : null, words));
  }
  function thanks(step) {
    club(main);
    add(main, el("h1", "large", text("thanks")), el("p", "matter", text("receipt.night")));
    var words = step.receipt.words.split(" ");
    var list = el("ol", "receipt");
    for (var i = 0; i < words.length; i += 3) { list.appendChild(el("li", "matter", words.slice(i, i + 3).join(" "))); }
    add(main, list, el("p", "quiet", step.receipt.hex));
  }
  ask();
}());
