// Hands at the desk: whoever does the step that the page shows, by pointer or by keyboard alone.
import assert from "node:assert/strict";

export const NAME = "Ana Ask";
/// More steps than any profile has, and more stops of the Tab key than any page.
const MOST_STEPS = 300;
const MOST_TABS = 600;

/// What a person reads off the multimeter: a value inside the limits that the page names.
function measured(limits) {
  const bound = (word) => { const found = limits.match(new RegExp(`${word} (-?[\\d.]+)`)); return found ? Number(found[1]) : undefined; };
  const [least, most] = [bound("at least"), bound("at most")];
  if (least !== undefined && most !== undefined) return String((least + most) / 2);
  return String(least ?? (most === undefined ? 1 : most / 2));
}

/// Waits until nothing runs. A notice that something was not done ends the walk.
export async function settled(page, ms = 120_000) {
  await page.waitForFunction(() => document.querySelector("#now") && !document.querySelector("#running"), null, { timeout: ms });
  const wrong = page.locator("#notice h2.bad");
  if (await wrong.count()) throw new Error(`not done: ${await page.locator("#notice").innerText()}`);
}

/// The machine of the demo that waits to be done.
export function waiting(page) {
  return page.locator("main tr", { hasText: "shelf 3" }).locator("a[href^='/job/']").first();
}

export async function title(page) {
  return (await page.locator("#now article.card h2").first().textContent()).trim();
}

export async function isClosed(page) {
  return (await page.locator("#now article.card a.deed[href$='/record']").count()) > 0 && (await page.locator("#now article.card form:has(button.deed)").count()) === 0;
}

/// The form of the one action on the card.
function deedForm(page) {
  return page.locator("#now article.card form:has(button.deed)").first();
}

const POINTER = {
  async fill(page, field, text) { await field.fill(text); },
  async press(page, button) { await button.click(); },
};

/// Goes with the Tab key alone; whatever cannot be reached with it fails.
async function tabTo(page, target) {
  for (let stops = 0; stops < MOST_TABS; stops += 1) {
    if (await target.evaluate((element) => element === document.activeElement)) return;
    await page.keyboard.press("Tab");
  }
  throw new Error(`the Tab key does not reach ${await target.evaluate((element) => element.outerHTML.slice(0, 200))}`);
}

const KEYS = {
  async fill(page, field, text) {
    await tabTo(page, field);
    await page.keyboard.press("ControlOrMeta+A");
    await page.keyboard.type(text);
  },
  async press(page, button) {
    await tabTo(page, button);
    await page.keyboard.press("Enter");
  },
};

export const ways = { pointer: POINTER, keys: KEYS };

/// Fills in and presses what the card asks for. Returns what the card is called.
export async function doStep(page, way) {
  const what = await title(page);
  const form = deedForm(page);
  await fill(page, form, way);
  const button = form.locator("button.deed");
  const loaded = page.waitForNavigation({ waitUntil: "load", timeout: 60_000 });
  await way.press(page, button);
  await loaded;
  await answered(page, way);
  await settled(page);
  return what;
}

/// Signs what running work asks for: a key that was never seen before waits for somebody's name.
async function answered(page, way) {
  for (;;) {
    await page.waitForFunction(() => document.querySelector("#now") && (!document.querySelector("#running") || document.querySelector("form[action*='/answer']")), null, { timeout: 120_000 });
    const form = page.locator("form[action*='/answer']");
    if (!(await form.count())) return;
    await fill(page, form, way);
    const loaded = page.waitForNavigation({ waitUntil: "load", timeout: 60_000 });
    await way.press(page, form.locator("button.deed"));
    await loaded;
  }
}

export async function fill(page, form, way) {
  // S11: whoever has the stick in the hand types its size, as the question shows it.
  const size = form.locator("input[name=size]");
  if (await size.count()) await way.fill(page, size, (await form.locator(".said").innerText()).match(/\((\d+) bytes\)/)[1]);
  const by = form.locator("input[name=by]");
  if ((await by.count()) && (await by.inputValue()) === "") await way.fill(page, by, NAME);
  const value = form.locator("input[name=measured]");
  if (await value.count()) {
    const limits = form.locator("label:has(input[name=measured]) small");
    const texts = form.locator("datalist option");
    const good = (await texts.count()) ? await texts.first().getAttribute("value") : measured((await limits.count()) ? await limits.textContent() : "");
    await way.fill(page, value, good);
  }
}

/// Does steps until `until` says so or the job is closed; returns their titles.
export async function doJob(page, way, until = async () => false, each = async () => {}) {
  const done = [];
  for (let steps = 0; steps < MOST_STEPS; steps += 1) {
    await settled(page);
    if ((await isClosed(page)) || (await until(page))) return done;
    await each(page, done.length);
    const what = await doStep(page, way);
    assert.ok(done.length < 3 || done.slice(-3).some((title) => title !== what), `"${what}" comes again and again`);
    done.push(what);
  }
  throw new Error(`the job does not end: ${done.slice(-5).join(", ")}`);
}
