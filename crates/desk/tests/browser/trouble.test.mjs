// What goes wrong at a desk: two windows at once, a reload in the middle of a write, the program killed and started again.
import { existsSync, mkdirSync, readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { test } from "node:test";
import assert from "node:assert/strict";
import { browser, desk, deskWith, enter, folder, sound, table, window } from "./desk.mjs";
import { doJob, doStep, fill, settled, title, waiting, ways } from "./hands.mjs";

const LONG = process.env.WALK !== "short";

async function admitted(chrome, open) {
  const page = await window(await chrome.newContext({ viewport: { width: 1024, height: 900 } }), { axe: false });
  await enter(page, open.address);
  return page;
}

async function firstJob(page) {
  return waiting(page).getAttribute("href");
}

test("two windows show one job, and a step is done once", async () => {
  const open = await desk("demo", "--desk", "--bench", join(folder(), "bench"));
  const chrome = await browser();
  try {
    const one = await admitted(chrome, open);
    const job = open.origin + await firstJob(one);
    const other = await window(one.context(), { axe: false });
    await one.goto(job);
    await other.goto(job);
    const before = await title(other);
    // The second window is being filled in while the first one signs: it is told, and nothing that was typed is thrown away.
    const form = other.locator("#now article.card form:has(button.deed)").first();
    await fill(other, form, ways.pointer);
    await form.locator("input[name=note]").fill("typed in the second window");
    assert.equal(await doStep(one, ways.pointer), before);
    await other.locator("#renew").waitFor();
    assert.equal(await form.locator("input[name=note]").inputValue(), "typed in the second window");
    const [answer] = await Promise.all([other.waitForNavigation({ waitUntil: "load" }), form.locator("button.deed").click()]);
    assert.ok(answer.status() >= 400 && answer.status() < 500, `a step that is done was taken again: ${answer.status()}`);
    assert.match(await other.locator("main").innerText(), /done/i);
    await other.goto(job);
    assert.notEqual(await title(other), before);
    sound(one, "first window");
  } finally {
    await chrome.close();
    await open.end();
  }
});

test("S12: a browser is led in by a file that no command line shows", async () => {
  const dir = folder();
  const tools = join(dir, "tools");
  mkdirSync(tools);
  writeFileSync(join(tools, "xdg-open"), "#!/bin/sh\nprintf %s \"$1\" > \"$0.was\"\n", { mode: 0o755 });
  const open = await deskWith({ PATH: tools }, "desk", "--open", "--bench", join(dir, "bench"));
  const chrome = await browser();
  try {
    const was = join(tools, "xdg-open.was");
    for (let look = 0; look < 100 && !(existsSync(was) && readFileSync(was, "utf8")); look += 1) await new Promise((on) => setTimeout(on, 50));
    const page = await window(await chrome.newContext(), { axe: false });
    await enter(page, `file://${readFileSync(was, "utf8")}`);
    assert.match(await page.locator("main").innerText(), /No machine is here yet/);
    sound(page, "led in");
  } finally {
    await chrome.close();
    await open.end();
  }
});

test("S2: a write outlives a reload and a killed program, and the page offers to go on", { skip: !LONG }, async () => {
  const bench = join(folder(), "bench");
  let open = await desk("demo", "--desk", "--bench", bench);
  const chrome = await browser();
  try {
    let page = await admitted(chrome, open);
    const path = await firstJob(page);
    await page.goto(open.origin + path);
    const writes = async (page) => (await page.locator("#now form[action*='/do'] button.deed").count()) > 0 && /main/i.test(await page.locator("#now form[action*='/do'] button.deed").innerText()) && /write|apply/i.test(await page.locator("#now").innerText()) && (await page.locator("#now form[action*='/do'] .quiet").count()) > 0;
    await doJob(page, ways.pointer, writes);
    const step = await title(page);
    // From here the chip takes the time that a real one takes.
    const link = join(bench, "virtual", "main.toml");
    assert.ok(existsSync(link), link);
    const quick = readFileSync(link, "utf8");
    writeFileSync(link, `${quick.replace(/\n\[time\][^[]*/, "\n")}\n[time]\nspeed = "real"\n`);
    const form = page.locator("#now article.card form:has(button.deed)").first();
    await fill(page, form, ways.pointer);
    await form.locator("button.deed").click();
    await page.locator("#running").waitFor();
    const map = await window(page.context(), { axe: false });
    await map.goto(`${open.origin}${path}/map/main`);
    const programmed = () => map.locator("[data-count='7']").textContent().then(Number);
    await map.waitForFunction(() => Number(document.querySelector("[data-count='7']").textContent) > 2, null, { timeout: 120_000 });
    const first = await programmed();
    await page.reload();
    await page.locator("#running").waitFor();
    await map.waitForFunction((first) => Number(document.querySelector("[data-count='7']").textContent) > first, first, { timeout: 60_000 });
    table("a write while it runs", [["sectors programmed at two looks", `${first}, ${await programmed()}`]]);
    await open.end("SIGKILL");
    writeFileSync(link, quick);
    open = await desk("desk", "--bench", bench, "--link", link, "--link", join(bench, "virtual", "port.toml"), "--files", join(bench, "virtual"));
    page = await admitted(chrome, open);
    await page.goto(open.origin + path);
    await settled(page);
    assert.equal(await title(page), step);
    assert.match(await page.locator("#now .hint").first().innerText(), /cut off/i);
    const unsure = await window(page.context(), { axe: false });
    await unsure.goto(`${open.origin}${path}/map/main`);
    assert.ok(Number(await unsure.locator("[data-count='5']").textContent()) > 0, "what the write touched is not known until it is read");
    await doStep(page, ways.pointer);
    assert.notEqual(await title(page), step);
    await unsure.reload();
    assert.equal(Number(await unsure.locator("[data-count='5']").textContent()), 0);
    assert.ok(Number(await unsure.locator("[data-count='8']").textContent()) > 0, "verified");
    sound(page, "after the restart");
  } finally {
    await chrome.close();
    await open.end();
  }
});
