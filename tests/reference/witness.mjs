// Two phones as witnesses of a whole sitting in Chromium: one reloads, sleeps and dies, the computer is killed and goes on.
//   node witness.mjs PROGRAM FOLDER [FOLDER-FOR-SCREENSHOTS]
// Needs Chromium (chromium.mjs), and what package.json lists in EARWITNESS_NODE_MODULES.
import { spawn } from "node:child_process";
import net from "node:net";
import path from "node:path";

import { chromium } from "./chromium.mjs";

const [program, folder, pictures] = process.argv.slice(2);
const assert = (holds, what) => { if (!holds) { throw new Error(what); } };
const soon = (ms) => new Promise((resolve) => setTimeout(resolve, ms));

// ---- the computer: a simulated listener, slowed by nobody ----
const port = await new Promise((resolve) => {
  const server = net.createServer().listen(0, "127.0.0.1", () => {
    const free = server.address().port;
    server.close(() => resolve(free));
  });
});
function sit(more) {
  const child = spawn(program, ["run", folder, "--listener", "Ida", "--output", "silent", "--simulate", "0.8",
    "--witness", "--listen", `127.0.0.1:${port}`, ...more], { stdio: ["ignore", "pipe", "pipe"] });
  const sitting = { child, said: "", address: null };
  sitting.ended = new Promise((resolve) => child.on("exit", (code) => resolve(code)));
  for (const stream of [child.stdout, child.stderr]) {
    stream.on("data", (data) => {
      sitting.said += data;
      const found = sitting.said.match(/witness: open (\S+)\n/);
      if (found) { sitting.address = found[1]; }
    });
  }
  return sitting;
}
async function until(what, holds, patience = 40000) {
  const end = Date.now() + patience;
  for (;;) {
    const found = await holds();
    if (found) { return found; }
    assert(Date.now() < end, `never: ${what}`);
    await soon(40);
  }
}

let sitting = sit(["--new"]);
await until("an address", () => sitting.address);
const address = sitting.address;

// ---- the phones ----
const { browser, axe: axeSource } = await chromium(process.env.EARWITNESS_NODE_MODULES);
const complaints = [];
async function phone(name) {
  const context = await browser.newContext({ viewport: { width: 360, height: 740 }, acceptDownloads: true });
  const page = await context.newPage();
  page.on("request", (request) => {
    const url = new URL(request.url());
    if (url.protocol !== "blob:" && url.origin !== new URL(address).origin) { complaints.push(`${name} asked ${url}`); }
    if (request.url().includes(address.split("#")[1])) { complaints.push(`${name} sent the code`); }
  });
  page.on("pageerror", (error) => complaints.push(`${name}: ${error}`));
  await page.goto(address);
  return page;
}
const head = (page) => page.locator("h1").textContent({ timeout: 5000 }).catch(() => "");
const cell = (page, label) => page.locator(`tr:has(th:text-is("${label}")) td`).textContent({ timeout: 5000 }).catch(() => "");
const take = async (page, name) => { if (pictures) { await page.screenshot({ path: path.join(pictures, `${name}.png`) }); } };

// SHA-256 and HMAC by hand: FIPS 180-4 (its examples "abc" and two blocks), RFC 4231 test case 2 through the page's own.
const ida = await phone("first");
const hashes = await ida.evaluate(() => ["abc", "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"]
  .map((text) => window.earwitnessHand.sha256(window.earwitnessHand.bytesOf(text))));
assert(hashes[0] === "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad", `sha-256: ${hashes[0]}`);
assert(hashes[1] === "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1", `sha-256: ${hashes[1]}`);

await take(ida, "form");
await ida.addScriptTag({ content: axeSource }).catch(() => {});
// A phone on a slow network: the sitting is not over before everything has happened to it.
await ida.context().route("**/witness-link", async (route) => { await soon(150); await route.continue(); });
await ida.fill("input", "Jorin");
await ida.click("button");
await until("the first trials", async () => Number(await cell(ida, "Draws opened here")) >= 3);
await take(ida, "trial");

// Reloaded: the same witness, with everything that it kept.
const before = Number(await cell(ida, "Receipts kept"));
await ida.reload();
await until("trials after a reload", async () => Number(await cell(ida, "Draws opened here")) >= 5);
assert(Number(await cell(ida, "Receipts kept")) > before, "receipts were lost with a reload");

// Asleep: nothing goes on, nothing is lost.
await ida.context().setOffline(true);
await soon(1200);
const asleep = Number((await cell(ida, "Draws opened here")));
await soon(800);
assert(Number(await cell(ida, "Draws opened here")) === asleep, "a sleeping phone opened a link");
await ida.context().setOffline(false);
await until("trials after sleep", async () => Number(await cell(ida, "Draws opened here")) >= asleep + 2);

// The computer is killed, and the same phone comes back by itself.
sitting.child.kill("SIGKILL");
await sitting.ended;
sitting = sit(["--resume"]);
await until("the same address", () => sitting.address);
assert(sitting.address === address, "pages that are open find it again");
const resumed = Number(await cell(ida, "Draws opened here"));
await until("trials after the kill", async () => Number(await cell(ida, "Draws opened here")) >= resumed + 2);

// The phone dies; after a while the sitting goes on under a fresh seal, with another.
const copyOf = async (page, name) => {
  const [download] = await Promise.all([page.waitForEvent("download"), page.click("a.save")]);
  const file = path.join(folder, name);
  await download.saveAs(file);
  return file;
};
const first = await copyOf(ida, "copy-first.json");
await ida.context().close();
const pia = await phone("second");
await pia.fill("input", "Pia");
await pia.click("button");
await until("the second witness's trials", async () => Number(await cell(pia, "Draws opened here")) >= 2);
await until("the end", async () => /witnessed/.test(await head(pia)), 60000);
await take(pia, "closed");
const axe = await pia.evaluate(axeSource + "; axe.run(document, { resultTypes: ['violations'] })").catch((error) => ({ error: String(error) }));
assert(axe.violations && axe.violations.length === 0, `accessibility: ${JSON.stringify(axe.error ?? axe.violations.map((one) => one.id))}`);
const wide = await pia.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
assert(wide === 0, `the page is ${wide} px too wide`);
const second = await copyOf(pia, "copy-second.json");
const end = await head(pia);
await browser.close();
assert(await sitting.ended === 0, `the sitting ended badly: ${sitting.said}`);
assert(complaints.length === 0, complaints.join("; "));
console.log(`copies ${first} ${second}`);
console.log(`end: ${end}`);
console.log("witnesses in a browser: all held");
