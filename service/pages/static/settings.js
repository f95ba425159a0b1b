// The settings of a tank: redraws what stands beside a form while it is edited.
import { combine } from "./combobox.js";

const PAUSE_MS = 250;

function query(form, section) {
  const given = new URLSearchParams();
  for (const [name, text] of new FormData(form)) {
    const isLeft = form.dataset.new !== undefined && text === "";
    if (!isLeft && !["csrf_token", "was", "version", "section"].includes(name)) given.set(name, text);
  }
  return `${form.dataset.preview.replace("SECTION", section)}?${given}`;
}

async function redraw(form, section) {
  const asked = Symbol("asked");
  form.asked[section] = asked;
  const answer = await fetch(query(form, section));
  if (!answer.ok || form.asked[section] !== asked) return; // something else was typed meanwhile
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  const drawn = page.querySelector("[data-drawn]");
  const place = form.querySelector(`[data-drawn="${section}"]`);
  if (drawn && place) place.replaceChildren(...drawn.childNodes);
  const notes = new Map([...page.querySelectorAll("[data-note]")].map((one) => [one.dataset.note, one]));
  for (const note of form.querySelectorAll(`#${section} [data-note]`)) {
    const found = notes.get(note.dataset.note);
    note.replaceChildren(...(found ? found.childNodes : []));
    if (found?.dataset.unknown !== undefined) {
      const limits = note.parentElement.querySelector("details");
      if (limits) limits.open = true;
    }
  }
}

for (const form of document.querySelectorAll("form[data-preview]")) {
  const waiting = {};
  form.asked = {};
  for (const kind of ["input", "change"]) {
    form.addEventListener(kind, (event) => {
      const searching = event.target.getAttribute("role") === "combobox";
      if (kind === "input" && searching) return; // half a name is no species
      const section = (event.target.closest("details.setting") ?? {}).id;
      clearTimeout(waiting[section]);
      waiting[section] = setTimeout(() => redraw(form, section), PAUSE_MS);
    });
  }
}

function begin(part) {
  for (const input of part.querySelectorAll("input[list][data-offers]")) {
    if (input.dataset.offers !== "zones") combine(input);
  }
}

// One more line of a list, as soon as the last is written in; without script, after saving.
function grow(rows) {
  const name = rows.dataset.rows;
  const last = [...rows.children].filter((one) => one.matches(".row-new")).at(-1);
  if (!last) return;
  const blank = last.cloneNode(true);
  const index = Number(
    last.querySelector("[name]").name.slice(name.length + 1).split(".")[0],
  );
  rows.querySelector(":scope > .more-rows")?.remove();
  last.addEventListener(
    "input",
    () => {
      const html = blank.outerHTML
        .replaceAll(`${name}.${index}.`, `${name}.${index + 1}.`)
        .replaceAll(`${name}.${index}"`, `${name}.${index + 1}"`)
        .replaceAll(`${name.replaceAll(".", "-")}-${index}`, `${name.replaceAll(".", "-")}-${index + 1}`);
      const made = new DOMParser().parseFromString(html, "text/html").querySelector("fieldset");
      made.querySelector("legend").textContent = made
        .querySelector("legend")
        .textContent.replace("First", "Another");
      last.after(made);
      for (const inner of made.querySelectorAll("[data-rows]")) grow(inner);
      grow(rows);
      begin(made);
    },
    { once: true },
  );
}

for (const rows of document.querySelectorAll("[data-rows]")) grow(rows);
begin(document);

const zone = document.querySelector("form[data-new] [data-offers=zones]");
if (zone && zone.value === "") zone.value = Intl.DateTimeFormat().resolvedOptions().timeZone ?? "";

function unfold() {
  const target = location.hash.length > 1 && document.getElementById(location.hash.slice(1));
  const section = target && target.closest("details.setting");
  if (section) section.open = true;
}

addEventListener("hashchange", unfold);
unfold();
document.querySelector("[aria-invalid]")?.focus();
