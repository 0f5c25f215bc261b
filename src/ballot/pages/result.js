/* A listener's own result: in sentences, as marks, as a table, and as one picture to keep. */
var earwitnessResult = (function () {
  "use strict";
  var el = earwitness.el;
  var add = earwitness.add;
  var text = earwitness.text;
  var SPACE = "http://www.w3.org/2000/svg";
  var IN_A_ROW = 8;

  function sentences(own) {
    if (own.of === 0) { return [text("result.nothing")]; }
    var said = [text("result.score", { right: own.right, of: own.of })];
    if (own.finding) { said.push(earwitness.known("own." + own.finding, {}, own.sentences[0])); }
    else { said.push(own.sentences.join(" ")); }
    if (own.chance) { said.push(text("result.chance", own.chance)); }
    if (own.missing) { said.push(text("result.missing", { n: own.missing })); }
    if (own.absent) { said.push(text("result.absent", { n: own.absent })); }
    return said;
  }
  /* What the room's votes prove, as on its display. */
  function room(verdict, several) {
    var said = several ? [text("compared", { a: verdict.compared[0], b: verdict.compared[1] })] : [];
    said.push(verdict.preference ? verdict.sentence : earwitness.known("verdict." + verdict.finding, {}, verdict.sentence));
    if (verdict.score) {
      said.push(text("score.line", earwitness.rounded(verdict.score)) + (verdict.chance ? " " + text("score.chance", verdict.chance) : ""));
    }
    return said;
  }
  function kind(trial) {
    if (trial.control) { return "control"; }
    if (trial.answer === null) { return "none"; }
    return trial.right === null ? "voted" : trial.answer === trial.right ? "right" : "wrong";
  }
  function counted(trials) {
    var list = [];
    for (var i = 0; i < trials.length; i += 1) { if (!trials[i].practice) { list.push(trials[i]); } }
    return list;
  }
  /* What X was, where a letter or a number says it. */
  function letter(trial) { return trial.right && trial.right.length < 3 ? trial.right.toUpperCase() : ""; }

  function shaped(tag, values, words) {
    var node = document.createElementNS(SPACE, tag);
    for (var name in values) { node.setAttribute(name, values[name]); }
    if (words) { node.appendChild(document.createTextNode(words)); }
    return node;
  }
  /* One mark: a full disc is right, a ring is wrong, a dash no vote, a square a control. */
  function mark(what, x, y) {
    if (what === "control") { return shaped("rect", { x: x - 10, y: y - 10, width: 20, height: 20, "class": "ring" }); }
    if (what === "none") { return shaped("path", { d: "M" + (x - 9) + " " + y + "h18", "class": "ring" }); }
    return shaped("circle", { cx: x, cy: y, r: 12, "class": what === "wrong" ? "ring" : "disc" });
  }
  function marks(trials) {
    var list = counted(trials);
    var rows = Math.ceil(list.length / IN_A_ROW);
    var picture = shaped("svg", { viewBox: "0 0 320 " + (rows * 66), "class": "marks", role: "img" });
    var said = [];
    for (var i = 0; i < list.length; i += 1) {
      var x = 20 + 40 * (i % IN_A_ROW);
      var y = 26 + 66 * Math.floor(i / IN_A_ROW);
      var what = kind(list[i]);
      picture.appendChild(mark(what, x, y));
      picture.appendChild(shaped("text", { x: x, y: y + 32, "text-anchor": "middle" }, letter(list[i])));
      said.push(list[i].number + ": " + (what === "voted" ? list[i].answer : text("mark." + what)));
    }
    picture.setAttribute("aria-label", said.join(", "));
    return picture;
  }
  function legend() {
    var line = el("p", "legend");
    var all = ["right", "wrong", "none", "control"];
    for (var i = 0; i < all.length; i += 1) {
      var picture = shaped("svg", { viewBox: "0 0 32 32", "class": "key", "aria-hidden": "true" });
      picture.appendChild(mark(all[i], 16, 16));
      add(line, add(el("span"), picture, document.createTextNode(text("mark." + all[i]))));
    }
    return line;
  }
  function named(asked, name, english) {
    return name === null || !asked ? english : earwitness.choice(asked, { name: name, label: english });
  }
  function table(trials, asked) {
    var node = el("table");
    var head = el("tr");
    var titles = ["trials.number", "trials.said", "trials.was"];
    for (var i = 0; i < titles.length; i += 1) {
      var th = el("th", "", text(titles[i]));
      th.scope = "col";
      head.appendChild(th);
    }
    var body = el("tbody");
    var list = counted(trials);
    for (i = 0; i < list.length; i += 1) {
      var trial = list[i];
      add(body, add(el("tr"), el("td", "", (trial.control ? "\u25a1 " : "") + trial.number),
        el("td", "", trial.answer === null ? text("mark.none") : named(asked, trial.answer, trial.said)),
        el("td", "", named(asked, trial.right, trial.was))));
    }
    return add(node, add(el("thead"), head), body);
  }

  /* ---- one picture ---- */

  function wrapped(pen, words, x, y, width, step) {
    var line = "";
    var pieces = words.split(/(\s+|[\u3040-\u9fff])/);
    for (var i = 0; i < pieces.length; i += 1) {
      if (line && pen.measureText(line + pieces[i]).width > width) {
        pen.fillText(line, x, y);
        y += step;
        line = "";
      }
      line += pieces[i];
    }
    pen.fillText(line, x, y);
    return y + step;
  }
  function painted(shown) {
    var list = counted(shown.result.own.trials);
    var canvas = document.createElement("canvas");
    canvas.width = 1080;
    canvas.height = 1350 + 112 * Math.ceil(list.length / IN_A_ROW);
    var pen = canvas.getContext("2d");
    var serif = "Georgia, 'Noto Serif', 'DejaVu Serif', serif";
    pen.fillStyle = "#fbf7ef";
    pen.fillRect(0, 0, canvas.width, canvas.height);
    pen.fillStyle = "#17130f";
    pen.font = "44px " + serif;
    var y = wrapped(pen, shown.title, 80, 120, 920, 54);
    pen.font = "36px " + serif;
    pen.fillStyle = "#5d5345";
    y = wrapped(pen, text("who", { n: shown.seat, name: shown.alias }), 80, y + 6, 920, 46);
    var words = sentences(shown.result.own);
    pen.fillStyle = "#17130f";
    for (var i = 0; i < words.length; i += 1) {
      pen.font = (i ? "42px " : "104px ") + serif;
      y = wrapped(pen, words[i], 80, y + (i ? 12 : 120), 920, i ? 52 : 112) ;
    }
    pen.font = "34px " + serif;
    pen.textAlign = "center";
    for (i = 0; i < list.length; i += 1) {
      var x = 125 + 118 * (i % IN_A_ROW);
      if (i && i % IN_A_ROW === 0) { y += 112; }
      var what = kind(list[i]);
      pen.lineWidth = 7;
      pen.strokeStyle = pen.fillStyle = what === "control" ? "#8a7d68" : "#075d58";
      pen.beginPath();
      if (what === "control") { pen.rect(x - 26, y - 2, 52, 52); pen.stroke(); }
      else if (what === "none") { pen.moveTo(x - 26, y + 24); pen.lineTo(x + 26, y + 24); pen.stroke(); }
      else {
        pen.arc(x, y + 24, 29, 0, 2 * Math.PI);
        if (what === "wrong") { pen.stroke(); } else { pen.fill(); }
      }
      pen.fillStyle = "#17130f";
      pen.fillText(letter(list[i]), x, y + 92);
    }
    pen.textAlign = "left";
    pen.fillStyle = "#5d5345";
    pen.font = "28px " + serif;
    y = wrapped(pen, [earwitness.marks(shown), "Earwitness", shown.day || new Date().toISOString().slice(0, 10)]
      .filter(Boolean).join(" \u00b7 "), 80, y + 190, 920, 38);
    pen.font = "22px " + serif;
    y = wrapped(pen, shown.result.receipt.words, 80, y, 920, 30);
    /* As long as what stands on it. */
    var whole = document.createElement("canvas");
    whole.width = canvas.width;
    whole.height = Math.min(canvas.height, y + 50);
    whole.getContext("2d").drawImage(canvas, 0, 0);
    return whole;
  }
  function save(shown) {
    var link = el("a");
    link.download = "listening-night.png";
    link.href = painted(shown).toDataURL("image/png");
    document.body.appendChild(link);
    link.click();
    document.body.removeChild(link);
  }
  return { sentences: sentences, room: room, marks: marks, legend: legend, table: table, painted: painted, save: save };
}());
