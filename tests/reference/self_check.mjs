// Presses the button of report pages in headless Chromium and prints what they say of themselves as one JSON document.
//
//   node self_check.mjs --modules NODE_MODULES [--shots DIR] [--receipt TEXT]... [--copy FILE]... PAGE.html...
//
// Pages run under their own content security policy, without any network. With --receipt texts are held against the journals
// of each page, with --copy files that witnesses saved, one after the other; with --lock-key the locks of its sittings are checked.
import { pathToFileURL } from 'node:url';
import path from 'node:path';

import { chromium } from './chromium.mjs';

const options = { pages: [], modules: process.env.EARWITNESS_NODE_MODULES, shots: null, receipts: [], copies: [], key: null };
const words = process.argv.slice(2);
for (let at = 0; at < words.length; at += 1) {
  if (words[at] === '--modules') options.modules = words[(at += 1)];
  else if (words[at] === '--shots') options.shots = words[(at += 1)];
  else if (words[at] === '--receipt') options.receipts.push(words[(at += 1)]);
  else if (words[at] === '--copy') options.copies.push(words[(at += 1)]);
  else if (words[at] === '--lock-key') options.key = words[(at += 1)];
  else options.pages.push(words[at]);
}
const { browser } = await chromium(options.modules);

const all = [];
for (const file of options.pages) {
  const context = await browser.newContext({ offline: true });
  const page = await context.newPage();
  const found = { page: path.basename(file), console: [], errors: [], requests: [] };
  const url = pathToFileURL(path.resolve(file)).href;
  page.on('console', (message) => found.console.push(message.text()));
  page.on('pageerror', (error) => found.errors.push(String(error)));
  page.on('request', (request) => { if (request.url() !== url) found.requests.push(request.url()); });
  await page.goto(url, { waitUntil: 'load' });
  // Where no sitting is locked there is no field for a lock's key to be seen.
  if (options.key && await page.isVisible('#self-check-lock-key')) await page.fill('#self-check-lock-key', options.key);
  await page.click('#self-check-button');
  Object.assign(found, await page.evaluate(() => ({
    summary: document.querySelector('#self-check-results > p').textContent,
    sittings: [...document.querySelectorAll('#self-check-results > details')].map((one) => ({
      title: one.querySelector('summary').textContent,
      open: one.open,
      steps: [...one.querySelectorAll(':scope > ol > li')].map((step) => step.textContent),
      trials: one.querySelectorAll('tbody tr').length,
    })),
    verdicts: [...document.querySelectorAll('#self-check-results > ol > li')].map((step) => step.textContent),
    overflow: document.documentElement.scrollWidth - document.documentElement.clientWidth,
  })));
  // What is said of one is gone before the next is held.
  const forget = () => page.evaluate(() => { document.querySelector('#self-check-held').textContent = ''; });
  found.held = [];
  for (const receipt of options.receipts) {
    await forget();
    await page.fill('#self-check-kept', receipt);
    await page.click('#self-check-hold');
    found.held.push(await page.textContent('#self-check-held'));
  }
  for (const copy of options.copies) {
    await forget();
    await page.setInputFiles('#self-check-copy', copy);
    await page.waitForFunction(() => document.querySelector('#self-check-held').textContent !== '');
    found.held.push(await page.textContent('#self-check-held'));
  }
  if (options.shots) {
    const name = `${path.basename(file, '.html')}-checked.png`;
    await page.locator('#self-check-results').screenshot({ path: path.join(options.shots, name) });
  }
  await context.close();
  all.push(found);
}
await browser.close();
process.stdout.write(`${JSON.stringify(all, null, 1)}\n`);
