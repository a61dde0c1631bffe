// Brings news of the work in the background into the page, counts the patience timer down, and loads the page again when the journal
// has grown elsewhere. Everything else on the page works without it.

const job = document.querySelector(".job");
const words = JSON.parse(job.dataset.words);
const running = document.querySelector("#running");
const said = document.querySelector("#said");
let source = null;

// A form that somebody is filling in is never thrown away by a reload.
let dirty = false;
document.addEventListener("input", () => { dirty = true; });
// Nor is the answer to one that was sent: what it changed is told as news before it is answered.
let sent = false;
document.addEventListener("submit", () => { sent = true; });

function renew() {
  if (sent) return;
  if (!dirty) { location.reload(); return; }
  if (document.querySelector("#renew")) return;
  const note = document.createElement("p");
  note.id = "renew";
  note.className = "hint";
  note.setAttribute("role", "status");
  const link = document.createElement("a");
  link.href = location.href;
  link.textContent = words.renew;
  note.append(link);
  document.querySelector("#now").prepend(note);
}

function bytes(count) {
  const units = ["bytes", "KiB", "MiB"];
  let unit = 0;
  while (count >= 1024 && unit < 2) { count /= 1024; unit += 1; }
  return `${unit === 0 ? Math.round(count) : count.toFixed(2)} ${units[unit]}`;
}

function time(seconds) {
  if (seconds < 90) return `${Math.ceil(seconds)} s`;
  return `${Math.floor(seconds / 60)} min ${Math.round(seconds % 60)} s`;
}

function progress(phase) {
  const place = document.querySelector("#progress");
  if (!place) return;
  if (!phase) { place.textContent = words.working; return; }
  let bar = place.querySelector("progress");
  if (!bar || bar.dataset.phase !== phase.name) {
    const label = document.createElement("label");
    const name = document.createElement("span");
    name.textContent = phase.name;
    bar = document.createElement("progress");
    bar.dataset.phase = phase.name;
    label.append(name, " ", bar);
    place.replaceChildren(label, document.createElement("p"));
  }
  bar.max = Math.max(phase.total, 1);
  bar.value = phase.done;
  const rate = phase.rate === null ? "" : `, ${bytes(phase.rate)}/s`;
  const left = phase.left_s === null ? "" : `, ${time(phase.left_s)} ${words.left}`;
  place.querySelector("p").textContent = `${bytes(phase.done)} ${words.of} ${bytes(phase.total)}${rate}${left}`;
}

let lines = said ? said.children.length : 0;
let asked = running && running.querySelector("input[name=number]")?.value;

function show(now) {
  const task = now.task;
  const runs = task !== null && task.outcome === null;
  if (runs !== (running !== null)) { renew(); return; }
  if (!runs) {
    if (now.entries !== Number(job.dataset.entries)) renew();
    return;
  }
  if (task.step !== running.dataset.step) { renew(); return; }
  const number = task.question === null ? undefined : String(task.question.number);
  if (number !== (asked ?? undefined)) { renew(); return; }
  progress(task.phase);
  const word = document.querySelector("#word");
  if (word && task.word !== null) word.textContent = task.word;
  if (task.said.length !== lines) {
    said.replaceChildren(...task.said.map((line) => {
      const item = document.createElement("li");
      item.textContent = line;
      return item;
    }));
    said.scrollTop = said.scrollHeight;
    lines = task.said.length;
  }
}

// A window that nobody looks at holds no connection: a browser has few of them for one address.
function listen() {
  if (document.hidden) { source?.close(); source = null; return; }
  if (source) return;
  source = new EventSource(`/job/${job.dataset.job}/events`);
  source.addEventListener("now", (event) => show(JSON.parse(event.data)));
}
document.addEventListener("visibilitychange", listen);
listen();

const clock = document.querySelector("#patience");
if (clock) {
  const end = performance.now() + Number(clock.dataset.left) * 1000;
  const tick = () => {
    const left = Math.max(0, Math.ceil((end - performance.now()) / 1000));
    clock.textContent = `${Math.floor(left / 60)}:${String(left % 60).padStart(2, "0")}`;
    // The advice for the time after is the server's to give.
    if (left === 0) renew(); else setTimeout(tick, 250);
  };
  if (Number(clock.dataset.left) > 0) tick();
}
