// Keeps a sheet fresh: server-sent events say what changed, htmx fetches the part again, ages tick by themselves.
import { drawCharts, refreshCharts } from "./charts.js";

const serverAhead = Number(document.body.dataset.nowS) - Date.now() / 1000;
export const nowSeconds = () => Date.now() / 1000 + serverAhead;

function ageText(seconds) {
  const s = Math.max(0, Math.round(seconds));
  if (s < 90) return `${s} s ago`;
  if (s < 90 * 60) return `${Math.round(s / 60)} min ago`;
  if (s < 36 * 3600) return `${Math.round(s / 3600)} h ago`;
  return `${Math.round(s / 86400)} days ago`;
}

const local = new Intl.DateTimeFormat(undefined, { dateStyle: "medium", timeStyle: "short" });

function tick() {
  const now = nowSeconds();
  for (const element of document.querySelectorAll("time.age")) {
    const age = now - Number(element.dataset.timeS);
    const limit = Number(element.dataset.staleAfterS || Infinity);
    element.textContent = ageText(age);
    element.classList.toggle("old", age > limit);
    if (age > limit) element.closest(".truck, .truck-head")?.classList.add("stale");
  }
}

function localTimes(root) {
  for (const element of root.querySelectorAll("time[data-local-s]")) {
    element.textContent = local.format(new Date(Number(element.dataset.localS) * 1000));
  }
}

// A part that somebody is typing in is left alone; it comes fresh with the next event.
const busy = (part) => part.contains(document.activeElement) && document.activeElement.matches("input, select, textarea");

const waiting = new Map();
function refresh(kind, after) {
  if (waiting.has(kind)) return;
  waiting.set(kind, setTimeout(() => {
    waiting.delete(kind);
    for (const part of document.querySelectorAll("[data-live]")) {
      if (part.dataset.live.split(" ").includes(kind) && !busy(part)) window.htmx.trigger(part, "sheet:refresh");
    }
    if (kind === "readings") refreshCharts();
  }, after));
}

function connect() {
  const link = document.getElementById("link");
  const text = document.getElementById("link-text");
  const show = (state, words) => { link.dataset.link = state; text.textContent = words; };
  const source = new EventSource("/api/1/events");
  let broken = false;
  source.onopen = () => {
    show("live", "live");
    if (broken) refresh("advisory", 0), refresh("readings", 0); // what was missed meanwhile
    broken = false;
  };
  source.onerror = () => {
    broken = true;
    show("lost", "✕ lost, trying again");
    // After an answer that is no event stream (a sign-in that ran out) the browser gives up; we don't.
    if (source.readyState === EventSource.CLOSED) setTimeout(connect, 5000);
  };
  source.addEventListener("readings", () => refresh("readings", 2000));
  source.addEventListener("status", () => refresh("status", 1000));
  source.addEventListener("lost", () => location.reload()); // this listener was too slow to be told everything
  source.addEventListener("advisory", (event) => {
    refresh("advisory", 150);
    const advisory = JSON.parse(event.data);
    if (advisory.state === "unacknowledged" && advisory.title) {
      document.getElementById("announcer").textContent = `Advisory: ${advisory.title}, ${advisory.vehicle}`;
    }
  });
}

function rememberName() {
  const field = document.getElementById("who");
  if (!field) return;
  field.value ||= localStorage.getItem("name-for-the-log") ?? "";
  document.addEventListener("submit", (event) => {
    if (field.value) localStorage.setItem("name-for-the-log", field.value);
    for (const copy of event.target.querySelectorAll("[data-copy-of='who']")) copy.value = field.value;
  });
}

document.addEventListener("htmx:afterSettle", () => { localTimes(document); tick(); });
localTimes(document);
tick();
setInterval(tick, 1000);
rememberName();
drawCharts();
connect();
