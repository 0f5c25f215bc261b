// Looks at pages in headless Chromium and prints what it finds as one JSON document.
//
//   node browser.mjs --modules NODE_MODULES --shots DIR PAGE.html...
//
// For each page: console messages, requests that leave the file, script errors; for each width the horizontal overflow and
// what axe-core objects to, in light and in dark; a PDF on A4 and on Letter with what is cut in print. With --shots it
// leaves screenshots and PDFs in DIR.
import { pathToFileURL } from 'node:url';
import path from 'node:path';
import fs from 'node:fs';

import { chromium } from './chromium.mjs';

const options = { pages: [], modules: process.env.EARWITNESS_NODE_MODULES, shots: null };
const words = process.argv.slice(2);
for (let at = 0; at < words.length; at += 1) {
  if (words[at] === '--modules') options.modules = words[(at += 1)];
  else if (words[at] === '--shots') options.shots = words[(at += 1)];
  else options.pages.push(words[at]);
}

const { browser, axe } = await chromium(options.modules);

const overflow = () => ({
  page: document.documentElement.scrollWidth - document.documentElement.clientWidth,
  unnamed: [...document.querySelectorAll('svg')].filter((svg) => !svg.getAttribute('aria-label')).length,
  figures: document.querySelectorAll('svg').length,
  wider: [...document.querySelectorAll('.wide')].filter((box) => box.scrollWidth > box.clientWidth + 1)
    .map((box) => box.getAttribute('aria-label')),
});

// What would be cut in print: anything wider than the page's text.
const cut = () => [...document.querySelectorAll('svg, table, pre, figure, article, dl')]
  .filter((element) => element.getBoundingClientRect().right > document.documentElement.clientWidth + 1
    || element.scrollWidth > element.clientWidth + 1 && getComputedStyle(element).overflowX !== 'visible')
  .map((element) => `${element.tagName} ${Math.round(element.getBoundingClientRect().right)}`);

async function look(file) {
  const found = { page: path.basename(file), console: [], requests: [], errors: [], widths: [], print: [], audits: 0 };
  const context = await browser.newContext({ bypassCSP: true });
  const page = await context.newPage();
  const url = pathToFileURL(path.resolve(file)).href;
  page.on('console', (message) => found.console.push(message.text()));
  page.on('pageerror', (error) => found.errors.push(String(error)));
  page.on('request', (request) => {
    if (request.url() !== url && !request.url().startsWith('data:')) found.requests.push(request.url());
  });
  await page.goto(url, { waitUntil: 'load' });
  found.scripts = await page.evaluate(() => document.scripts.length);
  // What is folded is looked at too.
  await page.evaluate(() => document.querySelectorAll('details').forEach((one) => { one.open = true; }));
  await page.evaluate(axe);
  for (const scheme of ['light', 'dark']) {
    await page.emulateMedia({ colorScheme: scheme });
    for (const width of [320, 768, 1280]) {
      await page.setViewportSize({ width, height: 900 });
      const size = await page.evaluate(overflow);
      // Colours differ by scheme and order by width: the narrowest light page and the widest dark one have all of both.
      const audited = width === (scheme === 'light' ? 320 : 1280);
      const violations = audited
        ? (await page.evaluate(() => window.axe.run(document, { resultTypes: ['violations'] }))).violations
        : [];
      found.audits += audited ? 1 : 0;
      found.widths.push({ scheme, width, overflow: size.page, unnamed: size.unnamed, figures: size.figures, wider: size.wider,
        violations: violations.map((rule) => `${rule.id}: ${rule.nodes.slice(0, 3)
          .map((node) => node.target.join(' ')).join(' | ')}`) });
      if (options.shots) {
        const name = `${path.basename(file, '.html')}-${scheme}-${width}.png`;
        await page.screenshot({ path: path.join(options.shots, name), fullPage: true });
      }
    }
  }
  // A4 and Letter without margins of 15 mm, in CSS pixels of 1/96 inch.
  for (const [format, width] of [['A4', 680], ['Letter', 702]]) {
    await page.emulateMedia({ media: 'print', colorScheme: 'light' });
    await page.setViewportSize({ width, height: 1000 });
    const pieces = await page.evaluate(cut);
    const tall = await page.evaluate(() => Math.max(0, ...[...document.querySelectorAll('svg')]
      .map((svg) => svg.getBoundingClientRect().height)));
    const pdf = await page.pdf({ format, preferCSSPageSize: false, printBackground: true });
    if (options.shots) fs.writeFileSync(path.join(options.shots, `${path.basename(file, '.html')}-${format}.pdf`), pdf);
    found.print.push({ format, cut: pieces, tallestFigure: Math.round(tall), bytes: pdf.length,
      pages: (pdf.toString('latin1').match(/\/Type\s*\/Page[^s]/g) ?? []).length });
  }
  await context.close();
  return found;
}

const all = [];
for (const file of options.pages) all.push(await look(file));
await browser.close();
process.stdout.write(`${JSON.stringify(all, null, 1)}\n`);
