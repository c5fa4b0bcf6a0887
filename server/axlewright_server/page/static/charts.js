// Plots of trends. The mean is a line, minimum to maximum a faint area; a gap in the data stays a gap.
import uPlot from "./vendor/uplot-1.6.32.esm.js";

const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
const drawn = new Map();

async function fetchTrend(wanted, line, range) {
  const query = new URLSearchParams({ axle: line.axle, channel: line.channel, begin_s: range.begin, end_s: range.end, points: 400 });
  const answer = await fetch(`/api/1/vehicles/${encodeURIComponent(wanted.vehicle)}/trend?${query}`);
  if (!answer.ok) throw new Error((await answer.json()).what ?? answer.statusText);
  return answer.json();
}

function note(element, text) {
  let box = element.querySelector(".chart-note");
  if (!box) element.append(box = Object.assign(document.createElement("p"), { className: "chart-note" }));
  box.textContent = text;
}

// Specified band and limits are drawn beneath the data, and named at their right end.
function underlay(wanted) {
  return (plot) => {
    const { ctx, bbox } = plot;
    const y = (value) => plot.valToPos(value, "y", true);
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    if (wanted.band) {
      ctx.fillStyle = colour("--band");
      ctx.fillRect(bbox.left, y(wanted.band[1]), bbox.width, y(wanted.band[0]) - y(wanted.band[1]));
    }
    ctx.font = `${11 * devicePixelRatio}px system-ui, sans-serif`;
    ctx.textAlign = "right";
    for (const limit of wanted.limits ?? []) {
      ctx.strokeStyle = ctx.fillStyle = colour("--faint");
      ctx.lineWidth = devicePixelRatio;
      ctx.setLineDash([6 * devicePixelRatio, 4 * devicePixelRatio]);
      ctx.beginPath();
      ctx.moveTo(bbox.left, y(limit.value));
      ctx.lineTo(bbox.left + bbox.width, y(limit.value));
      ctx.stroke();
      ctx.fillText(limit.text, bbox.left + bbox.width - 4 * devicePixelRatio, y(limit.value) - 4 * devicePixelRatio);
    }
    if (wanted.mark) {
      const left = plot.valToPos(wanted.mark[0], "x", true);
      const right = plot.valToPos(wanted.mark[1], "x", true);
      ctx.setLineDash([]);
      ctx.strokeStyle = colour("--ink");
      ctx.lineWidth = 2 * devicePixelRatio;
      ctx.beginPath();
      ctx.moveTo(Math.max(left, bbox.left), bbox.top + 2);
      ctx.lineTo(Math.min(Math.max(right, left + 2), bbox.left + bbox.width), bbox.top + 2);
      ctx.stroke();
    }
    ctx.restore();
  };
}

// The scale shows all data, and the band and nearby limits with it, so that nothing looks wild by magnification.
function extent(wanted) {
  return (plot, low, high) => {
    const all = [low, high, ...(wanted.band ?? [])].filter((value) => value != null && Number.isFinite(value));
    if (!all.length) return [0, 1];
    let [bottom, top] = [Math.min(...all), Math.max(...all)];
    for (const limit of wanted.limits ?? []) {
      if (limit.always || (limit.value > bottom - (top - bottom) && limit.value < top + (top - bottom))) {
        [bottom, top] = [Math.min(bottom, limit.value), Math.max(top, limit.value)];
      }
    }
    // The bar that marks when it stood lies at the top, above the name of a limit.
    const room = Math.max((top - bottom) * (wanted.mark ? 0.16 : 0.08), wanted.least_span ? (wanted.least_span - (top - bottom)) / 2 : 0.01);
    return [bottom - room, top + room];
  };
}

const hour = new Intl.DateTimeFormat(undefined, { hour: "2-digit", minute: "2-digit" });
const day = new Intl.DateTimeFormat(undefined, { day: "numeric", month: "short" });

function options(element, wanted, range) {
  const ink = colour("--ink");
  const axis = { stroke: colour("--faint"), grid: { stroke: colour("--line"), width: 0.5 }, ticks: { stroke: colour("--line") }, font: "11px system-ui, sans-serif" };
  const series = [{ label: "Time", value: (_, s) => (s == null ? "–" : `${day.format(s * 1000)} ${hour.format(s * 1000)}`) }];
  const bands = [];
  const figure = (_, value) => (value == null ? "–" : `${value.toFixed(wanted.decimals)} ${wanted.unit_text}`);
  for (const line of wanted.lines) {
    const stroke = colour(line.colour ?? "--trace") || ink;
    series.push({ label: line.text, stroke, width: line.dash ? 1.5 : 2, dash: line.dash, value: figure, spanGaps: false, points: { show: false } });
    if (!line.dash) {
      const mean = series.length - 1;
      for (const label of ["high", "low"]) series.push({ label: `${line.text} ${label}`, stroke: "transparent", width: 0, spanGaps: false, points: { show: false } });
      bands.push({ series: [mean + 1, mean + 2], fill: `${stroke}2e` });
    }
  }
  return {
    width: Math.max(240, element.clientWidth - 10), height: 240, series, bands,
    cursor: { drag: { x: true, y: false }, points: { size: 6 } },
    legend: { live: true, markers: { width: 2 } },
    scales: { x: { time: true, range: [range.begin, range.end] }, y: { range: extent(wanted) } },
    axes: [
      { ...axis, space: 70, values: (_, splits, __, ___, step) => splits.map((s) => (step >= 86400 || new Date(s * 1000).getHours() + new Date(s * 1000).getMinutes() === 0 ? day.format(s * 1000) : hour.format(s * 1000))) },
      { ...axis, size: 52, label: wanted.unit_text, labelSize: 18, labelFont: axis.font, values: (_, splits) => splits.map((value) => `${+value.toFixed(3)}`) },
    ],
    hooks: { drawClear: [underlay(wanted)], ready: [hideEnvelopes] },
  };
}

// Lowest and highest are pictured by the area; in the legend they would only be noise.
function hideEnvelopes(plot) {
  const rows = plot.root.querySelectorAll(".u-legend .u-series");
  plot.series.forEach((series, index) => { if (/ (high|low)$/.test(series.label)) rows[index]?.setAttribute("hidden", ""); });
}

function table(trend, line) {
  return line.dash ? [trend.time_s, trend.mean] : [trend.time_s, trend.mean, trend.maximum, trend.minimum];
}

async function draw(element) {
  element.dataset.asked = "yes";
  const wanted = JSON.parse(element.dataset.chart);
  const range = { begin: wanted.begin_s, end: wanted.end_s };
  const slide = drawn.get(element)?.slide ?? 0;
  if (wanted.follows_now) { range.begin += slide; range.end += slide; }
  try {
    const trends = await Promise.all(wanted.lines.map((line) => fetchTrend(wanted, line, range)));
    if (!trends.some((trend) => trend.mean.some((value) => value != null))) {
      drawn.get(element)?.plot?.destroy();
      drawn.set(element, { slide });
      return note(element, `No readings of ${wanted.lines.map((line) => line.text).join(", ")} in this range.`);
    }
    element.querySelector(".chart-note")?.remove();
    // A line without a single reading would only fill the legend.
    const kept = trends.flatMap((trend, index) => (trend.mean.some((value) => value != null) ? [[trend, wanted.lines[index]]] : []));
    const tables = kept.map(([trend, line]) => table(trend, line));
    const modes = tables.map((columns) => columns.map(() => 2)); // null stays a gap after joining
    const data = uPlot.join(tables, modes);
    const old = drawn.get(element);
    old?.plot?.destroy();
    const plot = new uPlot(options(element, { ...wanted, lines: kept.map(([, line]) => line) }, range), data, element);
    plot.root.setAttribute("role", "img");
    plot.root.setAttribute("aria-label", wanted.title);
    drawn.set(element, { plot, slide });
  } catch (error) {
    note(element, `The readings could not be fetched: ${error.message}`);
  }
}

const seen = new IntersectionObserver((entries) => {
  for (const entry of entries) {
    if (!entry.isIntersecting) continue;
    seen.unobserve(entry.target);
    draw(entry.target);
  }
}, { rootMargin: "800px" });

export function drawCharts() {
  for (const element of document.querySelectorAll("[data-chart]")) seen.observe(element);
}

// Paper does not scroll. Printing does not wait for readings to be fetched either, so the rest is drawn when idle too.
function drawRest() {
  for (const element of document.querySelectorAll("[data-chart]")) {
    if (drawn.has(element) || element.dataset.asked) continue;
    seen.unobserve(element);
    draw(element);
  }
}
addEventListener("beforeprint", drawRest);
addEventListener("load", () => setTimeout(drawRest, 3000));

const opened = Date.now() / 1000;
let refreshed = 0;
export function refreshCharts() {
  const now = Date.now() / 1000;
  if (now - refreshed < 15) return;
  refreshed = now;
  for (const [element, entry] of drawn) {
    if (!JSON.parse(element.dataset.chart).follows_now || !element.isConnected) continue;
    entry.slide = now - opened;
    draw(element);
  }
  for (const body of document.querySelectorAll("[data-orders]")) window.htmx.ajax("GET", location.href, { target: body, select: `#${body.closest("section").id} .orders-body > *`, swap: "innerHTML" });
}

const redraw = () => { for (const element of drawn.keys()) draw(element); };
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
let width = innerWidth;
addEventListener("resize", () => { if (innerWidth !== width) { width = innerWidth; clearTimeout(redraw.timer); redraw.timer = setTimeout(redraw, 200); } });
