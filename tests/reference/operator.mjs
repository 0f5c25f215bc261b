// Chromium as the operator of real cables through a whole sitting: labels, taps, a reload, and a sleep that voids a trial.
//   node operator.mjs PROGRAM FOLDER [FOLDER-FOR-SCREENSHOTS]
// Needs Chromium (chromium.mjs), and what package.json lists in EARWITNESS_NODE_MODULES.
import { spawn } from "node:child_process";
import { readFileSync, readdirSync } from "node:fs";
import path from "node:path";

import { chromium } from "./chromium.mjs";

const [program, folder, pictures] = process.argv.slice(2);
const assert = (holds, what) => { if (!holds) { throw new Error(what); } };
const soon = (ms) => new Promise((resolve) => setTimeout(resolve, ms));
const child = spawn(program, ["run", folder, "--listener", "Ida", "--output", "silent", "--simulate", "1", "--operator", "127.0.0.1:0", "--new"],
  { stdio: ["ignore", "pipe", "pipe"] });
let said = "";
const ended = new Promise((resolve) => child.on("exit", (code) => resolve(code)));
for (const stream of [child.stdout, child.stderr]) { stream.on("data", (data) => { said += data; }); }
async function until(what, holds, patience = 30000) {
  const end = Date.now() + patience;
  for (;;) {
    const found = await holds();
    if (found) { return found; }
    assert(Date.now() < end, `never: ${what}\n${said}`);
    await soon(15);
  }
}
const address = await until("an address", () => (said.match(/operator: open (\S+)\n/) ?? [])[1]);
const { browser, axe: axeSource } = await chromium(process.env.EARWITNESS_NODE_MODULES);
const complaints = [];
async function open() {
  const context = await browser.newContext({ viewport: { width: 360, height: 740 } });
  const page = await context.newPage();
  page.on("request", (request) => {
    const url = new URL(request.url());
    if (url.origin !== new URL(address).origin) { complaints.push(`asked ${url}`); }
    if (request.url().includes(address.split("#")[1])) { complaints.push("sent the code"); }
  });
  page.on("pageerror", (error) => complaints.push(String(error)));
  await page.goto(address);
  return page;
}
const take = async (page, name) => { if (pictures) { await page.screenshot({ path: path.join(pictures, `operator-${name}.png`) }); } };
const page = await open();
const head = () => page.locator("h1").textContent({ timeout: 3000 }).catch(() => "");
await until("the labels", async () => (await head()) === "Label the cables");
await take(page, "label");
// A second page with the same code, such as the listener's, is turned away.
const other = await open();
await until("another page is turned away", async () => /another page is the operator/.test(await other.locator("main").textContent()));
await take(other, "turned-away");
await other.context().close();
const seen = [];
let slept = false;
let pictured = new Set();
async function audit(what) {
  const axe = await page.evaluate(axeSource + "; axe.run(document, { resultTypes: ['violations'] })").catch((error) => ({ error: String(error) }));
  assert(axe.violations && axe.violations.length === 0, `accessibility of ${what}: ${JSON.stringify(axe.error ?? axe.violations.map((one) => one.id))}`);
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  assert(wide === 0, `the page is ${wide} px too wide`);
  // On a small phone, upright and on its side, caution and button are seen without scrolling.
  const before = page.viewportSize();
  for (const [width, height] of [[320, 568], [568, 320]]) {
    await page.setViewportSize({ width, height });
    const below = await page.evaluate(() => document.documentElement.scrollHeight - document.documentElement.clientHeight);
    const caution = await page.locator(".caution").boundingBox();
    assert(below === 0 && caution.y + caution.height <= height, `${what} at ${width} x ${height}: ${below} px below the edge`);
    await take(page, `${what.replace(/ /g, "-")}-${width}`);
  }
  await page.setViewportSize(before);
}
await audit("the labels");
await page.click("#done");
await until("the end", async () => {
  // What is read and what is pressed are one moment of the page.
  const sleeps = !slept && seen.filter((one) => one.startsWith("Connect")).length === 2;
  const found = await page.evaluate((press) => {
    const [button, giant] = ["#done", ".giant"].map((one) => document.querySelector(one));
    const there = Boolean(button) && !button.disabled && button.getClientRects().length > 0;
    const state = { now: document.querySelector("h1")?.textContent ?? "", giant: giant?.textContent ?? "", there };
    if (there && (press || state.now !== "Connect")) { button.click(); }
    return state;
  }, !sleeps).catch(() => ({ now: "", giant: "", there: false }));
  if (found.now === "It is over" || child.exitCode !== null) { return true; }
  if (!found.there) { return false; }
  // The phone falls asleep once, in the middle of a presentation; the trial is void and comes again.
  if (sleeps && found.now === "Connect") {
    slept = true;
    await audit("a step");
    await soon(4000);
    await page.reload();
    return false;
  }
  if (!pictured.has(found.now)) { pictured.add(found.now); await take(page, found.now.toLowerCase()); }
  seen.push(`${found.now}${found.now === "Connect" ? found.giant : ""}`);
  return false;
}, 60000);
await take(page, "over");
const text = await page.locator("body").textContent().catch(() => "");
await browser.close();
const code = await ended;
assert(code === 0, `the sitting ended badly (${code}): ${said}`);
assert(seen.includes("Connect1") && seen.includes("Connect2") && seen.includes("Disconnect"), seen.join(" "));
const journal = readdirSync(path.join(folder, "sittings")).find((name) => name.endsWith("-Ida.jsonl"));
const records = readFileSync(path.join(folder, "sittings", journal), "utf8");
assert(/"kind":"void"[^\n]*the operator did not confirm in time/.test(records), "the sleep is in the journal as a void trial");
assert(/somebody else tried to become the operator/.test(records), "the other page is in the journal");
assert(/"kind":"closing"/.test(records), "nothing was lost");
assert(!/right|correct|answer/i.test(text), `the page speaks of answers: ${text}`);
assert(complaints.length === 0, complaints.join("; "));
console.log(`tasks: ${seen.join(" ")}`);
console.log("operator in a browser: all held");
