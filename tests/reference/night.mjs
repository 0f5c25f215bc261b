// A whole club night in a browser: six phones at 360x640 and the room's display, on loopback, nothing else reachable.
//   node night.mjs PROGRAM SESSION [FOLDER-FOR-SCREENSHOTS]
// Needs chromium, and playwright-core 1.65.1 and axe-core 4.14.1 in EARWITNESS_NODE_MODULES.
import { spawn } from "node:child_process";
import { createRequire } from "node:module";
import { readFileSync } from "node:fs";
import path from "node:path";
import readline from "node:readline";

const modules = process.env.EARWITNESS_NODE_MODULES;
const require = createRequire(path.join(modules, "anything.js"));
const { chromium } = require("playwright-core");
const axeSource = readFileSync(path.join(modules, "axe-core", "axe.min.js"), "utf8");
const [program, session, pictures] = process.argv.slice(2);

const assert = (holds, what) => { if (!holds) { throw new Error(what); } };

// ---- the host ----
const host = spawn(program, ["night", session, "--plain", "--output", "silent", "--listen", "127.0.0.1:0",
  "--gap", "0.3", "--vote-time", "120"], { stdio: ["pipe", "pipe", "inherit"] });
const said = [];
const waiting = [];
readline.createInterface({ input: host.stdout }).on("line", (line) => {
  said.push(line);
  for (const wait of waiting.splice(0)) { wait(); }
});
let place = 0;
async function hear(beginning) {
  const until = Date.now() + 60000;
  for (;;) {
    while (place < said.length) {
      const line = said[place];
      place += 1;
      if (line.startsWith(beginning)) { return line.slice(beginning.length).trim(); }
    }
    assert(Date.now() < until, `the host never said ${beginning}: ${said.slice(-12).join(" | ")}`);
    await Promise.race([new Promise((resolve) => waiting.push(resolve)), new Promise((resolve) => setTimeout(resolve, 500))]);
  }
}
const say = (line) => host.stdin.write(`${line}\n`);

const join = await hear("join ");
const display = await hear("display ");
const origin = new URL(join).origin;
assert(new URL(join).hostname === "127.0.0.1", "loopback only");

// ---- the browser ----
const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-quic"],
});
const complaints = [];
// After the host's end nobody answers any more.
let over = false;
async function open(name, viewport, address) {
  const context = await browser.newContext({ viewport, bypassCSP: false });
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
async function audit(view, what) {
  // The rules are put in through the remote control, past the page's own policy, which forbids foreign script.
  await view.page.evaluate(axeSource);
  const found = await view.page.evaluate(() => window.axe.run(document, { resultTypes: ["violations"] }));
  for (const violation of found.violations) {
    complaints.push(`${view.name}, ${what}: ${violation.id}: ${violation.nodes.map((node) => node.html).join(" ; ")}`);
  }
  const wide = await view.page.evaluate(() => document.documentElement.scrollWidth - window.innerWidth);
  if (wide > 0) { complaints.push(`${view.name}, ${what}: ${wide} pixels too wide`); }
}
async function picture(view, what) {
  if (pictures) { await view.page.screenshot({ path: path.join(pictures, `${view.name}-${what}.png`) }); }
}

const room = await open("room", { width: 1280, height: 720 }, display);
await room.page.getByText("Take a seat").waitFor();
await audit(room, "joining");
await picture(room, "joining");

const names = ["Ida", "Ola", "<b>Eva</b> & Søn", "名無しの聴き手", "A very long name that just about fits in", "Pål"];
const phones = [];
for (const [index, name] of names.entries()) {
  const phone = await open(`phone${index + 1}`, { width: 360, height: 640 }, join);
  if (index === 0) { await audit(phone, "join page"); await picture(phone, "join"); }
  // The code comes from the address that the camera read.
  await phone.page.getByLabel("Code of the room").waitFor();
  assert((await phone.page.getByLabel("Code of the room").inputValue()).length === 6, "the code is filled in");
  await phone.page.getByLabel("The name you want").fill(name);
  if (index === 5) { await phone.page.getByLabel("Seat number").fill("20"); }
  await phone.page.getByRole("button", { name: "Take my seat" }).click();
  await phone.page.getByText("You are in").waitFor();
  const who = await phone.page.locator("#who").textContent();
  assert(who === `Seat ${index === 5 ? 20 : index + 1}, ${name}`, `names are text: ${who}`);
  phones.push(phone);
}
await audit(phones[4], "welcome");
await picture(phones[4], "welcome");
// A wrong code is said in words.
const stranger = await open("stranger", { width: 360, height: 640 }, `${origin}/`);
await stranger.page.getByLabel("Code of the room").fill("WRONG2");
await stranger.page.getByLabel("The name you want").fill("Nobody");
stranger.page.on("console", () => {});
await stranger.page.getByRole("button", { name: "Take my seat" }).click();
await stranger.page.getByText("not the room's code").waitFor();
await audit(stranger, "refused");
await stranger.context.close();
for (let i = complaints.length - 1; i >= 0; i -= 1) { if (/^stranger: .*403/.test(complaints[i])) { complaints.splice(i, 1); } }

say("next");
await hear("phase joining");
await phones[1].page.getByLabel("Add a phrase").fill("the lamp on the stairs");
await phones[1].page.getByRole("button", { name: "Add my phrase" }).click();
await phones[0].page.getByText("1 added so far").waitFor();
await audit(phones[1], "phrase");
say("next");
await hear("phase ready");

let trials = 0;
for (;;) {
  say("next");
  const phase = await hear("phase ");
  if (phase.startsWith("ready")) { continue; }
  assert(phase.startsWith("presenting"), phase);
  trials += 1;
  await phones[2].page.locator(".slots").waitFor();
  if (trials === 1) { await room.page.locator(".slots li.on").first().waitFor(); }
  if (trials === 1) {
    const disabled = await phones[2].page.getByRole("button", { name: "same as A" }).isDisabled();
    assert(disabled, "no vote before everything was heard");
    await audit(phones[2], "presenting");
    await picture(phones[2], "presenting");
    await audit(room, "presenting");
    await picture(room, "presenting");
  }
  await hear("phase voting");
  for (const [index, phone] of phones.entries()) {
    const button = phone.page.getByRole("button", { name: index % 2 ? "same as B" : "same as A" });
    await phone.page.locator("button.choice:not([disabled])").first().waitFor();
    await button.click();
    await phone.page.locator("main").getByText("Received:").waitFor();
  }
  await room.page.getByText("6 of 6 have voted").waitFor();
  // Nobody's vote is on the display.
  const shown = await room.page.evaluate(() => document.body.textContent);
  assert(!/Received/.test(shown), "the display shows no votes");
  if (trials === 1) {
    await audit(phones[0], "voting");
    await picture(phones[0], "voting");
    await audit(room, "voting");
    await picture(room, "voting");
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
    await phones[3].page.getByRole("button", { name: "I must leave early" }).click();
    await phones[3].page.getByRole("button", { name: "Yes, I leave" }).click();
    await phones[3].page.getByRole("button", { name: "Come back" }).waitFor();
    await audit(phones[3], "left");
    await phones[3].page.getByRole("button", { name: "Come back" }).click();
    await phones[3].page.locator("main").getByText("Received: same as B").waitFor();
  }
  say("close");
  const after = await hear("phase ");
  if (after.startsWith("counting")) { break; }
  if (trials === 2) {
    say("break");
    await hear("phase a break");
    await phones[5].page.getByText("Rest your ears").waitFor();
    await audit(phones[5], "break");
    say("next");
    await hear("phase ready");
  }
}
assert(trials === 4, `a practice trial, two counted ones and a control: ${trials}`);
await phones[0].page.getByText("All trials are over").waitFor();
await audit(phones[0], "counting");
say("paper 30 Paper Pia");
await hear("seat 30: Paper Pia");
say("30 a b a");
say("next");
await hear("the seal is open");
for (const phone of phones) {
  await phone.page.getByRole("heading", { name: "Your result" }).waitFor();
  const text = await phone.page.evaluate(() => document.body.textContent);
  assert(/of 2 right/.test(text), `a plain sentence: ${text.slice(0, 400)}`);
  assert(/Luck makes winners too/.test(text), "the podium says how much is luck");
}
await audit(phones[0], "result");
await picture(phones[0], "result");
if (pictures) { await phones[0].page.screenshot({ path: path.join(pictures, "phone1-result-whole.png"), fullPage: true }); }
await room.page.getByRole("heading", { name: "The podium" }).waitFor();
await audit(room, "result");
await picture(room, "result");
const published = await phones[0].page.evaluate(async () => (await fetch("/journal")).text());
assert(published.trim().split("\n").length > 30, "the journal can be read");

// The host's program ends: everybody keeps what the page shows, and is told so.
over = true;
const ended = new Promise((resolve) => host.on("exit", resolve));
say("quit");
const status = await ended;
assert(status === 0, `the host ended with ${status}`);
await phones[0].page.getByText("The host has gone").waitFor();
const kept = await phones[0].page.evaluate(() => document.getElementById("main").textContent);
assert(/Your result/.test(kept) && /of 2 right/.test(kept), `the result stays: ${kept.slice(0, 400)}`);
await audit(phones[0], "host gone");
await picture(phones[0], "host-gone");
assert(await room.page.getByRole("heading", { name: "The podium" }).isVisible(), "the podium stays on the display");
await audit(room, "host gone");
await picture(room, "host-gone");
await browser.close();
if (complaints.length > 0) {
  console.error(complaints.join("\n"));
  process.exit(1);
}
console.log("night in a browser: all held");
