// How the charts look: axes, what is aimed at, lit hours, excursions. Colours come from the style
// sheet; hatching, dashes and words carry the same meaning.

const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
const FONT = "12px system-ui, sans-serif";

export function formatter(zone, options) {
  const made = new Intl.DateTimeFormat("en-GB", { timeZone: zone, hourCycle: "h23", ...options });
  return (seconds) => made.format(new Date(seconds * 1000));
}

/** Labels of the time axis: hours within a day, days beyond, the day's name at midnight. */
function timeLabels(zone) {
  const clock = formatter(zone, { hour: "2-digit", minute: "2-digit" });
  const day = formatter(zone, { weekday: "short", day: "numeric" });
  const date = formatter(zone, { day: "numeric", month: "short" });
  const month = formatter(zone, { month: "short", year: "2-digit" });
  return (chart, splits, axis, space, step) => splits.map((at) => {
    if (step >= 28 * 86400) return month(at);
    if (step >= 2 * 86400) return date(at);
    if (step >= 86400) return day(at);
    return clock(at) === "00:00" ? day(at) : clock(at);
  });
}

function axes(zone, unitDigits, lanes) {
  const line = { stroke: css("--line"), width: 1 };
  const common = { stroke: css("--soft"), font: FONT, ticks: { ...line, size: 4 } };
  return [
    { ...common, grid: { show: false }, values: timeLabels(zone), space: 64, size: 26 },
    {
      ...common,
      grid: lanes ? { show: false } : line,
      size: 52,
      space: 28,
      values: (chart, splits) => splits.map((value) => (lanes ? "" : value.toFixed(unitDigits(splits)))),
    },
  ];
}

function digits(splits) {
  const step = splits.length > 1 ? splits[1] - splits[0] : 1;
  return [0, 1, 2].find((count) => Math.abs(step - Number(step.toFixed(count))) < 1e-9) ?? 2;
}

function hatch(context, colour) {
  const tile = document.createElement("canvas");
  tile.width = tile.height = 8;
  const pen = tile.getContext("2d");
  pen.strokeStyle = colour;
  pen.lineWidth = 1.4;
  pen.beginPath();
  pen.moveTo(-2, 10); pen.lineTo(10, -2);
  pen.moveTo(-2, 2); pen.lineTo(2, -2);
  pen.moveTo(6, 10); pen.lineTo(10, 6);
  pen.stroke();
  return context.createPattern(tile, "repeat");
}

/** Box of the plot in canvas pixels, and the x of a time kept inside it. */
function plot(chart) {
  const { left, top, width, height } = chart.bbox;
  const x = (time) => Math.min(Math.max(chart.valToPos(time, "x", true), left), left + width);
  const y = (value) => Math.min(Math.max(chart.valToPos(value, "y", true), top), top + height);
  return { left, top, width, height, right: left + width, bottom: top + height, x, y };
}

function words(context, text, x, y, colour) {
  context.font = `${12 * devicePixelRatio}px system-ui, sans-serif`;
  context.fillStyle = colour;
  context.textAlign = "left";
  context.textBaseline = "middle";
  context.fillText(text, x, y);
}

/** Behind everything: lit hours, as a wash with a solid edge at the top. */
function drawLit(chart, stretches) {
  const { ctx } = chart;
  const box = plot(chart);
  for (const [start, end] of stretches) {
    const from = box.x(start);
    const width = box.x(end) - from;
    if (width <= 0) continue;
    ctx.fillStyle = css("--lit-wash");
    ctx.fillRect(from, box.top, width, box.height);
    ctx.fillStyle = css("--lit");
    ctx.fillRect(from, box.top, width, 3 * devicePixelRatio);
  }
}

/** Limits as dashed lines over the curves, each with its words on a scrap of paper. */
function drawLimits(chart, limits) {
  const { ctx } = chart;
  const box = plot(chart);
  const unit = devicePixelRatio;
  for (const [value, text, side] of limits) {
    if (value === null || value < chart.scales.y.min || value > chart.scales.y.max) continue;
    const y = Math.round(box.y(value)) + 0.5;
    ctx.strokeStyle = css("--ink");
    ctx.lineWidth = unit;
    ctx.setLineDash([6 * unit, 4 * unit]);
    ctx.beginPath();
    ctx.moveTo(box.left, y);
    ctx.lineTo(box.right, y);
    ctx.stroke();
    ctx.setLineDash([]);
    ctx.font = `${12 * unit}px system-ui, sans-serif`;
    const width = ctx.measureText(text).width + 8 * unit;
    const fits = side === "over" ? y - 16 * unit > box.top : y + 16 * unit > box.bottom;
    const middle = y + (fits ? -9 : 9) * unit;
    ctx.fillStyle = css("--paper-thin");
    ctx.fillRect(box.left + 2 * unit, middle - 8 * unit, width, 16 * unit);
    words(ctx, text, box.left + 6 * unit, middle, css("--ink"));
  }
}

/** Excursions hatched from the limit outwards, with the word that says which way. */
function drawExcursions(chart, frame, stretches) {
  const { ctx } = chart;
  const box = plot(chart);
  ctx.save();
  for (const [start, end, side] of stretches) {
    const from = box.x(start);
    const width = Math.max(box.x(end) - from, 2);
    const limit = box.y(side === "above" ? frame.temperature.high : frame.temperature.low);
    const [top, bottom] = side === "above" ? [box.top, limit] : [limit, box.bottom];
    ctx.fillStyle = hatch(ctx, css("--warning"));
    ctx.globalAlpha = 0.55;
    ctx.fillRect(from, top, width, bottom - top);
    ctx.globalAlpha = 1;
  }
  ctx.restore();
}

/** The excursions of a window in words, for those who cannot see the hatching. */
function excursionText(frame, stretches) {
  const { low, high } = frame.temperature;
  if (low === null && high === null) return "line: temperature";
  if (!stretches.length) return "line: temperature";
  const peaks = stretches.map(([, , , peak]) => peak);
  const sides = new Set(stretches.map(([, , side]) => side));
  const worst = sides.has("above") ? Math.max(...peaks) : Math.min(...peaks);
  const times = stretches.length === 1 ? "once" : `${stretches.length} times`;
  return `hatched: outside the animals’ range, ${times} in this span, ${sides.has("above") ? "up" : "down"} to ${worst.toFixed(1)} °C`;
}

/** What was seen: the title of each lane, and each level as a number in a dot. */
function drawLanes(chart, data) {
  const { ctx } = chart;
  const box = plot(chart);
  const unit = devicePixelRatio;
  data.titles.forEach((title, lane) => {
    const top = box.y(data.titles.length - lane);
    if (lane) {
      ctx.fillStyle = css("--line");
      ctx.fillRect(box.left, top, box.width, unit);
    }
    words(ctx, title, box.left + 6 * unit, top + 10 * unit, css("--ink"));
  });
  ctx.font = `bold ${11 * unit}px system-ui, sans-serif`;
  ctx.textAlign = "center";
  ctx.textBaseline = "middle";
  data.seen.forEach((one, at) => {
    const [time, ...heights] = data.map((column) => column[at]);
    if (time < chart.scales.x.min || time > chart.scales.x.max) return;
    const [x, y] = [box.x(time), box.y(heights.find((height) => height !== null))];
    ctx.beginPath();
    ctx.arc(x, y, 8 * unit, 0, 2 * Math.PI);
    ctx.fillStyle = css(one.level ? "--water" : "--sheet");
    ctx.fill();
    ctx.strokeStyle = css("--water");
    ctx.lineWidth = 1.5 * unit;
    ctx.stroke();
    ctx.fillStyle = css(one.level ? "--sheet" : "--ink");
    ctx.fillText(String(one.level), x, y + unit);
  });
}

/** Holds the data, and the limits that lie no further from them than `reach`. */
function yRange({ limits, floor, reach }) {
  return (chart, low, high) => {
    if (low === null || high === null) return [0, 1];
    const near = limits.map(([value]) => value)
      .filter((value) => value !== null && value > low - reach && value < high + reach);
    const bottom = Math.min(low, ...near);
    const top = Math.max(high, ...near);
    const air = Math.max((top - bottom) * 0.1, 0.2);
    return [floor ?? bottom - air, top + air];
  };
}

const line = (label) => ({ label, stroke: css("--water"), width: 1.8 });
const edge = (label) => ({ label, stroke: "transparent", width: 0, points: { show: false } });
const band = () => [{ series: [3, 2], fill: css("--band") }];

/**
 * What makes each chart its own.
 * @param extra what was fetched beside the series: lit stretches, excursions, whether sums of days
 * @param data the series
 */
export function kindOf(key, frame, extra, data) {
  const { low, high } = frame[key] ?? {};
  if (key === "co2") {
    const limits = [[low, `aim: from ${low}`, "under"], [high, `aim: to ${high} mg/L`, "over"]];
    return {
      limits,
      series: [line("CO2"), edge("low"), edge("high")],
      bands: band(),
      floor: 0,
      reach: Infinity,
      behind: (chart) => drawLit(chart, extra.lit),
      key: extra.year
        ? "line: the highest two hours of each UTC day; shade: their 95 % interval"
        : "line: estimate; shade: its 95 % interval; yellow at the top: lit hours",
      tell: ([value, from, to]) => `CO2 ${value.toFixed(1)} mg/L, 95 % between ${from.toFixed(0)} and ${to.toFixed(0)}`,
    };
  }
  if (key === "temperature") {
    const limits = [[low, `not below ${low} °C`, "under"], [high, `not above ${high} °C`, "over"]];
    return {
      limits,
      series: [line("Temperature"), edge("low"), edge("high")],
      bands: band(),
      floor: null,
      reach: 3,
      behind: (chart) => drawExcursions(chart, frame, extra.excursions),
      key: excursionText(frame, extra.excursions) + (extra.long ? "; shade: lowest to highest" : ""),
      tell: ([value, from, to]) => `${value.toFixed(2)} °C${from === null ? "" : `, from ${from.toFixed(1)} to ${to.toFixed(1)}`}`,
    };
  }
  if (key === "observations") {
    return {
      limits: [],
      series: data.titles.map((title) => ({ ...line(title), spanGaps: true, points: { show: false } })),
      bands: [],
      range: () => [0, data.titles.length],
      lanes: data.titles.length,
      behind: (chart) => drawLit(chart, extra.lit),
      over: (chart) => drawLanes(chart, data),
      key: "numbers: level from 0 to 5; yellow at the top: lit hours",
      tell: (values, at) => `${data.seen[at].title} ${data.seen[at].level}, ${data.seen[at].step}`,
    };
  }
  const ppfd = frame.light.quantity === "ppfd";
  const unit = extra.long ? (ppfd ? "mol/m² in the UTC day" : "klx·h in the UTC day") : (ppfd ? "µmol/m²/s" : "lx");
  const bars = uPlot.paths.bars({ size: [0.7, 40] });
  return {
    limits: [],
    series: [extra.long
      ? { label: "Light", stroke: css("--water"), width: 0, fill: css("--water"), paths: bars, points: { show: false } }
      : { ...line("Light"), fill: css("--lit-fill") }],
    bands: [],
    floor: 0,
    reach: 0,
    behind: () => {},
    key: extra.long ? `bars: light of each UTC day, ${ppfd ? "mol/m²" : "klx·h"}` : `line: ${unit} at the sensor`,
    tell: ([value]) => `light ${value.toFixed(extra.long ? 1 : 0)} ${unit}`,
  };
}

/** Options of uPlot for one chart. */
export function optionsOf(kind, frame, size, window, hooks) {
  return {
    ...size,
    tzDate: (seconds) => uPlot.tzDate(new Date(seconds * 1000), frame.zone),
    legend: { show: false },
    padding: [6, 18, 0, 0],
    scales: {
      x: { time: true, range: () => [window.start, window.end] },
      y: { range: kind.range ?? yRange(kind) },
    },
    axes: axes(frame.zone, digits, kind.lanes),
    series: [{}, ...kind.series],
    bands: kind.bands,
    cursor: {
      sync: { key: "littoral", setSeries: false },
      drag: { x: true, y: false, setScale: false },
      points: { size: 7, fill: css("--water") },
      y: false,
      bind: { dblclick: () => () => { hooks.back(); return null; } },
    },
    hooks: {
      drawClear: [(chart) => { chart.ctx.save(); kind.behind(chart); chart.ctx.restore(); }],
      draw: [(chart) => {
        chart.ctx.save();
        drawLimits(chart, kind.limits);
        kind.over?.(chart);
        chart.ctx.restore();
      }],
      setSelect: [(chart) => {
        const { left, width } = chart.select;
        if (width < 4) return;
        hooks.zoom(chart.posToVal(left, "x"), chart.posToVal(left + width, "x"));
      }],
      setCursor: [hooks.cursor],
    },
  };
}
