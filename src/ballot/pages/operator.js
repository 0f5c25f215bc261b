/* The operator's page: what is to be done with the cables, one step at a time, and a button that says it is done. It knows
   nothing of trials and answers. Plain old script, and nothing from anywhere else. */
(function () {
  "use strict";
  var hmac = earwitnessHand.hmac;
  var bytesOf = earwitnessHand.bytesOf;
  var main = document.getElementById("main");
  main.className = "operator";
  var bar = document.getElementById("network");
  var spoken = document.getElementById("spoken");
  function plain(text) { return text.replace(/[\s#-]/g, "").toUpperCase(); }
  var code = plain(window.location.hash);
  var holder = "";
  var state = null;
  var since = 0;
  var refused = "";
  var sending = false;
  /* Before each step, where nobody has to scroll to read it; the rest while hands are off. */
  var HANDS = "Amplifier off or muted before anything moves. Never let the two cables' ends touch.";
  var APART = " Stay where the listener neither sees nor hears you, and where you do not hear the music: some connections are " +
    "silent, and you must not know which. Switch this phone's sounds off.";

  function proof(purpose, of) { return hmac(bytesOf(code), bytesOf("earwitness " + purpose + " v2 " + of)); }
  function send(method, path, body, done) {
    var request = new XMLHttpRequest();
    request.open(method, path, true);
    request.timeout = 5000;
    request.setRequestHeader("X-Operator", proof("operate", holder));
    request.onload = function () {
      var answer = null;
      try { answer = JSON.parse(request.responseText); } catch (error) { answer = null; }
      done(request.status, answer);
    };
    request.onerror = request.ontimeout = request.onabort = function () { done(0, null); };
    if (body) { request.setRequestHeader("Content-Type", "application/json"); }
    request.send(body ? JSON.stringify(body) : null);
  }
  function meant() {
    var mask = parseInt(proof("terminal", state.number + " " + holder).slice(0, 2), 16) % 3;
    return (state.masked + 3 - mask) % 3;
  }
  function el(tag, className, text) {
    var node = document.createElement(tag);
    if (className) { node.className = className; }
    if (text) { node.appendChild(document.createTextNode(text)); }
    return node;
  }
  function words() {
    var number = String(meant());
    if (state.task === "over") {
      return { head: "It is over", text: "Amplifier off first. Then take the cable off." };
    }
    if (state.done) { return { head: "Hands off", text: "The next step comes by itself. Keep this page open and the screen on.", caution: APART }; }
    if (state.task === "label") {
      var first = state.names[meant()];
      var second = state.names[1 - meant()];
      return { head: "Label the cables", text: "Label 1 goes on " + first + ", label 2 on " + second + ". Tell nobody which.",
        button: "Both are labelled" };
    }
    if (state.task === "disconnect") {
      return { head: "Disconnect", text: "The music has stopped. Take the cable off at both ends, also if the same one comes next.",
        button: "Nothing is connected" };
    }
    return { head: "Connect", giant: number, text: "Cable " + number + ", both ends, plus to plus. Then hands off.",
      button: number + " is connected" };
  }
  function draw() {
    while (main.firstChild) { main.removeChild(main.firstChild); }
    if (refused) { main.appendChild(el("p", "caution", refused)); return; }
    if (!state) { main.appendChild(el("p", "", "One moment, please.")); return; }
    var now = words();
    var what = main.appendChild(el("div", "what"));
    var step = main.appendChild(el("div", "step"));
    what.appendChild(el("h1", "task", now.head));
    if (now.giant) { what.appendChild(el("p", "giant", now.giant)); }
    step.appendChild(el("p", "loud", now.text));
    step.appendChild(el("p", "caution", HANDS + (now.caution || "")));
    if (now.button) {
      var button = el("button", "main choice", now.button);
      button.id = "done";
      button.onclick = function () { confirm(state.number); };
      step.appendChild(button);
      if (state.seconds) { step.appendChild(el("p", "clock", "")).id = "left"; }
    }
    if (spoken.textContent !== now.head) { spoken.textContent = now.head; }
    tick();
  }
  function tick() {
    var left = document.getElementById("left");
    if (!left) { return; }
    var seconds = Math.ceil(state.seconds - (Date.now() - since) / 1000);
    left.textContent = seconds > 0 ? "Within " + seconds + " s" : "At any time now";
  }
  window.setInterval(tick, 500);
  function take(status, answer) {
    if (status === 200 && answer) {
      bar.className = "network";
      var fresh = !state || state.number !== answer.number || state.done !== answer.done;
      if (!state || state.number !== answer.number) { since = Date.now(); }
      state = answer;
      if (fresh) { draw(); }
    } else if (status === 403) {
      refused = answer ? answer.refused : "This is not the operator's page.";
      draw();
    } else {
      bar.textContent = "The computer cannot be reached. Stay in its network; this page tries again.";
      bar.className = "network on";
    }
  }
  function look() {
    if (refused) { return; }
    send("GET", "/operator-state", null, function (status, answer) {
      if (!sending) { take(status, answer); }
      if (!state || state.task !== "over") { window.setTimeout(look, 400); }
    });
  }
  function confirm(number) {
    if (sending) { return; }
    sending = true;
    send("POST", "/operator-done", { number: number, proof: proof("done", number + " " + holder) }, function (status, answer) {
      sending = false;
      take(status, answer);
    });
  }
  function begin() {
    try { holder = window.localStorage.getItem("operator " + code) || ""; } catch (error) { holder = ""; }
    if (!holder) {
      var bytes = new Uint8Array(32);
      window.crypto.getRandomValues(bytes);
      for (var i = 0; i < 32; i += 1) { holder += ("0" + bytes[i].toString(16)).slice(-2); }
      try { window.localStorage.setItem("operator " + code, holder); } catch (error) { /* A reload then cannot come back. */ }
    }
    join();
  }
  function join() {
    send("POST", "/operator-join", { holder: holder, proof: proof("operator", holder) }, function (status, answer) {
      if (status === 200) { draw(); look(); return; }
      if (status === 0 || status === 429) { window.setTimeout(join, 1000); return; }
      refused = answer ? answer.refused : "This is not the operator's page.";
      draw();
    });
  }
  document.addEventListener("visibilitychange", function () { if (!document.hidden && state) { send("GET", "/operator-state", null, take); } });
  if (!code) {
    main.appendChild(el("h1", "task", "Be the operator"));
    var label = el("label", "", "The code from the computer's screen");
    var input = el("input", "code");
    label.appendChild(input);
    var go = el("button", "main", "I am the operator");
    go.onclick = function () {
      code = plain(input.value);
      if (code) { begin(); }
    };
    main.appendChild(label);
    main.appendChild(go);
  } else {
    begin();
  }
}());
