// Branches of an image come when they are unfolded; a stretch of the strip unfolds its branch.
const fetched = new WeakSet();

async function unfold(node) {
  const inside = node.querySelector(":scope > .inside");
  if (fetched.has(node) || !inside || !inside.querySelector(":scope > .waits")) return;
  fetched.add(node);
  inside.setAttribute("aria-busy", "true");
  try {
    const answer = await fetch(node.dataset.inside, { credentials: "same-origin" });
    if (!answer.ok) throw new Error(answer.statusText);
    // Our own server's markup, with everything from files escaped there.
    inside.replaceChildren(document.createRange().createContextualFragment(await answer.text()));
  } catch {
    fetched.delete(node);
  }
  inside.removeAttribute("aria-busy");
}

document.addEventListener("toggle", (event) => {
  if (event.target.matches?.("details.node") && event.target.open) unfold(event.target);
}, true);

for (const link of document.querySelectorAll(".strip a")) {
  link.addEventListener("click", (event) => {
    const id = new URL(link.href.baseVal ?? link.href, location.href).hash.slice(1);
    const node = document.getElementById(id);
    if (!node) return;
    event.preventDefault();
    node.open = true;
    node.querySelector("summary").focus();
    node.scrollIntoView({ block: "start" });
  });
}
