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
  /* ---- texts, in the language that this browser asks for ---- */
  var language = 0;
  (function () {
    var wanted = navigator.languages || [navigator.language || "en"];
    for (var i = 0; i < wanted.length; i += 1) {
      var found = earwitnessTexts.languages.indexOf(String(wanted[i]).slice(0, 2).toLowerCase());
      if (found >= 0) { language = found; break; }
    }
    document.documentElement.lang = earwitnessTexts.languages[language];
  }());
  /* What people typed may run from right to left: it then turns nothing around it. */
  function isolated(value) {
    return /[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc]/.test(value) ? "\u2068" + value + "\u2069" : value;
  }
  function has(key) { return Object.prototype.hasOwnProperty.call(earwitnessTexts, key); }
  /* The text with this key; values stand for what is in braces. */
  function text(key, values) {
    var one = values && Number(values.n) === 1 && has(key + ".1") ? key + ".1" : key;
    if (!has(one)) { return key; }
    return earwitnessTexts[one][language].replace(/\{(\w+)\}/g, function (whole, name) {
      return values && values[name] !== undefined && values[name] !== null ? isolated(String(values[name])) : "";
    });
  }
  /* What the host's program says in English, in this language where the table has it. */
  function known(key, values, english) { return has(key) ? text(key, values) : english; }
  function question(asked) {
    return known("question." + asked.protocol, { attribute: asked.attribute }, asked.question);
  }
  function choice(asked, alternative) {
    return known("choice." + asked.protocol + "." + alternative.name, { attribute: asked.attribute }, alternative.label);
  }
  function refused(answer) {
    if (answer && answer.refused === "released") { return text("released", { n: answer.seat }); }
    return answer ? known("refused." + answer.refused, {}, answer.message) : text("offline.try");
  }
  function marks(state) {
    var said = [];
    if (state.silent) { said.push(text("mark.silent")); }
    if (state.invented) { said.push(text("mark.invented")); }
    return said.join(" \u00b7 ");
  }
  /* The page without script is in English; its fixed texts follow. */
  (function () {
    var fixed = document.querySelectorAll("[data-text]");
    for (var i = 0; i < fixed.length; i += 1) { fixed[i].textContent = text(fixed[i].getAttribute("data-text")); }
  }());
  function trialName(trial) {
    return text(trial.part === "main" ? "trial" : "warm-up", { n: trial.number, of: trial.of });
  }
  /* What is heard, and which of them now. */
  function slots(state) {
    var list = el("ol", "slots");
    var all = (state.ears || state.trial).slots;
    for (var i = 0; i < all.length; i += 1) {
      var on = state.now.kind === "playing" && state.now.slot === i;
      var next = state.now.kind === "gap" && state.now.slot === i;
      var item = el("li", on ? "on" : next ? "next" : "", all[i]);
      if (on) { item.setAttribute("aria-current", "true"); }
      list.appendChild(item);
    }
    return list;
  }
  /* What the room hears by name: a sentence for each slot, or one for all. */
  function heard(ears) {
    if (ears.told) { return text("ears.was", { slot: ears.told, name: ears[ears.told.toLowerCase()] }); }
    return ears.shown === "sides" ? text("ears.is", { slot: "A", name: ears.a }) + " \u00b7 " + text("ears.is", { slot: "B", name: ears.b })
      : text("ears." + ears.shown);
  }
  /* A score whose average is printed once, and to what is known of it. */
  function rounded(score) {
    return { right: score.right, of: score.of, low: score.low, high: score.high, expected: score.expected < 20 ? Math.round(10 * score.expected) / 10 : Math.round(score.expected) };
  }
  /* Seconds until something happens; null: nothing will. */
  function seconds(deadline) { return deadline === null ? null : Math.max(0, Math.ceil((deadline - Date.now()) / 1000)); }

  return { send: send, el: el, add: add, empty: empty, network: network, trialName: trialName, slots: slots, heard: heard,
    seconds: seconds, text: text, known: known, question: question, choice: choice, refused: refused, marks: marks,
    rounded: rounded };
}());
