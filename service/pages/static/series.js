// Fetches the series of a tank from the JSON API and brings them into columns for the charts.

const STEPS_S = [60, 300, 900, 1800, 7200, 21600, 86400];
const MOST_POINTS = 400;
export const DAY_S = 86400;
/** From this length on, light is shown as sums of days and temperature with its extremes. */
export const LONG_S = 14 * DAY_S;

/** Length of the spans that a window is summed up over, so that about 300 points fill it. */
export function stepFor(start, end) {
  return STEPS_S.find((step) => (end - start) / step < MOST_POINTS + 1) ?? DAY_S;
}

function moment(seconds) {
  return new Date(seconds * 1000).toISOString();
}

async function get(path, options) {
  const address = `${path}?${new URLSearchParams(options)}`;
  const answer = await fetch(address, { headers: { Accept: "application/json" } });
  const body = await answer.json();
  if (!answer.ok) throw new Error(body.detail || body.title);
  return body;
}

/** All parts of a list, following `next`. */
async function getAll(path, options, member) {
  let body = await get(path, options);
  const items = body[member];
  while (body.next) {
    const [nextPath, query] = body.next.split("?");
    body = await get(nextPath, query);
    items.push(...body[member]);
  }
  return items;
}

/**
 * Columns with an empty row in every stretch without readings, so that no line bridges it.
 * A span's value is drawn at its middle.
 */
function columns(items, names, step, latest) {
  const times = items.map((item) => Date.parse(item.time) / 1000);
  const distances = times.slice(1).map((time, at) => time - times[at]).sort((a, b) => a - b);
  const usual = distances[Math.floor(distances.length / 2)] ?? step;
  const most = Math.max(2.5 * step, 3 * usual);
  const made = [[], ...names.map(() => [])];
  items.forEach((item, at) => {
    if (at > 0 && times[at] - times[at - 1] > most) {
      made[0].push(times[at - 1] + step);
      names.forEach((_, column) => made[column + 1].push(null));
    }
    made[0].push(Math.min(times[at] + step / 2, latest));
    names.forEach((name, column) => made[column + 1].push(item[name]));
  });
  return made;
}

/** A day's mean would mix the lit hours with the night's rest: take its highest point instead. */
function highestOfDays(points) {
  const days = new Map();
  for (const point of points) {
    if (point.value === null) continue;
    const day = `${point.time.slice(0, 10)}T00:00:00Z`;
    if (!(days.get(day)?.value >= point.value)) days.set(day, { ...point, time: day });
  }
  return [...days.values()];
}

export async function co2Series(frame, start, end) {
  const daily = stepFor(start, end) === DAY_S;
  const step = daily ? 7200 : stepFor(start, end);
  const options = { start: moment(start), end: moment(end), every: `${step}s` };
  const points = await getAll(`/v1/tanks/${frame.tank}/co2/series`, options, "points");
  return daily
    ? columns(highestOfDays(points), ["value", "low", "high"], DAY_S, frame.now)
    : columns(points, ["value", "low", "high"], step, frame.now);
}

async function readings(frame, quantity, sensor, start, end, step, aggregate) {
  const options = {
    quantity, sensor, aggregate, start: moment(start), end: moment(end), every: `${step}s`,
  };
  return getAll(`/v1/tanks/${frame.tank}/readings`, options, "readings");
}

export async function temperatureSeries(frame, start, end) {
  const { sensor } = frame.temperature;
  if (!sensor) return [[], [], [], []];
  const step = stepFor(start, end);
  const wanted = end - start > LONG_S ? ["mean", "min", "max"] : ["mean"];
  const [mean, low, high] = await Promise.all(
    wanted.map((one) => readings(frame, "temperature", sensor, start, end, step, one)));
  const items = mean.map((item, at) => ({
    time: item.time,
    value: item.value,
    low: low ? low[at].value : null,
    high: high ? high[at].value : null,
  }));
  return columns(items, ["value", "low", "high"], step, frame.now);
}

/** Light as measured, or as daily sums (mol/m² or klx·h per UTC day) over long stretches. */
export async function lightSeries(frame, start, end) {
  const { quantity, sensor } = frame.light;
  if (!sensor) return [[], []];
  const long = end - start > LONG_S;
  const step = long ? DAY_S : stepFor(start, end);
  const items = await readings(frame, quantity, sensor, start, end, step, "mean");
  if (long) {
    const perDay = quantity === "ppfd" ? DAY_S / 1e6 : 24 / 1000;
    for (const item of items) item.value *= perDay;
  }
  return columns(items, ["value"], step, frame.now);
}

const LANE_FOOT = 0.16;
const LANE_SPAN = 0.42; // the rest of a lane has its title

/**
 * What was seen on a scale: one lane for each kind, the first at the top, in which the line rises
 * with the level.
 */
export async function observationSeries(frame, start, end) {
  const options = { start: moment(start), end: moment(end), limit: 1000 };
  const seen = await getAll(`/v1/tanks/${frame.tank}/observations`, options, "observations");
  seen.reverse();
  const kinds = [...new Set(seen.map((one) => one.kind))];
  const heightOf = (lane, level) => kinds.length - 1 - lane + LANE_FOOT + (LANE_SPAN * level) / 5;
  const lanes = kinds.map((kind, lane) =>
    seen.map((one) => (one.kind === kind ? heightOf(lane, one.level) : null)));
  const titles = kinds.map((kind) => seen.find((one) => one.kind === kind).title);
  return Object.assign([seen.map((one) => Date.parse(one.time) / 1000), ...lanes], { titles, seen });
}

/** Excursions from the animals' range, as [start, end, side] in unix seconds. */
export async function excursions(frame, start, end) {
  if (end - start > 62 * DAY_S) return []; // the extremes of each day are drawn instead
  const options = { start: moment(start), end: moment(end) };
  const body = await get(`/v1/tanks/${frame.tank}/temperature/excursions`, options);
  return body.excursions.map((one) => [
    Date.parse(one.start) / 1000, Date.parse(one.end) / 1000, one.side, one.peak.value,
  ]);
}

const litOfDay = new Map();

/** Lit stretches of a window: of the last days from the page itself, of earlier ones by day. */
export async function litStretches(frame, start, end) {
  if (end - start > LONG_S || !frame.light.sensor) return [];
  const wanted = [];
  for (let time = start; time < Math.min(end, frame.lit_from); time += DAY_S) {
    wanted.push(new Date(time * 1000).toISOString().slice(0, 10));
  }
  const found = await Promise.all(wanted.map(async (date) => {
    if (!litOfDay.has(date)) {
      const body = await get(`/v1/tanks/${frame.tank}/light`, { date });
      litOfDay.set(date, body.lit.map((one) => [Date.parse(one.start) / 1000, Date.parse(one.end) / 1000]));
    }
    return litOfDay.get(date);
  }));
  return [...found.flat(), ...frame.lit];
}
