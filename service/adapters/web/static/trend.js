// Lets a hand move through the trend: drag, wheel, pinch and keys choose a window, and the server draws it.
//
// While a hand moves, what has a place in time is only moved and widened (`over-time`); the true picture is fetched once it
// rests. The window is in the address, so that back and forward, a reload and a bookmark give it again. Parts of the page
// that are fetched anew leave the trend alone: it follows by itself, and never under a hand.

const REST_MS = 140; // a gesture that pauses for so long is over
const HELD_MS = 2500; // after which the picture follows the clock again
const ONE_VISIT_MS = 1500; // gestures that follow each other so soon are one step back
const SHORT_MS = 600000; // windows up to so long move on although nothing came
const IDS = ["trend-spans", "trend-words", "trend-caption", "trend-notes"];
const SVG = "http://www.w3.org/2000/svg";

const section = document.getElementById("trend");
const address = section.dataset.trend;
const began = { ms: Number(document.body.dataset.nowMs), at: performance.now() };
const language = document.documentElement.lang === "en" ? "en-GB" : document.documentElement.lang;
const fingers = new Map(); // pointers of a touch, by id: x and the time under it

let wanted = null; // the window that the hand asks for, until the server has drawn it
let drag = null; // where a drag with the mouse began
let pointed = null; // the point that is told: its time
let asking = null; // what stops a request
let restTimer = 0;
let touchedMs = -Infinity;
let visitedMs = -Infinity;
let followedMs = performance.now();
let newsCame = false;

const view = () => document.getElementById("trend-view");
const nowMs = () => began.ms + performance.now() - began.at;
const said = (name) => section.querySelector(`[data-said="${name}"]`)?.textContent ?? "";
const shown = () => ({ from: Number(view().dataset.fromMs), to: Number(view().dataset.toMs) });
const current = () => wanted ?? shown();
const clamp = (value, least, most) => Math.min(Math.max(value, least), most);

// The window

function share(clientX) {
  const box = view().getBoundingClientRect();
  return clamp((clientX - box.left) / box.width, 0, 1);
}

function timeAt(clientX) {
  const { from, to } = current();
  return from + share(clientX) * (to - from);
}

function allowed(from, to) {
  const { leastMs, mostMs } = view().dataset;
  const length = clamp(to - from, Number(leastMs), Number(mostMs));
  const start = clamp((from + to) / 2 - length / 2, 0, nowMs());
  return { from: start, to: start + length };
}

function zoom(factor, around) {
  const { from, to } = current();
  ask(around - (around - from) * factor, around + (to - around) * factor);
}

function pan(part) {
  const { from, to } = current();
  ask(from + part * (to - from), to + part * (to - from));
}

// Shows at once about what the window will hold, and asks for it when the hand rests.
function ask(from, to) {
  wanted = allowed(from, to);
  touchedMs = performance.now();
  glide();
  clearTimeout(restTimer);
  restTimer = setTimeout(() => load(queryOf(wanted), visits()), REST_MS);
}

function glide() {
  const inner = view().querySelector(".over-time");
  const { from, to } = shown();
  const length = wanted.to - wanted.from;
  view().querySelector(".clip").setAttribute("overflow", "hidden");
  inner.setAttribute("x", `${(100 * (from - wanted.from)) / length}%`);
  inner.setAttribute("width", `${(100 * (to - from)) / length}%`);
  tellPointed();
}

function stay() {
  wanted = null;
  const inner = view()?.querySelector(".over-time");
  if (!inner) return;
  view().querySelector(".clip").setAttribute("overflow", "visible");
  inner.removeAttribute("x");
  inner.setAttribute("width", "100%");
}

function queryOf(window_) {
  const query = new URLSearchParams(view().dataset.query);
  query.delete("span");
  query.set("from", new Date(Math.round(window_.from)).toISOString());
  query.set("to", new Date(Math.round(window_.to)).toISOString());
  return query.toString().replaceAll("%3A", ":");
}

function visits() {
  const soon = performance.now() - visitedMs < ONE_VISIT_MS;
  visitedMs = performance.now();
  return soon ? "replace" : "push";
}

// From the server

// `how`: push or replace the address, or "" to leave it. `asked`: performance.now() of the act.
async function load(query, how = "", asked = performance.now()) {
  if (asking) asking.abort();
  const mine = new AbortController();
  asking = mine;
  const from = wanted;
  const width = Math.round(clamp(section.clientWidth, 200, 4000));
  const parts = [query, `width=${width}`].filter(Boolean).join("&");
  try {
    const answer = await fetch(`${address}/trend?${parts}`, { cache: "no-store", signal: mine.signal });
    if (!answer.ok) throw new Error(`status ${answer.status}`);
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    if (mine.signal.aborted || wanted !== from || fingers.size || drag) return;
    swap(page);
    if (how) history[`${how}State`](null, "", `${address}${query ? `?${query}` : ""}#trend`);
    measured(asked);
  } catch {
    if (mine.signal.aborted) return;
    stay();
    tell(said("lost"));
  } finally {
    if (asking === mine) asking = null;
    followedMs = performance.now();
  }
}

function swap(page) {
  const old = view();
  const fresh = page.getElementById("trend-view");
  const open = document.getElementById("trend-happened")?.open;
  if (!old || !fresh) {
    section.querySelector("figure").replaceChildren(...page.querySelector("figure").childNodes);
  } else {
    for (const { name, value } of [...fresh.attributes]) if (name.startsWith("data-")) old.setAttribute(name, value);
    if (!fresh.hasAttribute("data-goes-on")) old.removeAttribute("data-goes-on");
    old.replaceChildren(...fresh.childNodes);
  }
  for (const id of IDS) exchange(document.getElementById(id), page.getElementById(id));
  if (open) document.getElementById("trend-happened")?.setAttribute("open", "");
  wanted = null;
  prepare();
}

// Puts fresh content in, and the focus back to where it was in the old.
function exchange(old, fresh) {
  if (!old || !fresh) return;
  const controls = () => [...old.querySelectorAll("a, button, summary")];
  const place = controls().indexOf(document.activeElement);
  old.replaceChildren(...fresh.childNodes);
  if (place >= 0) controls()[place]?.focus({ preventScroll: true });
}

function measured(asked) {
  requestAnimationFrame(() => requestAnimationFrame(() => {
    performance.clearMeasures("trend-drawn");
    performance.measure("trend-drawn", { start: asked, end: performance.now() });
  }));
}

function prepare() {
  const picture = view();
  if (!picture) return;
  picture.tabIndex = 0;
  picture.setAttribute("role", "group");
  picture.setAttribute("aria-label", said("label"));
  picture.setAttribute("aria-describedby", "trend-readout");
  for (const each of picture.querySelectorAll(".hint")) each.remove(); // the readout tells more
  points = JSON.parse(picture.dataset.points);
  happened = JSON.parse(picture.dataset.happenings);
  if (!document.getElementById("trend-readout")) {
    const line = document.createElement("p");
    line.id = "trend-readout";
    line.setAttribute("role", "status");
    picture.after(line);
    help();
  }
  tellPointed();
}

// The readout

let points = []; // end in ms, minutes the local clock is ahead, mean, U, least, greatest, readings
let happened = []; // instant in ms, words

function help() {
  tell(said("help"), true);
}

function tell(text, isHelp = false) {
  const line = document.getElementById("trend-readout");
  if (!line) return;
  line.className = isHelp ? "readout help" : "readout";
  if (line.textContent !== text) line.textContent = text;
}

function nearest(ms) {
  let low = 0;
  let high = points.length - 1;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (points[middle][0] < ms) low = middle + 1;
    else high = middle;
  }
  return low > 0 && ms - points[low - 1][0] < points[low][0] - ms ? low - 1 : low;
}

function when(point) {
  const { from, to } = current();
  const seconds = to - from < 3600000 ? { second: "2-digit" } : {};
  const hours = to - from < 40 * 86400000 ? { hour: "2-digit", minute: "2-digit", ...seconds } : {};
  const format = { timeZone: "UTC", day: "numeric", month: "short", year: "numeric", ...hours };
  return new Intl.DateTimeFormat(language, format).format(new Date(point[0] + point[1] * 60000));
}

function number(value) {
  const places = { minimumFractionDigits: 3, maximumFractionDigits: 3 };
  return new Intl.NumberFormat(language, places).format(value);
}

function wordsOf(point) {
  const [, , mean, u, least, greatest, readings] = point;
  const name = mean === null ? "none" : readings > 1 ? "many" : "one";
  const values = { when: when(point), readings };
  if (mean !== null) Object.assign(values, { mean: number(mean), u: number(u ?? 0), least: number(least), greatest: number(greatest) });
  const { from, to } = current();
  const near = (8 / section.clientWidth) * (to - from);
  const beside = happened.filter(([ms]) => Math.abs(ms - point[0]) < near).map(([, words]) => words);
  const words = said(name).replaceAll(/\{(\w+)\}/g, (gap, key) => values[key] ?? gap);
  return beside.length ? `${words} ${beside.join("; ")}.` : words;
}

function point(ms) {
  pointed = points.length ? points[nearest(ms)][0] : null;
  tellPointed();
  if (pointed === null) tell(said("nothing"));
}

function unpoint() {
  pointed = null;
  tellPointed();
  help();
}

// Draws the mark at the point that is told and says it; after a swap the same time counts.
function tellPointed() {
  const outer = view()?.querySelector("svg.trend");
  if (!outer) return;
  outer.querySelector(":scope > g.at")?.remove();
  const at = pointed === null || !points.length ? null : points[nearest(pointed)];
  const { from, to } = current();
  if (!at || at[0] < from || at[0] > to) return;
  const x = `${(100 * (at[0] - from)) / (to - from)}%`;
  const plot = outer.querySelector(".over-time > svg:not(.happening):not(.by-hand)"); // where the line is
  const [top, height] = ["y", "height"].map((name) => Number(plot.getAttribute(name)));
  const group = drawn("g", { class: "at" });
  group.append(drawn("line", { class: "pointed", x1: x, x2: x, y1: top, y2: top + height }));
  if (at[2] !== null) {
    const { low, high } = view().dataset;
    const y = top + (height * (Number(high) - at[2])) / (Number(high) - Number(low));
    group.append(drawn("circle", { class: "pointed-at", cx: x, cy: clamp(y, top, top + height), r: 5 }));
  }
  outer.append(group);
  tell(wordsOf(at));
}

function drawn(name, attributes) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  return element;
}

// Mouse: drag a stretch

function showSelected(clientX) {
  const outer = view().querySelector("svg.trend");
  outer.querySelector(":scope > g.stretch")?.remove();
  const [left, right] = [drag.clientX, clientX].map((x) => 100 * share(x)).sort((a, b) => a - b);
  const group = drawn("g", { class: "stretch" });
  group.append(drawn("rect", { class: "selected", x: `${left}%`, width: `${right - left}%`, y: 0, height: "100%" }));
  for (const x of [left, right]) group.append(drawn("line", { class: "selected-end", x1: `${x}%`, x2: `${x}%`, y1: 0, y2: "100%" }));
  outer.append(group);
}

function endDrag() {
  drag = null;
  view()?.querySelector("g.stretch")?.remove();
}

// Fingers: one moves, two zoom; the times under them stay under them

function followFingers() {
  const held = [...fingers.values()];
  const box = view().getBoundingClientRect();
  if (held.length === 1) {
    const { from, to } = current();
    const moved = held[0].ms - (from + ((held[0].x - box.left) / box.width) * (to - from));
    ask(from + moved, to + moved);
  } else if (held.length === 2 && Math.abs(held[0].x - held[1].x) > 10) {
    const perPx = (held[1].ms - held[0].ms) / (held[1].x - held[0].x);
    if (perPx > 0) ask(held[0].ms - (held[0].x - box.left) * perPx, held[0].ms + (box.right - held[0].x) * perPx);
  }
}

function anchorFingers() {
  for (const each of fingers.values()) each.ms = timeAt(each.x);
}

const onPicture = (event) => event.target instanceof Element && Boolean(event.target.closest("#trend-view"));

section.addEventListener("pointerdown", (event) => {
  if (!onPicture(event)) return;
  if (event.pointerType === "touch") {
    fingers.set(event.pointerId, { x: event.clientX, ms: 0 });
    anchorFingers();
    point(timeAt(event.clientX));
  } else if (event.button === 0) {
    drag = { clientX: event.clientX, ms: timeAt(event.clientX), moved: false };
    view().setPointerCapture(event.pointerId);
  }
});

section.addEventListener("pointermove", (event) => {
  if (!onPicture(event)) return;
  const finger = fingers.get(event.pointerId);
  if (finger) {
    finger.x = event.clientX;
    followFingers();
  } else if (event.pointerType !== "touch") {
    if (drag && Math.abs(event.clientX - drag.clientX) > 4) drag.moved = true;
    if (drag?.moved) showSelected(event.clientX);
    point(timeAt(event.clientX));
  }
});

section.addEventListener("pointerup", (event) => {
  if (fingers.delete(event.pointerId)) {
    anchorFingers();
  } else if (drag) {
    const [from, to] = [drag.ms, timeAt(event.clientX)].sort((a, b) => a - b);
    const chosen = drag.moved;
    endDrag();
    if (chosen) {
      wanted = allowed(from, to);
      touchedMs = performance.now();
      load(queryOf(wanted), "push");
      visitedMs = -Infinity;
    }
  }
});

section.addEventListener("pointercancel", (event) => {
  fingers.delete(event.pointerId);
  anchorFingers();
  endDrag();
});

section.addEventListener("pointerleave", () => {
  if (document.activeElement !== view()) unpoint();
});

section.addEventListener("dblclick", (event) => {
  if (!onPicture(event)) return;
  event.preventDefault();
  zoom(4, timeAt(event.clientX));
});

// The wheel turns the page, unless the picture was chosen or the fingers pinch (which comes as a wheel with Ctrl).
section.addEventListener("wheel", (event) => {
  if (!onPicture(event) || !(event.ctrlKey || document.activeElement === view())) return;
  event.preventDefault();
  const unit = event.deltaMode === 1 ? 16 : event.deltaMode === 2 ? 400 : 1;
  const [across, along] = [event.deltaX * unit, event.deltaY * unit];
  if (Math.abs(across) > Math.abs(along)) pan(across / view().clientWidth);
  else zoom(Math.exp(clamp(along * (event.ctrlKey ? 0.01 : 0.002), -1, 1)), timeAt(event.clientX));
}, { passive: false });

// Keys

function step(by) {
  if (!points.length) return;
  const { from, to } = current();
  const place = pointed === null ? (by > 0 ? nearest(from) - 1 : points.length) : nearest(pointed);
  point(points[clamp(place + by, 0, points.length - 1)][0]);
  if (pointed < from || pointed > to) ask(pointed - (to - from) / 2, pointed + (to - from) / 2);
}

const KEYS = {
  ArrowLeft: (event) => (event.shiftKey ? step(-1) : pan(-0.25)),
  ArrowRight: (event) => (event.shiftKey ? step(1) : pan(0.25)),
  "+": () => zoom(0.5, middle()),
  "=": () => zoom(0.5, middle()),
  "-": () => zoom(2, middle()),
  _: () => zoom(2, middle()),
  0: () => load("", visits()),
  Escape: () => (drag ? endDrag() : unpoint()),
};

function middle() {
  const { from, to } = current();
  return pointed !== null && pointed >= from && pointed <= to ? pointed : (from + to) / 2;
}

section.addEventListener("keydown", (event) => {
  const act = KEYS[event.key];
  if (event.target !== view() || !act || event.ctrlKey || event.altKey || event.metaKey) return;
  event.preventDefault();
  act(event);
});

// Links of spans, back and forward, the clock

section.addEventListener("click", (event) => {
  const link = event.target instanceof Element && event.target.closest("#trend-spans a");
  if (!link || !view() || event.button || event.ctrlKey || event.metaKey || event.shiftKey || event.altKey) return;
  event.preventDefault();
  clearTimeout(restTimer);
  wanted = null;
  visitedMs = -Infinity;
  load(new URL(link.href).search.slice(1), "push", event.timeStamp);
});

addEventListener("popstate", () => {
  clearTimeout(restTimer);
  wanted = null;
  load(location.search.slice(1));
});

function follow() {
  const picture = view();
  const isHeld = wanted || drag || fingers.size || asking || performance.now() - touchedMs < HELD_MS;
  if (isHeld || document.hidden) return;
  if (!picture && newsCame) {
    newsCame = false;
    load(location.search.slice(1)); // the first that came may be drawn now
  }
  if (!picture?.hasAttribute("data-goes-on")) return;
  const { from, to } = shown();
  const length = to - from;
  const dueMs = clamp(length / section.clientWidth, 1000, 60000);
  if (performance.now() - followedMs < dueMs || !(newsCame || length <= SHORT_MS)) return;
  newsCame = false;
  load(picture.dataset.query);
}

const news = document.querySelector("[data-news]");
if (news) {
  const came = new MutationObserver(() => (newsCame = true));
  came.observe(news, { subtree: true, childList: true, attributeFilter: ["datetime"] });
}
section.removeAttribute("data-refresh");
prepare();
setInterval(follow, 1000);
