// Keeps a sheet fresh: server-sent events say what changed, htmx fetches the part again, ages tick by themselves.
import { drawCharts, refreshCharts } from "./charts.js";
import { drawForecasts } from "./forecast.js";

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
const withZone = new Intl.DateTimeFormat(undefined, { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", timeZoneName: "short" });
const hourWithZone = new Intl.DateTimeFormat(undefined, { hour: "2-digit", minute: "2-digit", timeZoneName: "short" });

// Said once for all times of the sheet, plots included.
function sayZone() {
  const name = withZone.formatToParts(new Date()).find((part) => part.type === "timeZoneName").value;
  const zone = withZone.resolvedOptions().timeZone;
  document.getElementById("zone").textContent = `Times on this sheet are in this device's time zone: ${zone === name ? name : `${zone}, ${name}`}.`;
}

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
    element.textContent = (element.hasAttribute("data-zone") ? withZone : local).format(new Date(Number(element.dataset.localS) * 1000));
  }
}

// A part that somebody is filling in is left alone; it comes fresh with the next event.
const busy = (part) => (part.contains(document.activeElement) && document.activeElement.matches("input, select, textarea"))
  || part.querySelector("form details[open]") !== null;
// Nor is one that somebody has begun to fill in while its fresh copy was on its way.
document.addEventListener("htmx:beforeSwap", (event) => { if (busy(event.detail.target)) event.detail.shouldSwap = false; });

// What somebody has unfolded stays unfolded when its part comes fresh.
let unfolded = [];
document.addEventListener("htmx:beforeSwap", () => { unfolded = [...document.querySelectorAll("details[id][open]")].map((one) => one.id); });
document.addEventListener("htmx:afterSwap", () => { for (const id of unfolded) document.getElementById(id)?.setAttribute("open", ""); });

const waiting = new Map();
function refresh(kind, after, data) {
  if (![...document.querySelectorAll("[data-live]")].some((part) => concerns(part, data)) || waiting.has(kind)) return;
  waiting.set(kind, setTimeout(() => {
    waiting.delete(kind);
    for (const part of document.querySelectorAll("[data-live]")) {
      if (part.dataset.live.split(" ").includes(kind) && !busy(part)) window.htmx.trigger(part, "sheet:refresh");
    }
    if (kind === "readings") refreshCharts();
  }, after));
}

const refreshAll = () => { refresh("advisory", 0); refresh("readings", 0); refresh("burst", 0); };

// Signed out meanwhile: the answer is the sign-in sheet, which must not be pasted into this one.
document.addEventListener("htmx:beforeSwap", (event) => {
  if (!new URL(event.detail.xhr.responseURL).pathname.startsWith("/sign-in")) return;
  event.detail.shouldSwap = false;
  location.assign(`/sign-in?next=${encodeURIComponent(location.pathname)}`);
});

let source = null;
let lostSince = null;
const link = document.getElementById("link"); // the sign-in sheet has none: it shows nothing that could grow old

function show(state, words) {
  link.dataset.link = state;
  document.getElementById("link-text").textContent = words;
  lostSince = state === "lost" ? lostSince ?? new Date() : null;
  document.body.classList.toggle("cut", state === "lost");
  const banner = document.getElementById("cut");
  // Written only once a loss, so that it is read out once.
  if (banner.hidden && lostSince) document.getElementById("cut-text").textContent = `No connection to the office since ${hourWithZone.format(lostSince)}; what you see is old.`;
  banner.hidden = !lostSince;
}

function connect() {
  if (!link) return;
  source?.close();
  const stream = source = new EventSource("/api/1/events");
  stream.onopen = () => {
    show("live", "live");
    refreshAll(); // what happened between the sheet's making, or the loss, and now
  };
  stream.onerror = () => {
    show("lost", "✕ lost, trying again");
    // After an answer that is no event stream (a sign-in that ran out) the browser gives up; we don't.
    if (stream.readyState === EventSource.CLOSED) setTimeout(() => { if (stream === source && !document.hidden) connect(); }, 5000);
  };
  stream.addEventListener("readings", () => refresh("readings", 2000));
  stream.addEventListener("status", () => refresh("status", 1000));
  stream.addEventListener("burst", () => refresh("burst", 500));
  stream.addEventListener("lost", refreshAll); // this listener was too slow to be told everything
  stream.addEventListener("advisory", (event) => {
    const advisory = JSON.parse(event.data);
    refresh("advisory", 150, advisory);
    if (advisory.state === "unacknowledged" && advisory.title) {
      document.getElementById("announcer").textContent = `Advisory: ${advisory.title}, ${advisory.vehicle}`;
    }
  });
}

// A hidden sheet gives its connection back: a browser has only six for all sheets of one office.
document.addEventListener("visibilitychange", () => { if (document.hidden) source?.close(); else connect(); });
// A network that is gone may let a stream hang for minutes without an error.
addEventListener("offline", () => { if (link) { source?.close(); show("lost", "✕ lost, no network"); } });
addEventListener("online", connect);

function fillName() {
  const field = document.getElementById("who");
  if (field) field.value ||= localStorage.getItem("name-for-the-log") ?? "";
}

document.addEventListener("submit", (event) => {
  const field = document.getElementById("who");
  const name = field?.value.trim();
  if (event.target.matches(".act") && field && !field.reportValidity()) return event.preventDefault();
  if (name) localStorage.setItem("name-for-the-log", name);
  for (const copy of event.target.querySelectorAll("[data-copy-of='who']")) copy.value = name ?? "";
});

// An advisory that changes somewhere else is no business of a sheet about one advisory.
const concerns = (part, data) => !data?.id || !part.dataset.advisory || part.dataset.advisory === data.id;

document.addEventListener("htmx:afterSettle", () => { localTimes(document); fillName(); tick(); });
localTimes(document);
sayZone();
tick();
setInterval(tick, 1000);
fillName();
drawCharts();
drawForecasts();
connect();
