/* What the phone's page and the room's display share. Plain old script on purpose: it must run on a phone that gets no
   updates any more. Everything that people typed is put on the page as text, never as markup. */
var earwitness = (function () {
  "use strict";

  /* Asks the server; done(status, answer), with status 0 where there was no connection. */
  function send(method, path, headers, body, done) {
    var request = new XMLHttpRequest();
    request.open(method, path, true);
    request.timeout = 8000;
    request.onload = function () {
      var answer = null;
      try { answer = JSON.parse(request.responseText); } catch (error) { answer = null; }
      done(request.status, answer);
    };
    request.onerror = request.ontimeout = request.onabort = function () { done(0, null); };
    for (var name in headers) { request.setRequestHeader(name, headers[name]); }
    if (body) {
      request.setRequestHeader("Content-Type", "application/json");
      request.send(JSON.stringify(body));
    } else {
      request.send();
    }
  }
  function el(tag, className, text) {
    var node = document.createElement(tag);
    if (className) { node.className = className; }
    if (text !== undefined && text !== null) { node.appendChild(document.createTextNode(text)); }
    return node;
  }
  function add(parent) {
    for (var i = 1; i < arguments.length; i += 1) { if (arguments[i]) { parent.appendChild(arguments[i]); } }
    return parent;
  }
  function empty(node) { while (node.firstChild) { node.removeChild(node.firstChild); } }

  /* The bar at the top that says that something is wrong with the network; nothing takes it away. */
  function network(text) {
    var bar = document.getElementById("network");
    bar.className = text ? "network on" : "network";
    bar.textContent = text;
  }
  function trialName(trial) {
    return trial.part === "main" ? "Trial " + trial.number + " of " + trial.of
      : "Practice " + trial.number + " of " + trial.of + ", does not count";
  }
  /* What is heard in this trial, and which of them now. */
  function slots(state) {
    var list = el("ol", "slots");
    for (var i = 0; i < state.trial.slots.length; i += 1) {
      var on = state.now.kind === "playing" && state.now.slot === i;
      var next = state.now.kind === "gap" && state.now.slot === i;
      var item = el("li", on ? "on" : next ? "next" : "", state.trial.slots[i]);
      if (on) { item.setAttribute("aria-current", "true"); }
      list.appendChild(item);
    }
    return list;
  }
  function clock() {
    var node = el("p", "clock");
    node.id = "clock";
    return node;
  }
  /* The countdown, several times a second, without asking. */
  function count(state, deadline) {
    var node = document.getElementById("clock");
    if (!node) { return; }
    var text = "";
    if (deadline !== null) {
      var seconds = Math.max(0, Math.ceil((deadline - Date.now()) / 1000));
      text = state.phase === "voting" ? "Votes close in " + seconds + " s" : seconds + " s";
    }
    if (node.textContent !== text) { node.textContent = text; }
    var votes = document.getElementById("votes");
    if (votes) { votes.textContent = state.voted + " of " + state.seats + " have voted."; }
  }

  return { send: send, el: el, add: add, empty: empty, network: network, trialName: trialName, slots: slots,
    clock: clock, count: count };
}());
