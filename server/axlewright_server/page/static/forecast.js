// Plots of what lies ahead: daily values as dots, the fitted trend with its 80 % band, the limit as a line.
import uPlot from "./vendor/uplot-1.6.32.esm.js";

const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
const drawn = new Map();
const day = new Intl.DateTimeFormat(undefined, { day: "numeric", month: "short" });

function options(element, wanted) {
  const axis = { stroke: colour("--faint"), grid: { stroke: colour("--line"), width: 0.5 }, ticks: { stroke: colour("--line") }, font: "11px system-ui, sans-serif" };
  const [bottom, top] = wanted.shown;
  const figure = (_, value) => (value == null ? "–" : value < bottom || value > top ? "beyond this plot" : `${value.toFixed(1)} ${wanted.unit_text}`);
  const trace = colour("--trace"), ink = colour("--ink");
  return {
    width: Math.max(240, element.clientWidth - 10), height: 240,
    series: [
      { label: "Day", value: (_, s) => (s == null ? "–" : day.format(s * 1000)) },
      { label: "daily value", stroke: trace, width: 0, value: figure, points: { show: true, size: 5, fill: trace } },
      { label: "trend", stroke: ink, width: 2, value: figure, points: { show: false } },
      { label: "80 % low", stroke: ink, width: 0.75, dash: [3, 3], value: figure, points: { show: false } },
      { label: "80 % high", stroke: ink, width: 0.75, dash: [3, 3], value: figure, points: { show: false } },
      { label: "limit", stroke: colour("--faint"), width: 1.5, dash: [6, 4], value: figure, points: { show: false } },
    ],
    bands: [{ series: [4, 3], fill: `${ink}22` }],
    cursor: { drag: { x: true, y: false }, points: { size: 6 } },
    scales: { x: { time: true }, y: { range: [bottom, top] } },
    axes: [
      { ...axis, space: 70, values: (_, splits) => splits.map((s) => day.format(s * 1000)) },
      { ...axis, size: 52, label: wanted.unit_text, labelSize: 18, labelFont: axis.font, values: (_, splits) => splits.map((value) => `${+value.toFixed(3)}`) },
    ],
  };
}

function draw(element) {
  const wanted = JSON.parse(element.dataset.forecast);
  const limit = wanted.time_s.map(() => wanted.limit);
  // What leaves the plot leaves it at its edge: a canvas takes no line to the end of the world.
  const [bottom, top] = wanted.shown;
  const near = (column) => column.map((value) => (value == null ? null : Math.min(Math.max(value, 2 * bottom - top), 2 * top - bottom)));
  drawn.get(element)?.destroy();
  const plot = new uPlot(options(element, wanted), [wanted.time_s, wanted.value, near(wanted.trend), near(wanted.low), near(wanted.high), limit], element);
  plot.root.setAttribute("role", "img");
  plot.root.setAttribute("aria-label", wanted.title);
  drawn.set(element, plot);
}

export function drawForecasts() {
  for (const element of document.querySelectorAll("[data-forecast]")) if (!drawn.has(element)) draw(element);
}

const redraw = () => { for (const element of drawn.keys()) draw(element); };
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
let width = innerWidth;
addEventListener("resize", () => { if (innerWidth !== width) { width = innerWidth; clearTimeout(redraw.timer); redraw.timer = setTimeout(redraw, 200); } });
