// Keeps a page at the present: fetches it again and swaps the parts marked with data-live.
"use strict";

const PERIOD_MS = 10_000;
let written = false; // somebody has begun to write in a form
let answeredAt = new Date();

document.addEventListener("input", () => { written = true; });

function openDetails(part) {
  return [...part.querySelectorAll("details[open] > summary")].map((one) => nameOf(one));
}

function nameOf(element) {
  return element.getAttribute("aria-label") || element.textContent.trim();
}

/** The element of `part` that stands for `lost`: same kind, same name. */
function successor(part, lost) {
  return [...part.querySelectorAll(lost.tagName)].find((one) => nameOf(one) === nameOf(lost));
}

function swap(old, fresh) {
  if (old.innerHTML === fresh.innerHTML && old.className === fresh.className) return;
  for (const name of openDetails(old)) {
    const same = [...fresh.querySelectorAll("summary")].find((one) => nameOf(one) === name);
    if (same) same.parentElement.open = true;
  }
  const held = old.contains(document.activeElement) ? document.activeElement : null;
  const next = held && held !== old ? successor(fresh, held) : null;
  if (held && held !== old && !next) return; // never take away what somebody is about to press
  old.className = fresh.className;
  old.replaceChildren(...fresh.childNodes);
  if (next) next.focus({ preventScroll: true });
}

function liveIds(root) {
  return [...root.querySelectorAll("[data-live]")].map((one) => one.id);
}

function offline(lost) {
  const note = document.getElementById("offline");
  note.hidden = !lost;
  if (lost) {
    const time = answeredAt.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
    note.textContent = `No answer from the service since ${time} on this device’s clock: the page shows what was known then.`;
  }
}

async function refresh() {
  if (document.hidden) return;
  let text;
  try {
    const answer = await fetch(location.pathname + location.search);
    if (!answer.ok) throw new Error(answer.statusText);
    text = await answer.text();
  } catch (error) {
    offline(true);
    return;
  }
  answeredAt = new Date();
  offline(false);
  const fresh = new DOMParser().parseFromString(text, "text/html");
  const ids = liveIds(document);
  if (!written && ids.join() !== liveIds(fresh).join()) {
    location.reload(); // the first tank, the first reading: another page now
    return;
  }
  for (const id of ids) {
    const part = fresh.getElementById(id);
    if (part) swap(document.getElementById(id), part);
  }
  document.dispatchEvent(new CustomEvent("littoral:refreshed"));
}

if (document.body.hasAttribute("data-refresh")) {
  setInterval(refresh, PERIOD_MS);
  document.addEventListener("visibilitychange", refresh);
}
