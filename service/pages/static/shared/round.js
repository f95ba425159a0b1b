// The colleague's round on a phone: what is ticked off is kept here first and then sent, once; the
// page says how old its sheet is and whether there is a connection. Without script the forms are
// sent as forms.
"use strict";

import { shrunk } from "../pictures/shrink.js";
import { forget, keep, kept, keptBytes } from "./outbox.js";

const RETRY_MS = 30_000;
const OLD_MS = 10 * 60_000; // an older sheet is loaded anew once there is a connection
const PATIENCE_MS = 15_000;
const PICTURES_PATIENCE_MS = 180_000;
const MOST_PICTURES = 6; // that one report takes
const MOST_KEPT_BYTES = 40_000_000; // of pictures, kept on this phone until they are sent
const RELOADED = "littoral-reloaded";
const LATER = new Set([408, 425, 429]); // refused for now only

const { worker, made, zone } = document.body.dataset;
const link = location.pathname;
const byId = (id) => document.getElementById(id);
let sending = null;
let connected = true;

// What people read

function span(ms) {
  const minutes = Math.round(ms / 60_000);
  const words = (number, unit) => `${number} ${unit}${number === 1 ? "" : "s"}`;
  if (minutes < 60) return words(minutes, "minute");
  if (minutes < 48 * 60) return words(Math.round(minutes / 60), "hour");
  return words(Math.round(minutes / 1440), "day");
}

function ago(ms) {
  return ms < 2 * 60_000 ? "just now" : `${span(ms)} ago`;
}

function clock(ms) {
  return new Intl.DateTimeFormat("en-GB", { timeZone: zone, weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" }).format(ms);
}

function number(count, word) {
  return `${count} ${word}${count === 1 ? "" : "s"}`;
}

/** How old the sheet is, and that there is no connection. */
function showAge() {
  if (!made) return;
  const age = Date.now() - Date.parse(made);
  byId("age").textContent = age < 2 * 60_000 ? "" : `, ${ago(age)}`;
  const note = byId("offline");
  const words = connected ? "" : `No connection. This is the sheet of ${clock(Date.parse(made))}${age < 2 * 60_000 ? "" : `, ${span(age)} old`}. Tick off what you do: it is kept on this phone and sent later.`;
  if (note.textContent !== words) note.textContent = words;
  note.hidden = connected;
}

/** The list of what waits, and of what was refused. */
async function showKept() {
  const ones = await kept(link);
  const part = byId("kept");
  const refused = ones.filter((one) => one.refused);
  const waiting = ones.length - refused.length;
  byId("kept-words").textContent = [
    waiting ? `${number(waiting, "report")} kept on this phone, not sent yet.` : "",
    refused.length ? `${number(refused.length, "report")} not taken: tell the tank keeper yourself.` : "",
  ].filter(Boolean).join(" ");
  byId("kept-list").replaceChildren(...ones.map(row));
  part.hidden = !ones.length;
  part.classList.toggle("has-refused", refused.length > 0);
  for (const one of ones) mark(one, one.refused ? "not taken, see above" : "kept on this phone");
}

function row(one) {
  const item = document.createElement("li");
  const amount = one.number ? `: ${one.number.value} ${one.number.unit}` : "";
  const note = (one.note && one.note !== one.title ? ` “${one.note}”` : "") + withPictures(one);
  item.append(`${one.title}${amount}${note}, ticked off ${ago(Date.now() - one.at)}`);
  if (one.refused) {
    const why = document.createElement("p");
    why.className = "fault";
    why.textContent = `Not taken: ${one.refused}`;
    const told = document.createElement("button");
    told.type = "button";
    told.textContent = "I have told the tank keeper";
    told.setAttribute("aria-label", `I have told the tank keeper: ${one.title}`);
    told.addEventListener("click", async () => {
      await forget(one.key);
      await showKept();
    });
    item.append(why, told);
  }
  return item;
}

function withPictures(one) {
  return one.pictures?.length ? `, with ${number(one.pictures.length, "picture")}` : "";
}

/** A task that was ticked off: its form makes way for what became of it. */
function mark(one, words) {
  const task = [...document.querySelectorAll(".task")].find((each) => each.dataset.name === one.name);
  if (!task) return;
  task.classList.add("is-done");
  task.replaceChildren();
  const name = document.createElement("b");
  name.textContent = one.title;
  const state = document.createElement("span");
  state.className = "stamp";
  state.textContent = words;
  task.append(name, " ", state);
}

function showTaken(one, answer) {
  const item = document.createElement("li");
  const when = document.createElement("span");
  when.className = "stamp";
  when.textContent = clock(Date.parse(answer.time));
  item.append(`${answer.title}${withPictures(one)} `, when);
  if (one.without) item.append(`. Its pictures were not taken: ${one.without}`);
  byId("reported-list")?.prepend(item);
  if (byId("reported-none")) byId("reported-none").hidden = true;
  mark(one, `done ${clock(Date.parse(answer.time))}`);
}

// What is sent

async function asked(address, options = {}, patience = PATIENCE_MS) {
  const ending = new AbortController();
  const timer = setTimeout(() => ending.abort(), patience);
  try {
    const answer = await fetch(address, { ...options, cache: "no-store", signal: ending.signal });
    const type = answer.headers.get("Content-Type") ?? "";
    // A hotel's log-in page answers too, with a page of its own.
    if (!/^application\/(problem\+)?json/.test(type)) throw new Error("no answer of the service");
    return { status: answer.status, body: await answer.json() };
  } finally {
    clearTimeout(timer);
  }
}

/** Posts a report: as JSON, or with pictures as a form. */
function posted(report, pictures) {
  const options = { method: "POST", headers: { Accept: "application/json" } };
  if (!pictures.length) {
    options.headers["Content-Type"] = "application/json";
    return asked(`${link}/reports`, { ...options, body: JSON.stringify(report) });
  }
  const body = new FormData();
  body.append("report", JSON.stringify(report));
  for (const one of pictures) body.append("picture", new Blob([one.data], { type: one.type }), "picture");
  return asked(`${link}/pictures`, { ...options, body }, PICTURES_PATIENCE_MS);
}

/** Sends what is kept, one after the other. */
async function send() {
  for (const one of await kept(link)) {
    if (one.refused) continue;
    const seconds = Math.max(0, Math.round((Date.now() - one.at) / 1000));
    const report = { task: one.task, key: one.key, note: one.note };
    if (seconds) report.age = `PT${seconds}S`;
    if (one.number) report.number = one.number;
    if (one.observation) report.observation = one.observation;
    const { status, body } = await posted(report, one.pictures ?? []);
    if ((status >= 500 && !(status === 500 && one.pictures?.length)) || LATER.has(status)) throw new Error(body.detail);
    if (status === 200 && body.key === one.key) {
      await forget(one.key);
      showTaken(one, body);
    } else if (one.pictures?.length && (status === 413 || status === 422 || status === 500)) {
      // What was done counts more than its pictures: it is sent again without them.
      await keep({ ...one, pictures: [], without: String(body.detail ?? status) });
      return send();
    } else {
      await keep({ ...one, refused: String(body.detail ?? status) });
    }
    await showKept();
  }
}

/** Whether there is a connection; sends what waits, and loads an old sheet anew. */
function look(anew = false) {
  sending ??= (async () => {
    try {
      await send();
      if (made) {
        const { status } = await asked(`${link}/reports`, { headers: { Accept: "application/json" } });
        if (status === 404 || status === 410 || (anew && Date.now() - Date.parse(made) > OLD_MS)) reload();
      }
      connected = true;
    } catch {
      connected = false;
    } finally {
      sending = null;
      showAge();
    }
  })();
  return sending;
}

/** Loads the page again, unless somebody writes in it; not twice within a while, whatever this
    phone's clock says. */
function reload() {
  const before = Number(sessionStorage.getItem(RELOADED));
  if (written() || Math.abs(Date.now() - before) < OLD_MS) return;
  sessionStorage.setItem(RELOADED, Date.now());
  location.reload();
}

/** Whether somebody has begun to write. */
function written() {
  return [...document.querySelectorAll(".report input:not([type=hidden]), .report textarea")].some((one) => one.value !== one.defaultValue);
}

function newKey() {
  return [...crypto.getRandomValues(new Uint8Array(12))].map((one) => one.toString(16).padStart(2, "0")).join("");
}

function numberOf(form) {
  const input = form.elements.namedItem("number");
  if (!input || input.value === input.dataset.sheet) return null;
  return { value: Number(input.value.trim().replace(",", ".")), unit: input.dataset.unit };
}

function check(input) {
  const value = Number(input.value.trim().replace(",", "."));
  const most = Number(input.dataset.most ?? Infinity);
  const right = input.value.trim() && value >= 0 && value <= most;
  input.setCustomValidity(right ? "" : `Write a number${most < Infinity ? ` up to ${most}` : ""}, such as ${input.dataset.sheet || "4.5"}.`);
}

/** What was tapped on a scale; null where the form has none. */
function observationOf(form, button) {
  const observed = form.elements.namedItem("observed");
  return observed ? { kind: observed.value, level: Number(button.value) } : null;
}

/** The chosen pictures, made smaller; null where this phone would keep too much. */
async function picturesOf(form) {
  const input = form.elements.namedItem("picture");
  if (!input) return [];
  const found = [];
  for (const file of [...input.files].slice(0, MOST_PICTURES)) {
    const small = await shrunk(file);
    found.push({ type: small.type, data: await small.arrayBuffer() });
  }
  const bytes = found.reduce((sum, one) => sum + one.data.byteLength, 0);
  const excess = bytes && bytes + await keptBytes().catch(() => 0) > MOST_KEPT_BYTES;
  input.setCustomValidity(excess ? "Too many pictures wait on this phone. Take fewer, or send the others first." : "");
  if (!excess) return found;
  input.addEventListener("change", () => input.setCustomValidity(""), { once: true });
  input.reportValidity();
  return null;
}

async function tick(event) {
  const form = event.target;
  const button = event.submitter;
  event.preventDefault();
  if (form.dataset.busy) return;
  form.dataset.busy = "1";
  const pictures = await picturesOf(form);
  delete form.dataset.busy;
  if (!pictures) return;
  const words = form.elements.namedItem("note");
  if (!form.closest(".task") && words && !words.value.trim() && !pictures.length) {
    words.setCustomValidity("Write a note, or take a photograph.");
    form.addEventListener("input", () => words.setCustomValidity(""), { once: true });
    words.reportValidity();
    return;
  }
  const report = {
    key: form.elements.namedItem("key").value,
    link,
    name: form.closest(".task")?.dataset.name ?? "",
    task: form.elements.namedItem("task").value,
    title: form.dataset.title,
    number: numberOf(form),
    observation: observationOf(form, button),
    note: form.elements.namedItem("note")?.value.trim() ?? "",
    pictures,
    at: Date.now(),
  };
  const isNote = !form.closest(".task");
  if (report.observation) report.title = button.dataset.title;
  else if (isNote) report.title = !report.note ? "A photograph" : report.note.length > 80 ? `${report.note.slice(0, 79)}…` : report.note;
  try {
    await keep(report);
  } catch {
    form.removeEventListener("submit", tick); // this browser keeps nothing: send it as a form
    form.requestSubmit(button);
    return;
  }
  if (isNote) {
    form.reset();
    form.elements.namedItem("key").value = newKey();
  }
  form.closest(".observe")?.removeAttribute("open");
  await showKept();
  byId(report.observation ? "observe-h" : isNote ? "note-h" : "kept-h")?.scrollIntoView({ block: "nearest" });
  await sending;
  await look();
}

// The page itself

function openToday() {
  const today = new Intl.DateTimeFormat("en-CA", { timeZone: zone }).format(Date.now());
  for (const list of document.querySelectorAll("details.day-list")) {
    if (list.dataset.day <= today) list.open = true; // the sheet may be of yesterday
  }
}

for (const form of document.querySelectorAll("form.report")) {
  form.addEventListener("submit", tick);
  const input = form.elements.namedItem("number");
  if (input) {
    check(input);
    input.addEventListener("input", () => check(input));
  }
}
if (zone) openToday();
if (worker && "serviceWorker" in navigator) {
  navigator.serviceWorker.register(worker, { scope: link }).catch(() => {
    // Over plain HTTP, or where the browser forbids it: the page works with a connection only.
  });
  navigator.storage?.persist?.().catch(() => false);
}
await showKept();
await look(true);
setInterval(() => look(), RETRY_MS);
addEventListener("online", () => look(true));
document.addEventListener("visibilitychange", () => { if (!document.hidden) look(true); });
document.documentElement.dataset.ready = "";
