// A whole club night in a browser: six phones at 320 to 390 px, a tablet and the room's display, on loopback, nothing else reachable.
//   node night.mjs PROGRAM SESSION [FOLDER-FOR-SCREENSHOTS]
// Needs Chromium (chromium.mjs), and what package.json lists in EARWITNESS_NODE_MODULES.
import { spawn, spawnSync } from "node:child_process";
import { readFileSync, writeFileSync } from "node:fs";
import path from "node:path";
import readline from "node:readline";

import { chromium } from "./chromium.mjs";

const [program, session, pictures] = process.argv.slice(2);

const texts = JSON.parse(readFileSync(new URL("../../src/ballot/pages/texts.json", import.meta.url), "utf8"));
const assert = (holds, what) => { if (!holds) { throw new Error(what); } };

// How long anything may take on a machine that has much else to do.
const PATIENCE = 120000;
const pause = (ms) => new Promise((resolve) => setTimeout(resolve, ms));

// ---- the host ----
const host = spawn(program, ["night", session, "--plain", "--output", "silent", "--listen", "127.0.0.1:0",
  "--gap", "0.3", "--vote-time", "600", "--tables", "2"], { stdio: ["pipe", "pipe", "inherit"] });
const said = [];
const waiting = [];
readline.createInterface({ input: host.stdout }).on("line", (line) => {
  said.push(line);
  for (const wait of waiting.splice(0)) { wait(); }
});
let place = 0;
async function hear(beginning) {
  const until = Date.now() + PATIENCE;
  for (;;) {
    while (place < said.length) {
      const line = said[place];
      place += 1;
      if (line.startsWith(beginning)) { return line.slice(beginning.length).trim(); }
    }
    assert(Date.now() < until, `the host never said ${beginning}: ${said.slice(-12).join(" | ")}`);
    await Promise.race([new Promise((resolve) => waiting.push(resolve)), pause(500)]);
  }
}
const say = (line) => host.stdin.write(`${line}\n`);

const join = await hear("join ");
const display = await hear("display ");
const origin = new URL(join).origin;
assert(new URL(join).hostname === "127.0.0.1", "loopback only");

// ---- the browser ----
const { browser, axe: axeSource } = await chromium(process.env.EARWITNESS_NODE_MODULES);
const complaints = [];
// After the host's end nobody answers any more.
let over = false;
async function open(name, viewport, address, locale = "en-GB", colorScheme = "dark") {
  const context = await browser.newContext({ viewport, locale, colorScheme, bypassCSP: false });
  context.setDefaultTimeout(PATIENCE);
  const page = await context.newPage();
  page.on("request", (request) => {
    if (!request.url().startsWith(`${origin}/`)) { complaints.push(`${name} asked ${request.url()}`); }
  });
  page.on("console", (message) => {
    // A phone that has not joined is told 401, and one that is offline cannot connect: both are part of the evening.
    if (message.type() === "error" && !/401|ERR_INTERNET_DISCONNECTED|409/.test(message.text())
      && !(over && /ERR_CONNECTION_REFUSED|ERR_CONNECTION_RESET|ERR_EMPTY_RESPONSE/.test(message.text()))) {
      complaints.push(`${name}: ${message.text()}`);
    }
  });
  page.on("pageerror", (error) => complaints.push(`${name}: ${error.message}`));
  await page.goto(address);
  return { name, context, page };
}
// As somebody reads who has set the letters half as large again.
const large = (view) => view.page.evaluate(() => { document.documentElement.style.fontSize = "150%"; });
async function audit(view, what, rules = null) {
  // The rules are put in through the remote control, past the page's own policy, which forbids foreign script; once into each
  // document, since reading them takes as long as following them.
  if (!await view.page.evaluate(() => "axe" in window)) { await view.page.evaluate(axeSource); }
  const found = await view.page.evaluate((only) => window.axe.run(document,
    { resultTypes: ["violations"], ...(only ? { runOnly: only } : {}) }), rules);
  for (const violation of found.violations) {
    complaints.push(`${view.name}, ${what}: ${violation.id}: ${violation.nodes.map((node) => node.html).join(" ; ")}`);
  }
  const wide = await view.page.evaluate(() => document.documentElement.scrollWidth - window.innerWidth);
  if (wide > 0) { complaints.push(`${view.name}, ${what}: ${wide} pixels too wide`); }
}
// The room's display is read from 8 m on a picture 2 m wide: capitals of what matters subtend at least 20 minutes of arc
// (the size that common practice asks of projected text, no source; 20/20 vision resolves letters of 5, Snellen 1862).
// Sizes are those of the fonts that were really used. Nothing that can be read is cut.
const SIZES = [[1920, 1080], [3840, 2160], [1024, 768], [1280, 720]];
async function legible(view, what) {
  for (const [width, height] of SIZES) {
    await view.page.setViewportSize({ width, height });
    const found = await view.page.evaluate(async () => {
      await new Promise((resolve) => requestAnimationFrame(() => requestAnimationFrame(resolve)));
      const pen = document.createElement("canvas").getContext("2d");
      const small = [];
      const cut = [];
      const main = document.getElementById("main");
      const all = main.querySelectorAll(".matter, .say, .large, .huge, .clock, .unit, .code, .address, .label, td, .slots li");
      for (const node of all) {
        const style = getComputedStyle(node);
        const scale = node.ownerSVGElement ? node.getScreenCTM().a : 1;
        pen.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
        const capital = pen.measureText("H").actualBoundingBoxAscent * scale;
        const minutes = Math.atan(capital / innerWidth * 2 / 8) * 180 / Math.PI * 60;
        if (node.textContent.trim() && node.getClientRects().length && minutes < 20) {
          small.push(`${minutes.toFixed(1)}' ${node.textContent}`);
        }
      }
      for (const node of document.querySelectorAll("#main *, #foot, #where, #corner")) {
        const box = node.getBoundingClientRect();
        if (box.width && (box.left < -1 || box.top < -1 || box.right > innerWidth + 1 || box.bottom > innerHeight + 1)) {
          cut.push(`${node.tagName} ${node.textContent.slice(0, 40)}`);
        }
        // What ends in dots is cut, too.
        if (getComputedStyle(node).overflowX !== "visible" && node.scrollWidth > node.clientWidth + 1) {
          cut.push(`${node.tagName} by ${node.scrollWidth - node.clientWidth} px: ${node.textContent.slice(0, 40)}`);
        }
      }
      if (main.scrollHeight > main.clientHeight + 1) { cut.push(`main by ${main.scrollHeight - main.clientHeight} px`); }
      return { small, cut, read: all.length };
    });
    if (!found.read) { complaints.push(`${what} at ${width}x${height}: nothing matters`); }
    for (const line of found.small) { complaints.push(`${what} at ${width}x${height}: too small: ${line}`); }
    for (const line of found.cut) { complaints.push(`${what} at ${width}x${height}: cut: ${line}`); }
    for (const room of pictures ? ["dark", "light"] : []) {
      await view.page.emulateMedia({ colorScheme: room });
      await view.page.screenshot({ path: path.join(pictures, `${view.name}-${what}-${width}-${room}.png`) });
    }
  }
  if (pictures) { await view.page.emulateMedia({ colorScheme: "dark" }); }
}
// The display in a light room: the same colours' contrast.
async function light(view, what) {
  await view.page.emulateMedia({ colorScheme: "light" });
  await audit(view, `${what}, light`, ["color-contrast"]);
  await picture(view, `${what}-light`);
  await view.page.emulateMedia({ colorScheme: "dark" });
}
// The whole page from right to left, as a language of that direction would turn it: nothing overflows or overlaps.
async function mirrored(view, what) {
  await view.page.evaluate(() => { document.documentElement.dir = "rtl"; });
  await audit(view, `${what}, from right to left`, ["color-contrast"]);
  const over = await view.page.evaluate(() => [...document.querySelectorAll("body *")].filter((node) => {
    const box = node.getBoundingClientRect();
    return box.width && (box.left < -1 || box.right > innerWidth + 1);
  }).map((node) => `${node.tagName} ${node.textContent.slice(0, 30)}`));
  for (const line of over) { complaints.push(`${view.name}, ${what}, from right to left: cut: ${line}`); }
  await picture(view, `${what}-mirrored`);
  await view.page.evaluate(() => { document.documentElement.dir = ""; });
}
async function picture(view, what) {
  if (pictures) { await view.page.screenshot({ path: path.join(pictures, `${view.name}-${what}.png`) }); }
}

// Holds the answer to what this phone asks next; the function that is given lets it go.
async function held(view) {
  let release;
  const free = new Promise((resolve) => { release = resolve; });
  const asked = new Promise((resolve) => {
    view.page.route(`${origin}/state`, async (route) => {
      const response = await route.fetch();
      resolve();
      await free;
      await route.fulfill({ response });
    }, { times: 1 });
  });
  await view.page.evaluate(() => window.dispatchEvent(new Event("focus")));
  await asked;
  return release;
}

const room = await open("room", { width: 1280, height: 720 }, display);
await room.page.getByText("Point your phone's camera").waitFor();
await room.page.getByText("The invented circle").waitFor();
await room.page.waitForFunction(() => document.querySelector(".club img")?.naturalWidth === 16);
await audit(room, "joining");
await light(room, "joining");
await legible(room, "joining");
await picture(room, "joining");

// The second name runs from right to left; the fourth to sixth are as long as names may be, the sixth in one word.
const names = ["Ida", "نورا السامعة", "<b>Eva</b> & Søn", "名無しの聴き手".repeat(6).slice(0, 40), "A very long name that just about fits in",
  "Kabelvergleichsabendgastgeberinnenverein", "Señora Wenzel"];
const phones = [];
for (const [index, name] of names.entries()) {
  // The fourth reads Japanese, the sixth is a small phone that reads German in large letters, the seventh a tablet.
  const [width, height] = [[390, 844], [360, 640], [360, 640], [390, 844], [360, 640], [320, 640], [820, 1180]][index];
  const phone = await open(index === 6 ? "tablet" : `phone${index + 1}`, { width, height }, join,
    ["en-GB", "en-GB", "en-GB", "ja-JP", "fr-FR", "de-DE", "es-ES"][index], index === 0 || index === 5 ? "light" : "dark");
  const words = ["en", "en", "en", "ja", "fr", "de", "es"].map((name) => texts.languages.indexOf(name));
  phone.say = (key, values = {}) => texts[key][words[index]].replace(/\{(\w+)\}/g, (whole, name) => values[name] ?? whole);
  if (index === 5) { await large(phone); }
  if (index === 0) { await audit(phone, "join page"); await picture(phone, "join"); }
  // The code comes from the address that the camera read.
  await phone.page.getByLabel(phone.say("join.code")).waitFor();
  assert((await phone.page.getByLabel(phone.say("join.code")).inputValue()).length === 6, "the code is filled in");
  await phone.page.getByLabel(phone.say("join.name")).fill(name);
  await phone.page.getByLabel(phone.say("join.table")).fill(String(1 + index % 2));
  if (index === 5) { await phone.page.getByLabel(phone.say("join.seat")).fill("20"); }
  // One asked how things stand before it joined, and is told so afterwards.
  const earlier = index === 2 ? await held(phone) : null;
  const joined = phone.page.waitForResponse(`${origin}/join`);
  await phone.page.getByRole("button", { name: phone.say("join.go") }).click();
  await joined;
  if (earlier) {
    await pause(300);
    earlier();
  }
  await phone.page.getByText(phone.say("in")).waitFor();
  const who = (await phone.page.locator("#who").textContent()).replace(/[\u2068\u2069]/g, "");
  // A name of the other direction turns nothing around it: the line begins at the left with the seat.
  const lefts = await phone.page.evaluate(() => {
    const text = document.getElementById("who").firstChild;
    return Array.from({ length: text.length }, (_, at) => {
      const range = document.createRange();
      range.setStart(text, at);
      range.setEnd(text, at + 1);
      return range.getBoundingClientRect();
    }).filter((box) => box.width > 0).map((box) => box.left);
  });
  assert(lefts[0] === Math.min(...lefts), `the line begins at the left: ${who}`);
  const cut = await phone.page.evaluate(() => {
    const line = document.getElementById("who");
    return line.scrollWidth > line.clientWidth + 1 || line.getBoundingClientRect().right > innerWidth + 1;
  });
  assert(!cut, `nothing of the line is cut: ${who}`);
  assert(who === phone.say("who", { n: index === 5 ? 20 : Math.min(index + 1, 6), name }), `names are text: ${who}`);
  phones.push(phone);
}
const tablet = phones[6];
// A tablet is turned in the hand: both ways round.
async function turned(what) {
  await audit(tablet, what);
  await picture(tablet, what);
  await tablet.page.setViewportSize({ width: 1180, height: 820 });
  // Only its width can be another matter then.
  await audit(tablet, `${what}, on its side`, ["color-contrast"]);
  await picture(tablet, `${what}-side`);
  await tablet.page.setViewportSize({ width: 820, height: 1180 });
}
await turned("welcome");
await audit(phones[4], "welcome");
await audit(phones[5], "welcome in large letters");
await picture(phones[4], "welcome");
await picture(phones[5], "welcome");
// A wrong code is said in words.
const stranger = await open("stranger", { width: 360, height: 640 }, `${origin}/`);
await stranger.page.getByLabel("Code of the room").fill("WRONG2");
await stranger.page.getByLabel("The name you want").fill("Nobody");
await stranger.page.getByLabel("The number of your table").fill("1");
stranger.page.on("console", () => {});
await stranger.page.getByRole("button", { name: "Take my seat" }).click();
await stranger.page.getByText("not the room's code").waitFor();
await audit(stranger, "refused");
await stranger.context.close();
for (let i = complaints.length - 1; i >= 0; i -= 1) { if (/^stranger: .*403/.test(complaints[i])) { complaints.splice(i, 1); } }

say("next");
await hear("phase joining");
await phones[1].page.getByLabel("Add any words").fill("the lamp on the stairs");
await phones[1].page.getByRole("button", { name: "Add my words" }).click();
await phones[0].page.getByText("1 added so far").waitFor();
await audit(phones[1], "typed-hand");
// Open ears: A and B by name, a step in level, a practice that is told; every page says that it is no part of the test.
say("ears");
await hear("phase open ears");
for (const [step, words] of [["sides", "A is bell"], ["level-step", "1 dB softer"], ["practice", "the last one A or B"], ["told", "It was"]]) {
  if (step !== "sides") { say("next"); }
  await room.page.getByText(words).waitFor();
  await room.page.getByText("Open ears: not part of the test").waitFor();
  await phones[5].page.getByText(phones[5].say("ears.phone")).waitFor();
  await legible(room, `ears-${step}`);
  await picture(room, `ears-${step}`);
  if (step === "sides") {
    await audit(room, "ears");
    await audit(phones[5], "ears");
    await turned("ears");
    await light(room, "ears");
    await picture(phones[5], "ears");
  }
  if (step === "practice") { await room.page.waitForFunction(() => !document.querySelector("#main .huge")); }
}
say("next");
await hear("phase joining");
say("next");
await hear("phase ready");
await room.page.getByText("You will hear A, B, X").waitFor();
await audit(room, "ready");
await turned("ready");
await light(room, "ready");
await picture(phones[0], "ready");
await legible(room, "ready");
await picture(room, "ready");

let trials = 0;
// Until votes are taken. A machine that stands still for half a second makes a hole in the sound, and whatever was on is void:
// how often that was.
async function heard() {
  for (let disturbed = 0; ; ) {
    const phase = await hear("phase ");
    if (phase.startsWith("voting")) {
      // The last of the sound still fades, and a hole in that counts too.
      await pause(1500);
      if (!said.slice(place).some((line) => line.startsWith("phase "))) { return disturbed; }
    } else if (!phase.startsWith("presenting")) {
      disturbed += 1;
      say("next");
    }
  }
}
// The phone that slept opened the trial after all, since that was disturbed and came again.
let woken = false;
for (;;) {
  // A phone sleeps when a trial begins: the room sees who is waited for, and the trial begins without it.
  const asleep = trials === 3;
  if (asleep) { await phones[1].context.setOffline(true); }
  say("next");
  if (asleep) {
    // Shown as long as the room waits for it: five seconds.
    await Promise.all([room, phones[0]].map((view) => view.page.getByText("6 of 7 phones have opened this trial").waitFor()));
    await audit(room, "opening");
    await legible(room, "opening");
    await picture(room, "opening");
    await audit(phones[0], "opening");
    await picture(phones[0], "opening");
    await hear("1 phone did not open the trial in time");
    await phones[1].context.setOffline(false);
  }
  const phase = await hear("phase ");
  if (phase.startsWith("ready")) { continue; }
  assert(phase.startsWith("presenting"), phase);
  trials += 1;
  if (trials === 1) {
    // What is there as long as the sound only.
    const vote = phones[2].page.getByRole("button", { name: "same as A" });
    const [disabled] = await Promise.all([vote.isDisabled(), room.page.getByText("You hear", { exact: true }).waitFor()]);
    assert(disabled, "no vote before everything was heard");
    await legible(room, "presenting");
    await audit(phones[2], "presenting");
    await picture(phones[2], "presenting");
    await turned("presenting");
    await audit(room, "presenting");
    await light(room, "presenting");
    await picture(room, "presenting");
  }
  if (trials === 2) {
    // The computer stands still in the middle of sound: everybody is told, and it is played again. A stop may fall between two
    // sounds; the next one does not.
    await pause(600);
    while (!said.slice(place).some((line) => line.startsWith("phase "))) {
      host.kill("SIGSTOP");
      await pause(1000);
      host.kill("SIGCONT");
      await pause(400);
    }
    await Promise.all([room, phones[0]].map((view) => view.page.getByText(texts["again.dropout"][0]).waitFor()));
    await legible(room, "dropped-out");
  }
  const disturbed = await heard();
  assert(trials !== 2 || disturbed > 0, "a hole in the sound makes the trial void");
  woken ||= asleep && disturbed > 0;
  for (const [index, phone] of phones.entries()) {
    const button = phone.page.getByRole("button", { name: phone.say(index % 2 ? "choice.abx.b" : "choice.abx.a") });
    await phone.page.locator("button.choice:not([disabled])").first().waitFor();
    await button.click();
    await phone.page.locator("main .received").waitFor();
  }
  await room.page.getByText("7 of 7 have voted").waitFor();
  // Nobody's vote is on the display.
  const shown = await room.page.evaluate(() => document.body.textContent);
  assert(!/Received/.test(shown), "the display shows no votes");
  if (trials === 1) {
    await audit(phones[0], "voting");
    await picture(phones[0], "voting");
    await turned("voting");
    await audit(room, "voting");
    await light(room, "voting");
    await legible(room, "voting");
    await picture(room, "voting");
    const sizes = await room.page.evaluate(() => ["#clock", "h1", "#votes"].map((name) =>
      parseFloat(getComputedStyle(document.querySelector(name)).fontSize)));
    assert(sizes[0] > sizes[1] && sizes[0] > sizes[2], `the countdown is the largest: ${sizes}`);
    await audit(phones[5], "voting in large letters");
    await picture(phones[5], "voting");
    await mirrored(phones[5], "voting");
    // What was asked before a vote and is answered after it takes no vote back, and the vote can be changed at once.
    const three = phones[2];
    for (const label of ["same as B", "same as A"]) {
      const earlier = await held(three);
      await three.page.getByRole("button", { name: label }).click();
      await three.page.locator("main").getByText(`Received: ${label}`).waitFor();
      earlier();
    }
    await pause(300);
    assert(await three.page.locator("main").getByText("Received: same as A").isVisible(), "the vote that came last stands");
    // A vote is changed, and the page is loaded again: the changed one is there.
    await phones[0].page.getByRole("button", { name: "same as B" }).click();
    await phones[0].page.locator("main").getByText("Received: same as B").waitFor();
    await phones[0].page.reload();
    await phones[0].page.locator("main").getByText("Received: same as B").waitFor();
    const pressed = await phones[0].page.getByRole("button", { name: "same as B" }).getAttribute("aria-pressed");
    assert(pressed === "true", "the button shows the vote");
  }
  if (trials === 2) {
    // The network goes, the listener taps, the network comes back: the vote arrives, once.
    await phones[1].context.setOffline(true);
    await phones[1].page.getByRole("button", { name: "same as A" }).click();
    await phones[1].page.getByText("No connection").waitFor();
    await audit(phones[1], "offline");
    await picture(phones[1], "offline");
    await phones[1].context.setOffline(false);
    await phones[1].page.locator("main").getByText("Received: same as A").waitFor();
    await phones[1].page.locator("#network.on").waitFor({ state: "hidden" });
  }
  if (trials === 3) {
    // A listener leaves by mistake and comes back.
    const four = phones[3];
    assert(!await four.page.locator("#leave").isVisible(), "leaving is away from the answers");
    await four.page.locator("summary").click();
    await four.page.getByRole("button", { name: four.say("leave") }).click();
    await four.page.getByRole("button", { name: four.say("leave.yes") }).click();
    await four.page.getByRole("button", { name: four.say("left.back") }).waitFor();
    await audit(four, "left");
    await four.page.getByRole("button", { name: four.say("left.back") }).click();
    await four.page.locator("main .received").getByText(four.say("choice.abx.b")).waitFor();
    // The host voids the trial: everybody is told, and it is played again.
    say("void a tram passed");
    await hear("phase ready");
    await phones[0].page.getByText("This trial was disturbed. We play it again.").waitFor();
    await room.page.getByText("This trial was disturbed. We play it again.").waitFor();
    await legible(room, "again");
    await picture(room, "again");
    say("next");
    await heard();
    for (const phone of phones) {
      await phone.page.locator("button.choice:not([disabled])").first().click();
      await phone.page.locator("main .received").waitFor();
    }
  }
  say("close");
  const after = await hear("phase ");
  if (after.startsWith("counting")) { break; }
  if (trials === 2) {
    say("break");
    await hear("phase a break");
    await phones[5].page.getByText(phones[5].say("break.rest")).waitFor();
    await room.page.getByText("Rest your ears").waitFor();
    await turned("break");
    await audit(room, "break");
    await light(room, "break");
    await picture(phones[5], "break");
    await legible(room, "break");
    await audit(phones[5], "break");
    say("next");
    await hear("phase ready");
  }
}
assert(trials === 4, `a practice trial, two counted ones and a control: ${trials}`);
await phones[0].page.getByText("All trials are over").waitFor();
await room.page.getByText("All trials are over").waitFor();
await audit(phones[0], "counting");
await turned("counting");
await audit(room, "counting");
await legible(room, "counting");
say("paper 30 Paper Pia @2");
await hear("seat 30: Paper Pia");
say("30 a b a");
say("next");
await hear("the seal is open");
// The reveal, step by step; phones know no more than the room.
await phones[0].page.getByRole("heading", { name: "The reveal" }).waitFor();
const steps = Number((await hear("reveal 1 of ")));
const seen = [];
for (let step = 1; step <= steps; step += 1) {
  if (step > 1) { say("next"); await hear(`reveal ${step} of `); }
  await room.page.waitForFunction((at) => document.getElementById("main").dataset.step === String(at), step - 1);
  const kind = await room.page.evaluate(() => document.getElementById("main").dataset.kind);
  const first = !seen.includes(kind);
  seen.push(kind);
  if (first) {
    await audit(room, `reveal ${kind}`);
    await light(room, `reveal-${kind}`);
    await legible(room, `reveal-${kind}`);
    await picture(room, `reveal-${kind}`);
  }
  if (kind === "trial") {
    await phones[0].page.waitForFunction((count) => document.querySelectorAll("svg.marks text").length === count,
      seen.filter((other) => other === "trial").length);
    assert(!(await phones[0].page.evaluate(() => document.body.textContent)).includes("Your result"), "not yet");
    if (first) { await audit(phones[0], "reveal"); await picture(phones[0], "reveal"); await turned("reveal"); }
  }
}
assert(seen.join() === "question,trial,trial,trial,score,verdict,tables,highest,thanks", seen.join());
say("back");
await room.page.getByRole("heading", { name: "Highest scores" }).waitFor();
for (const phone of phones) {
  await phone.page.getByRole("heading", { name: phone.say("result"), exact: true }).waitFor();
  const text = await phone.page.evaluate(() => document.body.textContent);
  assert(/ 2 /.test(text) && text.includes(phone.say("trials.yours")), `a plain sentence: ${text.slice(0, 400)}`);
  assert(/Chance makes high scores too/.test(text), "the highest scores say how much is chance");
}
await audit(phones[5], "result in large letters");
await mirrored(phones[5], "result");
await turned("result");
await picture(phones[5], "result");
// The result as one picture to keep.
const download = phones[0].page.waitForEvent("download");
await phones[0].page.getByRole("button", { name: "Save as a picture" }).click();
const saved = await (await download).path();
const bytes = readFileSync(saved);
assert(bytes.length > 10000 && bytes.subarray(1, 4).toString() === "PNG", "a picture was saved");
if (pictures) { writeFileSync(path.join(pictures, "saved.png"), bytes); }
await audit(phones[0], "result");
await picture(phones[0], "result");
if (pictures) { await phones[0].page.screenshot({ path: path.join(pictures, "phone1-result-whole.png"), fullPage: true }); }
const published = await phones[0].page.evaluate(async () => (await fetch("/journal")).text());
assert(published.trim().split("\n").length > 30, "the journal can be read");

// What each phone kept is a file that anybody can hold against the journal.
await phones[0].page.locator("summary").getByText("Receipts: check it yourself").click();
await audit(phones[0], "receipts");
await picture(phones[0], "receipts");
const attempts = said.filter((line) => line.startsWith("phase presenting")).length;
const copyDownload = phones[0].page.waitForEvent("download");
await phones[0].page.getByText("Save what this phone kept").click();
const copy = await (await copyDownload).path();
assert(JSON.parse(readFileSync(copy, "utf8")).opened.length === attempts, `a link for each of ${attempts} attempts`);
const sleeperDownload = phones[1].page.waitForEvent("download");
await phones[1].page.locator("summary").getByText("Receipts: check it yourself").click();
await phones[1].page.getByText("Save what this phone kept").click();
const sleepers = await (await sleeperDownload).path();

// The host's program ends: everybody keeps what the page shows, and is told so.
over = true;
const ended = new Promise((resolve) => host.on("exit", resolve));
say("quit");
const status = await ended;
assert(status === 0, `the host ended with ${status}`);
const verified = spawnSync(program, ["verify", session, "--witness", copy, "--witness", sleepers], { encoding: "utf8" });
assert(verified.status === 0, `${verified.stdout}${verified.stderr}`);
assert(verified.stdout.includes("3 of 3 trials witnessed by Ida") && verified.stdout.includes(`${woken ? 3 : 2} of 3 trials witnessed by`), verified.stdout);
await phones[0].page.getByText("The host has gone").waitFor();
const kept = await phones[0].page.evaluate(() => document.getElementById("main").textContent);
assert(/Your result/.test(kept) && /of 2 right/.test(kept), `the result stays: ${kept.slice(0, 400)}`);
await audit(phones[0], "host gone");
await turned("host gone");
await picture(phones[0], "host-gone");
assert(await room.page.getByRole("heading", { name: "Highest scores" }).isVisible(), "the display stays");
// The page left and found again in the browser's history, with nobody there to ask: the result is kept on the phone.
await phones[1].page.goto("about:blank");
await phones[1].page.goBack();
await phones[1].page.getByRole("heading", { name: "Your result" }).waitFor();
await audit(phones[1], "kept");
await picture(phones[1], "kept");
await audit(room, "host gone");
await picture(room, "host-gone");
await browser.close();
if (complaints.length > 0) {
  console.error(complaints.join("\n"));
  process.exit(1);
}
console.log("night in a browser: all held");
