// Draws the chip map: one cell for each 4 KiB, told apart by pattern and tone. Only cells that changed are drawn again.
const SECTOR = 4096;
const canvas = document.getElementById("map");
const context = canvas.getContext("2d");
const at = document.getElementById("map-at");
const said = document.getElementById("map-said");
const { address } = canvas.dataset;
const count = Math.ceil(Number(canvas.dataset.size) / SECTOR);
const cells = new Uint8Array(count);
const words = [...document.querySelectorAll(".legend li")].map((item) => [item.querySelector("b").textContent, item.title]);
// The window that is shown, its grid, and the cell that the keyboard is on.
let level = 0, first = 0, shown = count, columns = 64, side = 8, cursor = 0;
let ratio = 1, drawnCursor = -1, asked = false;
// Pixels of one cell in each state, and of the whole map: copying them is quicker than drawing thousands of small pictures.
let tiles = [], image = null, pixels = null;
const dirty = new Uint8Array(count);
let tones = {};
const tone = (name) => tones[name];

// One cell of a state, `s` pixels wide. Nothing here hangs on colour: each state has lines of its own.
function paint(to, state, s) {
  const [ground, ink, full] = [tone("--cell-ground"), tone("--cell-ink"), tone("--cell-full")];
  const w = Math.max(1, s / 9), gap = s >= 6 ? Math.max(1, s / 16) : 0.5;
  const box = (color, inset) => { to.fillStyle = color; to.fillRect(inset, inset, s - 2 * inset, s - 2 * inset); };
  const lines = (wide, ...paths) => {
    to.strokeStyle = ink; to.lineWidth = wide; to.beginPath();
    for (const [x, y, toX, toY] of paths) { to.moveTo(x * s, y * s); to.lineTo(toX * s, toY * s); }
    to.stroke();
  };
  to.clearRect(0, 0, s, s);
  if (state !== 0) box(state === 2 ? tone("--cell-data") : state === 8 ? full : ground, gap);
  to.save(); to.beginPath(); to.rect(gap, gap, s - 2 * gap, s - 2 * gap); to.clip();
  switch (state) {
    case 0: to.fillStyle = ink; to.fillRect(s / 2 - w / 2, s / 2 - w / 2, w, w); break;
    case 3: lines(w, [0, 0.45, 0.45, 0], [0, 1, 1, 0], [0.55, 1, 1, 0.55]); break;
    case 4: lines(w * 1.6, [0.12, 0.12, 0.88, 0.88], [0.88, 0.12, 0.12, 0.88]); break;
    case 5: lines(w, [0, 0.3, 1, 0.3], [0, 0.7, 1, 0.7]); break;
    case 6: to.strokeStyle = ink; to.lineWidth = w * 1.4; to.strokeRect(gap + w, gap + w, s - 2 * (gap + w), s - 2 * (gap + w)); break;
    case 7: to.fillStyle = ink; to.beginPath(); to.moveTo(0, 0); to.lineTo(0, s); to.lineTo(s, s); to.fill(); break;
    case 8: to.fillStyle = ground; to.fillRect(s * 0.38, s * 0.38, s * 0.24, s * 0.24); break;
  }
  to.restore();
}

function tileOf(state, side) {
  const tile = document.createElement("canvas");
  tile.width = tile.height = side;
  const to = tile.getContext("2d", { willReadFrequently: true });
  paint(to, state, side);
  return new Uint32Array(to.getImageData(0, 0, side, side).data.buffer);
}

function layout() {
  // Whole pixels for each cell.
  ratio = Math.max(1, Math.min(3, Math.round(window.devicePixelRatio || 1)));
  const width = Math.max(160, canvas.parentElement.clientWidth - 34);
  shown = Math.min(count, Math.max(64, Math.ceil(count / 4 ** level)));
  first = Math.floor(cursor / shown) * shown;
  let best = null;
  for (let wide = 8; wide <= 512; wide *= 2) {
    const fits = Math.min(44, Math.floor(width / wide));
    if (fits < 4 && best) break;
    const tall = Math.ceil(shown / wide) * fits;
    if (!best || tall <= 560 || tall < best.tall) best = { wide, fits: Math.max(2, fits), tall };
    if (tall <= 560) break;
  }
  columns = best.wide; side = best.fits;
  const rows = Math.ceil(Math.min(shown, count - first) / columns);
  canvas.width = columns * side * ratio; canvas.height = rows * side * ratio;
  canvas.style.width = `${columns * side}px`; canvas.style.height = `${rows * side}px`;
  const style = getComputedStyle(canvas);
  tones = Object.fromEntries(["--cell-ground", "--cell-ink", "--cell-data", "--cell-full", "--ring"].map((name) => [name, style.getPropertyValue(name).trim()]));
  tiles = words.map((_, state) => tileOf(state, side * ratio));
  image = context.createImageData(canvas.width, canvas.height);
  pixels = new Uint32Array(image.data.buffer);
  for (const swatch of document.querySelectorAll("canvas.cell")) paint(swatch.getContext("2d"), Number(swatch.dataset.state), 40);
  document.getElementById("zoom-in").disabled = shown <= 64 || shown === count && count <= 64;
  document.getElementById("zoom-out").disabled = level === 0;
  all();
}

function all() {
  dirty.fill(1, first, Math.min(count, first + shown));
  ask();
}

function ask() {
  if (!asked) { asked = true; requestAnimationFrame(draw); }
}

function place(index) {
  const inside = index - first, s = side * ratio;
  return [(inside % columns) * s, Math.floor(inside / columns) * s, s];
}

function draw() {
  asked = false;
  if (drawnCursor >= 0) around(drawnCursor);
  around(cursor);
  const end = Math.min(count, first + shown), wide = canvas.width;
  let top = canvas.height, bottom = 0;
  for (let index = first; index < end; index += 1) {
    if (!dirty[index]) continue;
    const [x, y, s] = place(index), tile = tiles[cells[index]];
    for (let row = 0; row < s; row += 1) pixels.set(tile.subarray(row * s, row * s + s), (y + row) * wide + x);
    top = Math.min(top, y); bottom = Math.max(bottom, y + s);
  }
  dirty.fill(0);
  if (bottom > top) context.putImageData(image, 0, 0, 0, top, wide, bottom - top);
  const [x, y, s] = place(cursor), w = 2 * ratio;
  context.lineWidth = w * 2; context.strokeStyle = tone("--cell-ground"); context.strokeRect(x - w / 2, y - w / 2, s + w, s + w);
  context.lineWidth = w; context.strokeStyle = tone("--ring"); context.strokeRect(x - w / 2, y - w / 2, s + w, s + w);
  drawnCursor = cursor;
}

// The ring reaches over the cells beside it.
function around(index) {
  for (const row of [-columns, 0, columns]) for (const beside of [-1, 0, 1]) {
    const near = index + row + beside;
    if (near >= 0 && near < count) dirty[near] = 1;
  }
}

function tell() {
  const [word, means] = words[cells[cursor]];
  const text = `0x${(cursor * SECTOR).toString(16).padStart(6, "0")}, sector ${cursor} of ${count}: ${word}, ${means}`;
  if (at.textContent !== text) at.textContent = text;
}

function move(to) {
  cursor = Math.max(0, Math.min(count - 1, to));
  if (cursor < first || cursor >= first + shown) { drawnCursor = -1; layout(); } else ask();
  tell();
}

function zoom(by) {
  const wanted = level + by;
  if (wanted < 0 || (by > 0 && shown <= 64)) return;
  level = wanted; drawnCursor = -1;
  layout(); tell();
}

async function bytes() {
  const to = document.getElementById("sector-bytes"), where = (cursor * SECTOR).toString(16);
  document.getElementById("sector-at").value = where;
  const answer = await fetch(`${address}/sector/${where}`, { credentials: "same-origin" });
  if (!answer.ok) return;
  // Our own server's markup, with everything from chips escaped there.
  to.replaceChildren(document.createRange().createContextualFragment(await answer.text()));
  history.replaceState(null, "", `?at=${where}`);
  document.getElementById("sector").focus();
}

canvas.addEventListener("keydown", (event) => {
  const rows = 8 * columns;
  const moves = { ArrowLeft: -1, ArrowRight: 1, ArrowUp: -columns, ArrowDown: columns, PageUp: -rows, PageDown: rows, Home: -count, End: count };
  if (event.ctrlKey || event.altKey || event.metaKey) return;
  if (event.key in moves) move(cursor + moves[event.key]);
  else if (event.key === "+" || event.key === "=") zoom(1);
  else if (event.key === "-") zoom(-1);
  else if (event.key === "Enter") bytes();
  else return;
  event.preventDefault();
});
canvas.addEventListener("click", (event) => {
  const inside = canvas.getBoundingClientRect();
  const [x, y] = [event.clientX - inside.left, event.clientY - inside.top].map((pixels) => Math.floor(pixels / side));
  const index = first + y * columns + Math.min(x, columns - 1);
  if (index >= Math.min(count, first + shown)) return;
  move(index);
  // Small cells are nothing to hit with a glove: the first touch goes closer.
  if (side < 24 && shown > 64) zoom(1); else bytes();
});
document.getElementById("zoom-in").addEventListener("click", () => zoom(1));
document.getElementById("zoom-out").addEventListener("click", () => zoom(-1));

// Stretches that changed: FIRST,COUNT,STATE;...
canvas.addEventListener("cells", (event) => {
  for (const run of event.detail.split(";")) {
    const [from, many, state] = run.split(",").map(Number);
    if (!(state in words)) continue;
    const end = Math.min(count, from + many);
    cells.fill(state, from, end);
    dirty.fill(1, from, end);
  }
  ask(); tell();
});

// A window that nobody looks at holds no connection: a browser has few of them for one address.
let news = null;
function listen() {
  news?.close();
  news = null;
  if (document.hidden) return;
  news = new EventSource(`${address}/news`);
  news.addEventListener("open", () => { cells.fill(0); all(); });
  news.addEventListener("cells", (event) => canvas.dispatchEvent(new CustomEvent("cells", { detail: event.data })));
  news.addEventListener("counts", (event) => {
    for (const pair of event.data.split(";")) {
      const [state, sectors] = pair.split(",");
      const to = document.querySelector(`[data-count="${state}"]`);
      if (to) to.textContent = sectors;
    }
  });
  news.addEventListener("said", (event) => { said.textContent = event.data; });
}
document.addEventListener("visibilitychange", listen);
addEventListener("pagehide", () => news?.close());
listen();

document.querySelector(".map-tools").hidden = false;
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", layout);
let before = 0;
new ResizeObserver(([entry]) => {
  if (Math.abs(entry.contentRect.width - before) > 1) { before = entry.contentRect.width; drawnCursor = -1; layout(); }
}).observe(canvas.parentElement);
const wanted = Number.parseInt(new URLSearchParams(location.search).get("at") ?? "0", 16);
cursor = Math.max(0, Math.min(count - 1, Math.floor((wanted || 0) / SECTOR)));
layout(); tell();
