// Keeps a page at the present: the service's event stream says when something is new; then the page
// is fetched again and its parts marked with data-live are swapped.
"use strict";

const GATHER_MS = 150; // what comes together is fetched together
const LEAST_MS = 2_000; // between two fetches
const PAUSE = 5; // … and so many times as long as a fetch takes: a slow service is spared
const TICK_MS = 60_000; // words such as "3 min ago" grow old by themselves
const RETRY_MS = 30_000; // after the service has refused the stream

const { tank, newest, every } = document.body.dataset;
let written = false; // somebody has begun to write in a form
let answeredAt = new Date();
let fetchedAt = -LEAST_MS;
let tookMs = 0; // the last fetch
let waiting = null; // the next fetch
let source = null; // the stream
let refused = false; // the stream was

document.addEventListener("input", () => { written = true; });

/** What somebody has opened or folded stays so. */
function keepFolds(old, fresh) {
  const summaries = [...fresh.querySelectorAll("details > summary")];
  for (const summary of old.querySelectorAll("details > summary")) {
    const same = summaries.find((one) => nameOf(one) === nameOf(summary));
    if (same) same.parentElement.open = summary.parentElement.open;
  }
}

/** What somebody has written or chosen in a part stays in it. */
function keepValues(old, fresh) {
  for (const field of old.querySelectorAll("input[id], select[id]")) {
    const start = field.tagName === "SELECT" ? field.querySelector("option").value : field.defaultValue;
    const same = fresh.querySelector(`#${CSS.escape(field.id)}`);
    if (same && field.value !== start) same.value = field.value;
  }
}

function nameOf(element) {
  return element.getAttribute("aria-label") || element.textContent.trim();
}

/** The element of `part` that stands for `lost`: same kind, same name. */
function successor(part, lost) {
  return [...part.querySelectorAll(lost.tagName)].find((one) => nameOf(one) === nameOf(lost));
}

/** The markup of a part without the tokens of its forms, which are other ones each time. */
function markup(part) {
  return part.innerHTML.replace(/name="csrf_token" value="[^"]*"/g, "");
}

function swap(old, fresh) {
  if (markup(old) === markup(fresh) && old.className === fresh.className) return;
  keepFolds(old, fresh);
  keepValues(old, fresh);
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

function clock(time) {
  return time.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
}

/** Says above the page that it is not live, and why; "" takes it back. */
function say(text) {
  const note = document.getElementById("offline");
  if (note.textContent !== text) note.textContent = text;
  note.hidden = !text;
}

async function refresh() {
  waiting = null;
  if (document.hidden) return;
  fetchedAt = performance.now();
  let answer, text;
  try {
    answer = await fetch(location.pathname + location.search);
    if (!answer.ok) throw new Error(answer.statusText);
    text = await answer.text();
    tookMs = performance.now() - fetchedAt;
  } catch (error) {
    say(`No answer from the service since ${clock(answeredAt)} on this device’s clock: the page shows what was known then.`);
    return;
  }
  if (answer.redirected) {
    if (written) say("You are logged out: copy what you have written, then load the page again to log in.");
    else location.reload();
    return;
  }
  answeredAt = new Date();
  say(refused
    ? `Not updating live: too many pages are open. The page shows what was known at ${clock(answeredAt)} and asks again every 30 seconds.`
    : "");
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

function soon() {
  const rest = fetchedAt + Math.max(LEAST_MS, PAUSE * tookMs) - performance.now();
  waiting ??= setTimeout(refresh, Math.max(GATHER_MS, rest));
}

function listen() {
  const options = new URLSearchParams({ readings: true, ...(tank && { tank }) });
  source = new EventSource(`/v1/events?${options}`);
  let begun = false; // what came before was there when the page was made, or not
  let lost = false;
  source.addEventListener("reading", ({ data }) => {
    if (begun || Date.parse(JSON.parse(data).time) > newest) soon();
  });
  source.addEventListener("listening", () => {
    if (lost || refused) soon();
    begun = true;
    lost = refused = false;
  });
  for (const type of ["opened", "changed", "cleared", "marked"]) {
    source.addEventListener(`recommendation.${type}`, soon);
  }
  source.addEventListener("trouble", soon);
  source.addEventListener("error", () => {
    lost = true;
    refused = source.readyState === EventSource.CLOSED; // otherwise it comes back by itself
    if (refused) source = null;
    soon(); // tells whether the service is still there
  });
}

function leave() {
  source?.close();
  source = null;
}

/** A page that nobody sees holds no stream: a browser has only six for one service. */
function attend() {
  if (document.hidden) {
    leave();
    return;
  }
  if (!source) listen();
}

if (document.body.hasAttribute("data-refresh")) {
  attend();
  setInterval(soon, every ? 1000 * every : TICK_MS); // some pages show what no event tells
  setInterval(attend, RETRY_MS);
  document.addEventListener("visibilitychange", () => {
    attend();
    if (!document.hidden) soon();
  });
  addEventListener("pagehide", leave);
  addEventListener("pageshow", ({ persisted }) => {
    if (persisted) {
      attend();
      soon();
    }
  });
}
