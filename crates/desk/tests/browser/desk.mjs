// What every walk through the desk needs: the program, a browser, and eyes for what a person could not use.
import { spawn } from "node:child_process";
import { once } from "node:events";
import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { createRequire } from "node:module";
import { tmpdir } from "node:os";
import { join } from "node:path";
import assert from "node:assert/strict";
import { chromium } from "playwright-core";

const AXE = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const PROGRAM = process.env.FIRMHAND ?? "firmhand";
// Debian's browser, kept from talking to anybody but the desk.
const FLAGS = [
  "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
  "--disable-component-update", "--disable-sync",
];

export const WIDTHS = [360, 1024, 1920];
/// Most bytes of a page without photos.
export const MOST_BYTES = 200 * 1024;

export function folder() {
  const path = mkdtempSync(join(tmpdir(), "desk-walk-"));
  process.on("exit", () => rmSync(path, { recursive: true, force: true }));
  return path;
}

/// Starts the program, waits for the address that it prints, and ends it with Ctrl-C, as a person does.
export const desk = (...args) => deskWith({}, ...args);

/// The same with other values in its environment.
export async function deskWith(env, ...args) {
  const began = performance.now();
  const child = spawn(PROGRAM, args, { stdio: ["ignore", "pipe", "pipe"], env: { ...process.env, ...env } });
  const ended = once(child, "exit");
  let text = "";
  const address = await new Promise((found, failed) => {
    const hear = (chunk) => {
      text += chunk;
      const address = text.match(/http:\/\/127\.0\.0\.1:\d+\/\?token=[0-9a-f]+/);
      if (address) found(address[0]);
    };
    child.stdout.on("data", hear);
    child.stderr.on("data", hear);
    child.on("exit", (status) => failed(new Error(`${PROGRAM} ${args.join(" ")} ended with ${status}:\n${text}`)));
  });
  return {
    address,
    origin: new URL(address).origin,
    readyMs: performance.now() - began,
    said: () => text,
    async end(signal = "SIGINT") { child.kill(signal); await ended; },
  };
}

/// Opens the address, with which the page leads on by itself.
export async function enter(page, address) {
  await page.goto(address);
  await page.waitForURL((url) => url.protocol === "http:" && url.search === "", { waitUntil: "load" });
}

export async function browser() {
  const executablePath = process.env.CHROMIUM ?? "/usr/bin/chromium";
  return chromium.launch({ executablePath, headless: true, args: FLAGS });
}

/// A window that notices what goes wrong in it: script errors, refused styles and scripts, answers that fail.
export async function window(context, { axe = true } = {}) {
  const page = await context.newPage();
  // The desk's policy forbids foreign script; the driver puts it in before the page is there.
  if (axe) await page.addInitScript(AXE);
  page.setDefaultTimeout(20_000);
  page.wrongs = [];
  page.on("pageerror", (error) => page.wrongs.push(`script: ${error.message}`));
  page.on("console", (line) => {
    if (line.type() === "error" || /Content Security Policy/.test(line.text())) page.wrongs.push(`console: ${line.text()}`);
  });
  page.on("response", (answer) => { if (answer.status() >= 500) page.wrongs.push(`${answer.status()} ${answer.url()}`); });
  return page;
}

/// What axe-core finds on the page as it stands: WCAG 2.2 A and AA, and what axe calls good practice.
export async function violations(page, where) {
  return page.evaluate(async (where) => {
    const { violations } = await globalThis.axe.run(document, { resultTypes: ["violations"] });
    const shown = (node) => `${node.html.slice(0, 160)} ${node.failureSummary?.replace(/\s+/g, " ").slice(0, 300)}`;
    return violations.map(({ id, help, nodes }) => `${where}: ${id}: ${help}\n    ${nodes.slice(0, 3).map(shown).join("\n    ")}`);
  }, where);
}

export function none(found) {
  assert.equal(found.length, 0, `\n${found.join("\n")}`);
}

/// Nothing is wider than the window, so that nobody has to scroll sideways.
export async function fits(page, where) {
  const { wide, most } = await page.evaluate(() => ({ wide: document.documentElement.scrollWidth, most: innerWidth }));
  assert.ok(wide <= most, `${where}: the page is ${wide} px wide in a window of ${most} px`);
}

export function sound(page, where) {
  assert.deepEqual(page.wrongs, [], where);
}

/// Milliseconds from the request to the first paint with content, and bytes of the page with all that it names.
export async function opened(page, address) {
  await page.goto(address, { waitUntil: "load" });
  return page.evaluate(() => new Promise((seen) => {
    const answer = (paint) => {
      const parts = [...performance.getEntriesByType("navigation"), ...performance.getEntriesByType("resource")];
      seen({ paint, bytes: parts.reduce((sum, part) => sum + part.encodedBodySize, 0) });
    };
    const there = performance.getEntriesByName("first-contentful-paint")[0];
    if (there) answer(there.startTime);
    else new PerformanceObserver((list, self) => {
      const entry = list.getEntries().find((entry) => entry.name === "first-contentful-paint");
      if (entry) { self.disconnect(); answer(entry.startTime); }
    }).observe({ type: "paint", buffered: true });
  }));
}

/// A table for whoever reads the log.
export function table(title, rows) {
  console.log(`\n${title}`);
  for (const row of rows) console.log(`  ${row.map((cell, at) => at === 0 ? String(cell).padEnd(34) : String(cell).padStart(10)).join("")}`);
}
