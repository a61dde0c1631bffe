// A newcomer at the demo's bench: the whole job from the shelf to the printed record, by pointer, and once by keyboard alone.
import { mkdirSync } from "node:fs";
import { join } from "node:path";
import { test } from "node:test";
import assert from "node:assert/strict";
import { WIDTHS, browser, desk, enter, fits, folder, none, sound, table, violations, window } from "./desk.mjs";
import { doJob, waiting, ways } from "./hands.mjs";

const LONG = process.env.WALK !== "short";
const pictures = process.env.PICTURES;

async function walked(way, look) {
  const open = await desk("demo", "--desk", "--bench", join(folder(), "bench"));
  const chrome = await browser();
  try {
    const context = await chrome.newContext({ viewport: { width: 1024, height: 900 } });
    const page = await window(context);
    await enter(page, open.address);
    await look(page, "shelf");
    const link = waiting(page);
    const loaded = page.waitForNavigation({ waitUntil: "load" });
    await way.press(page, link);
    await loaded;
    const began = performance.now();
    const done = await doJob(page, way, undefined, (page, step) => look(page, `step ${step}`));
    table(`the whole job, ${way === ways.keys ? "by keyboard alone" : "by pointer"}`, [["steps", done.length], ["seconds", ((performance.now() - began) / 1000).toFixed(1)]]);
    assert.ok(done.length > 20, done.join(", "));
    await look(page, "closed");
    const record = page.locator("#now a.deed[href$='/record']");
    const printed = page.waitForNavigation({ waitUntil: "load" });
    await way.press(page, record);
    await printed;
    await look(page, "record");
    const sheet = await page.locator(".sheet").innerText();
    for (const word of ["closed and sealed", "As found", "As left", "SHA-256", "Ana Ask"]) assert.ok(sheet.includes(word), `the record lacks "${word}"`);
    sound(page, "the whole job");
    return page.url();
  } finally {
    await chrome.close();
    await open.end();
  }
}

test("the whole job by pointer, looked at on the way", async () => {
  let dark = false;
  const found = [];
  await walked(ways.pointer, async (page, where) => {
    for (const width of WIDTHS) {
      await page.setViewportSize({ width, height: 900 });
      await fits(page, `${where}, ${width} px`);
    }
    if (LONG) {
      for (const colorScheme of ["light", "dark"]) {
        await page.emulateMedia({ colorScheme });
        await page.setViewportSize({ width: 360, height: 760 });
        found.push(...await violations(page, `${where}, ${colorScheme}`));
      }
      await page.emulateMedia({ colorScheme: "light" });
    }
    await page.setViewportSize({ width: 1024, height: 900 });
    // The handbook shows the moment when every source of power is gone and hands may go to the board.
    const isDark = where.startsWith("step") && !dark && (await page.locator(".lamp.dark").count()) > 2;
    dark ||= isDark;
    const shot = isDark ? "walk-job" : { shelf: "walk-shelf", closed: "walk-closed", record: "walk-record" }[where];
    if (pictures && shot) {
      mkdirSync(pictures, { recursive: true });
      for (const colorScheme of ["light", "dark"]) {
        await page.emulateMedia({ colorScheme });
        for (const width of WIDTHS) {
          await page.setViewportSize({ width, height: width === 360 ? 760 : 900 });
          await page.screenshot({ path: join(pictures, `${shot}-${width}-${colorScheme}.png`) });
        }
      }
      await page.emulateMedia({ colorScheme: "light" });
      await page.setViewportSize({ width: 1024, height: 900 });
    }
  });
  none(found);
});

test("the whole job by keyboard alone", { skip: !LONG }, async () => {
  await walked(ways.keys, async () => {});
});
