// Chromium under remote control, as every script here starts it: as the program that draws no window where that is installed, which
// takes half the processor time of the whole browser, or as the whole one.
import { createRequire } from 'node:module';
import fs from 'node:fs';
import path from 'node:path';

const PROGRAMS = ['/usr/bin/chromium-headless-shell', '/usr/bin/chromium'];

// A browser and the accessibility checker's source, from what package.json installed in a folder of modules.
export async function chromium(modules) {
  const require = createRequire(path.join(path.resolve(modules), 'here.js'));
  const browser = await require('playwright-core').chromium.launch({
    executablePath: process.env.EARWITNESS_CHROMIUM ?? PROGRAMS.find((program) => fs.existsSync(program)),
    args: ['--no-sandbox', '--disable-gpu', '--no-first-run', '--disable-background-networking', '--disable-component-update',
      '--disable-sync', '--disable-quic'],
  });
  return { browser, axe: fs.readFileSync(require.resolve('axe-core/axe.min.js'), 'utf8') };
}
