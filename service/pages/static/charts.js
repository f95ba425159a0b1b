// The charts of a tank: one window of time for all of them, moved by tabs, buttons, keys, dragging or touch.

import {
  DAY_S, LONG_S, co2Series, excursions, lightSeries, litStretches, observationSeries, stepFor,
  temperatureSeries,
} from "./series.js";
import { formatter, kindOf, optionsOf } from "./drawing.js";
import { listenToTouch } from "./gestures.js";

const DAYS = { day: 1, week: 7, month: 30, year: 365 };
const SHORTEST_S = 1800;
const LONGEST_S = 366 * DAY_S;
const LOADERS = {
  co2: co2Series, temperature: temperatureSeries, light: lightSeries, observations: observationSeries,
};
const LANE_REM = 2.9;
const AXIS_REM = 2.2;

let frame = readFrame();
let range = DAYS[new URLSearchParams(location.search).get("range")]
  ? new URLSearchParams(location.search).get("range") : "day";
let span = presentSpan(); // {start, end, follows}: unix seconds
let loads = 0;
const places = [...document.querySelectorAll("[data-chart]")].map((element) => ({
  key: element.dataset.chart,
  element,
  readout: document.getElementById(`${element.dataset.chart}-readout`),
  chart: null,
  data: null,
  kind: null,
}));

function readFrame() {
  return JSON.parse(document.getElementById("chart-data").textContent);
}

function presentSpan() {
  return { start: frame.now - DAYS[range] * DAY_S, end: frame.now, follows: true };
}

/** A window, kept within what can be shown. */
function within(start, end) {
  const length = Math.round(Math.min(Math.max(end - start, SHORTEST_S), LONGEST_S));
  const middle = (start + end) / 2;
  const last = Math.min(Math.round(middle + length / 2), frame.now);
  return { start: last - length, end: last, follows: last >= frame.now };
}

/** Move the window. */
function show(start, end) {
  span = within(start, end);
  load();
}

/** What is drawn already, in another window: while fingers move. */
function preview(start, end) {
  const shown = within(start, end);
  for (const { chart } of places) chart?.setScale("x", { min: shown.start, max: shown.end });
}

/** Where a chart's window lies on the page. */
function plotOf(place) {
  const { left, width } = (place.chart ? place.chart.over : place.element).getBoundingClientRect();
  return { left, width };
}

function toNow() {
  span = presentSpan();
  load();
}

function zoom(factor) {
  const anchor = span.follows ? span.end : (span.start + span.end) / 2;
  const length = Math.min(Math.max((span.end - span.start) * factor, SHORTEST_S), LONGEST_S);
  const share = span.follows ? 1 : 0.5;
  show(anchor - length * share, anchor + length * (1 - share));
}

function shift(direction) {
  const step = (direction * (span.end - span.start)) / 2;
  show(span.start + step, span.end + step);
}

async function load() {
  const mine = ++loads;
  const window = span;
  tellButtons();
  const { start } = window;
  const end = window.end + 1; // the API leaves the end out, and the newest reading may be there
  for (const place of places) place.element.setAttribute("aria-busy", "true");
  const extra = { lit: [], excursions: [], long: end - start > LONG_S, year: stepFor(start, end) === DAY_S };
  const beside = Promise.all([litStretches(frame, start, end), excursions(frame, start, end)])
    .then(([lit, left]) => Object.assign(extra, { lit, excursions: left }));
  await Promise.all(places.map(async (place) => {
    try {
      const [data] = await Promise.all([LOADERS[place.key](frame, start, end), beside]);
      if (mine === loads) draw(place, data, window, extra);
    } catch (error) {
      if (mine === loads) tellTrouble(place, `The series cannot be had: ${error.message}`);
    }
  }));
}

function draw(place, data, window, extra) {
  if (!data.slice(1).some((column) => column.some((value) => value !== null))) {
    tellTrouble(place, place.key === "observations" ? "Nothing was noted in this span." : "Nothing known in this span.");
    return;
  }
  place.element.classList.remove("blank");
  place.element.removeAttribute("aria-busy");
  place.data = data;
  place.kind = kindOf(place.key, frame, extra, data);
  if (place.kind.lanes) place.element.style.height = `${LANE_REM * place.kind.lanes + AXIS_REM}rem`;
  const at = place.chart ? place.chart.cursor.left : -10;
  place.chart?.destroy();
  place.element.replaceChildren();
  const hooks = { zoom: show, back: toNow, cursor: (chart) => tell(place, chart) };
  const size = { width: place.element.clientWidth, height: place.element.clientHeight };
  place.chart = new uPlot(optionsOf(place.kind, frame, size, window, hooks), data, place.element);
  if (at >= 0) place.chart.setCursor({ left: at, top: 10 });
  else place.readout.textContent = place.kind.key;
}

function tellTrouble(place, text) {
  place.chart?.destroy();
  place.chart = null;
  place.element.classList.add("blank");
  place.element.style.height = "";
  place.element.removeAttribute("aria-busy");
  const words = document.createElement("p");
  words.textContent = text;
  place.element.replaceChildren(words);
  place.readout.textContent = "";
}

/** A moment in words: to the minute, or to the day where the window spans months. */
function moment(seconds) {
  const day = { weekday: "short", day: "numeric", month: "short" };
  const months = span.end - span.start > 60 * DAY_S;
  const rest = months ? { year: "numeric" } : { hour: "2-digit", minute: "2-digit" };
  return formatter(frame.zone, { ...day, ...rest })(seconds);
}

function tell(place, chart) {
  const { idx } = chart.cursor;
  if (idx === null || idx === undefined) {
    place.readout.textContent = place.kind.key;
    return;
  }
  const values = place.data.slice(1).map((column) => column[idx]);
  const known = values.some((value) => value !== null);
  const text = known ? place.kind.tell(values, idx) : "not known";
  place.readout.textContent = `${moment(place.data[0][idx])}: ${text}`;
}

function tellButtons() {
  const length = span.end - span.start;
  document.getElementById("span").textContent = `${moment(span.start)} to ${moment(span.end)}`;
  for (const button of document.querySelectorAll("[data-range]")) {
    const chosen = button.dataset.range === range;
    button.setAttribute("aria-selected", String(chosen));
    button.tabIndex = chosen ? 0 : -1;
    if (chosen) document.getElementById("charts").setAttribute("aria-labelledby", button.id);
  }
  const press = (name) => document.querySelector(`[data-move="${name}"]`);
  press("later").disabled = span.follows;
  press("closer").disabled = length <= SHORTEST_S;
  press("wider").disabled = length >= LONGEST_S;
  press("now").disabled = span.follows && Math.abs(length - DAYS[range] * DAY_S) < 60;
}

const MOVES = {
  earlier: () => shift(-1),
  later: () => shift(1),
  closer: () => zoom(0.5),
  wider: () => zoom(2),
  now: toNow,
};

function step(place, by) {
  const { chart, data } = place;
  if (!chart) return;
  const last = data[0].length - 1;
  const from = chart.cursor.idx ?? (by > 0 ? -1 : last + 1);
  const to = Math.min(Math.max(from + by, 0), last);
  const value = data[1][to] ?? chart.scales.y.min;
  chart.setCursor({ left: chart.valToPos(data[0][to], "x"), top: chart.valToPos(value, "y") });
}

function key(place, event) {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const actions = {
    ArrowLeft: () => (event.shiftKey ? MOVES.earlier() : step(place, -1)),
    ArrowRight: () => (event.shiftKey ? MOVES.later() : step(place, 1)),
    Home: () => step(place, -Infinity),
    End: () => step(place, Infinity),
    "+": MOVES.closer,
    "=": MOVES.closer,
    "-": MOVES.wider,
    0: toNow,
    Escape: toNow,
  };
  if (!actions[event.key]) return;
  event.preventDefault();
  actions[event.key]();
}

function resize() {
  for (const { chart, element } of places) {
    chart?.setSize({ width: element.clientWidth, height: element.clientHeight });
  }
}

function refreshed() {
  const before = frame.last;
  frame = readFrame();
  if (!span.follows || frame.last === before) return;
  const length = span.end - span.start;
  span = { start: frame.now - length, end: frame.now, follows: true };
  load();
}

for (const place of places) {
  place.element.addEventListener("keydown", (event) => key(place, event));
  place.element.addEventListener("focus", () => place.readout.setAttribute("aria-live", "polite"));
  place.element.addEventListener("blur", () => place.readout.setAttribute("aria-live", "off"));
  new ResizeObserver(resize).observe(place.element);
  listenToTouch(place.element, () => plotOf(place), () => span, { preview, done: show });
}

function choose(tab) {
  range = tab.dataset.range;
  const address = new URL(location.href);
  address.searchParams.set("range", range);
  history.replaceState(null, "", address);
  toNow();
}

const tabs = [...document.querySelectorAll("[data-range]")];
tabs.forEach((tab, at) => {
  tab.addEventListener("click", () => choose(tab));
  tab.addEventListener("keydown", ({ key: pressed }) => {
    const by = { ArrowLeft: -1, ArrowRight: 1 }[pressed];
    if (!by) return;
    const next = tabs[(at + by + tabs.length) % tabs.length];
    next.focus();
    choose(next);
  });
});
for (const button of document.querySelectorAll("[data-move]")) {
  button.addEventListener("click", () => MOVES[button.dataset.move]());
}
document.addEventListener("littoral:refreshed", refreshed);
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", load);
document.getElementById("span-bar").hidden = false;
load();
