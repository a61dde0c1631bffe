// The pictures on a bench with five hundred jobs: first useful paint, page weight, accessibility, frames of a map of 32 MiB.
import { execFileSync } from "node:child_process";
import { mkdirSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { after, before, test } from "node:test";
import assert from "node:assert/strict";
import { MOST_BYTES, WIDTHS, browser, desk, enter, fits, folder, none, opened, sound, table, violations, window } from "./desk.mjs";

const LONG = process.env.WALK !== "short";
const JOBS = LONG ? 500 : 20;
const pictures = process.env.PICTURES;
const dir = folder();
let open, chrome, jobs;
const places = {};

before(async () => {
  jobs = JSON.parse(execFileSync(process.env.BENCHES, [dir, String(JOBS)], { encoding: "utf8", maxBuffer: 1 << 20 }));
  open = await desk("desk", "--bench", join(dir, "bench"));
  chrome = await browser();
  Object.assign(places, {
    shelf: "/",
    job: `/job/${jobs.refused}`,
    wiring: `/job/${jobs.refused}/wiring`,
    "chip map": `/job/${jobs.shown}/map/main`,
    "chip map, 32 MiB": `/job/${jobs.wide}/map/boot`,
    "chip map, one sector": `/job/${jobs.shown}/map/main?at=1000`,
    images: `/job/${jobs.shown}/images`,
    reads: `/job/${jobs.refused}/reads`,
    "reads, accepted": `/job/${jobs.shown}/reads`,
    record: `/job/${jobs.shown}/record`,
    label: `/job/${jobs.shown}/label`,
    "write-up": `/job/${jobs.shown}/write-up`,
  });
});

after(async () => {
  await chrome?.close();
  await open?.end();
});

async function admitted(options = {}) {
  const context = await chrome.newContext({ viewport: { width: 1024, height: 800 }, ...options });
  const page = await window(context, options);
  await enter(page, open.address);
  return page;
}

/// The addresses of an image and of a comparison, read off the page as a person finds them.
async function imagesOf(page) {
  await page.goto(open.origin + places.images);
  const links = await page.locator("main a[href*='/image/']").evaluateAll((all) => all.map((link) => link.getAttribute("href")));
  assert.ok(links.length >= 2, "the job has images to look at");
  const ids = links.map((link) => link.split("/").at(-1));
  places.image = links[0];
  places["image, one branch"] = `${links[0]}?open=3.0`;
  places["two images"] = `/job/${jobs.shown}/compare?a=${ids[0]}&b=${ids[1]}`;
}

test("every picture paints soon and weighs little", async () => {
  const page = await admitted({ axe: false });
  await imagesOf(page);
  const rows = [["page", "paint ms", "bytes"]];
  for (const [name, address] of Object.entries(places)) {
    await page.goto(open.origin + address);
    const runs = [];
    for (let run = 0; run < (LONG ? 5 : 3); run += 1) runs.push(await opened(page, open.origin + address));
    const paint = runs.map((one) => one.paint).sort((a, b) => a - b)[Math.floor(runs.length / 2)];
    rows.push([name, paint.toFixed(0), runs[0].bytes]);
    assert.ok(runs[0].bytes < MOST_BYTES, `${name} weighs ${runs[0].bytes} bytes`);
  }
  table(`first paint with content (median, warm) and weight, ${JOBS} jobs on the shelf; ready in ${open.readyMs.toFixed(0)} ms`, rows);
  sound(page, "paint");
});

test("no picture has a violation, in light and dark, at each width", async () => {
  const found = [];
  for (const colorScheme of ["light", "dark"]) {
    const page = await admitted({ colorScheme });
    if (!places.image) await imagesOf(page);
    for (const [name, address] of Object.entries(places)) {
      await page.goto(open.origin + address);
      for (const width of WIDTHS) {
        await page.setViewportSize({ width, height: 800 });
        await fits(page, `${name}, ${width} px`);
        if (width !== WIDTHS[2]) found.push(...await violations(page, `${name}, ${colorScheme}, ${width} px`));
      }
      if (pictures) {
        mkdirSync(pictures, { recursive: true });
        for (const width of WIDTHS) {
          await page.setViewportSize({ width, height: width === 360 ? 760 : 900 });
          await page.screenshot({ path: join(pictures, `${name.replaceAll(/\W+/g, "-")}-${width}-${colorScheme}.png`) });
        }
      }
    }
    sound(page, colorScheme);
    await page.context().close();
  }
  none(found);
});

test("a map of 32 MiB is updated at thirty frames a second or more", async () => {
  const page = await admitted({ axe: false });
  await page.goto(open.origin + places["chip map, 32 MiB"]);
  await page.waitForFunction(() => document.getElementById("map").width > 0);
  const result = await page.evaluate(() => new Promise((done) => {
    const map = document.getElementById("map"), cells = 8192, frames = 120;
    const began = performance.now(), stamps = [];
    let drawn = 0;
    const frame = (stamp) => {
      stamps.push(stamp);
      // Each frame the whole chip is told anew, in stretches of 64 KiB that all change their state.
      const runs = [];
      for (let block = 0; block < cells / 16; block += 1) runs.push(`${block * 16},16,${(block + drawn) % 9}`);
      map.dispatchEvent(new CustomEvent("cells", { detail: runs.join(";") }));
      drawn += 1;
      if (drawn < frames) requestAnimationFrame(frame);
      else done({ ms: performance.now() - began, frames, longest: Math.max(...stamps.slice(1).map((at, index) => at - stamps[index])) });
    };
    requestAnimationFrame(frame);
  }));
  const rate = result.frames / (result.ms / 1000);
  table("map of 32 MiB, all 8192 cells told anew each frame", [["frames a second", rate.toFixed(1)], ["longest frame, ms", result.longest.toFixed(1)]]);
  assert.ok(rate >= 30, `${rate.toFixed(1)} frames a second`);
  sound(page, "frames");
});

test("the map is used by keyboard alone, down to the bytes of a sector", async () => {
  const page = await admitted();
  await page.goto(open.origin + places["chip map"]);
  await page.locator("#map").focus();
  await page.keyboard.press("End");
  assert.match(await page.locator("#map-at").textContent(), /0xfff000, sector 4095 of 4096/);
  for (const key of ["Home", "ArrowRight", "+", "+", "Enter"]) await page.keyboard.press(key);
  await page.locator("#sector").waitFor();
  assert.match(await page.locator("#sector").textContent(), /0x001000/);
  assert.equal(await page.evaluate(() => document.activeElement.id), "sector");
  assert.match(page.url(), /at=1000/);
  sound(page, "keyboard");
});

test("a branch of an image comes when its stretch is touched, and stands there without script too", async () => {
  const page = await admitted();
  await imagesOf(page);
  await page.goto(open.origin + places.image);
  const last = page.locator(".tree > details").last();
  await last.locator("summary").first().click();
  await last.locator(".inside details").first().waitFor();
  sound(page, "image");
  const plain = await admitted({ javaScriptEnabled: false, axe: false });
  await plain.goto(`${open.origin}${places.image}?open=0`);
  assert.ok(await plain.locator("#n0 .inside code.long").count() > 0);
});

test("S15: the label's code is read by another program and says what is printed", async () => {
  const page = await admitted();
  await page.goto(open.origin + places.label);
  const lines = await page.locator(".no-print.card li").allTextContents();
  await page.setViewportSize({ width: 1024, height: 800 });
  const shot = join(dir, "label.png");
  const shown = page.locator(".label-sheet svg").first();
  await shown.evaluate((svg) => svg.setAttribute("class", "large"));
  writeFileSync(shot, await shown.screenshot({ scale: "css" }));
  const read = execFileSync("zbarimg", ["--quiet", "--raw", shot], { encoding: "utf8" }).trim().split("\n");
  assert.deepEqual(read, lines);
  assert.ok(lines.every((line) => !/Lantern|Ana/.test(line)), "whose it is does not stand there");
});

test("the record is printed on A4 and on letter", async () => {
  const page = await admitted();
  // PDF user units are 1/72 inch: ISO 216 has A4 as 210 by 297 mm, letter is 8.5 by 11 in.
  for (const [paper, [wide, tall]] of Object.entries({ a4: [595, 842], letter: [612, 792] })) {
    await page.goto(`${open.origin}${places.record}?paper=${paper}`);
    const pdf = (await page.pdf({ preferCSSPageSize: true })).toString("latin1");
    const [, width, height] = pdf.match(/\/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]/).map(Number);
    assert.ok(Math.abs(width - wide) < 2 && Math.abs(height - tall) < 2, `${paper}: ${width} by ${height}`);
    if (process.env.PAPERS) writeFileSync(join(process.env.PAPERS, `record-${paper}.pdf`), pdf, "latin1");
  }
});
