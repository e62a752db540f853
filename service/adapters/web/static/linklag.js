// Keeps a page live: takes newest readings from the stream, lets ages grow, says when there is no news.
//
// Ages count by the service's clock, which every beat tells; the viewer's own may be wrong. The page is
// complete without this script: it only changes what stands there. Text is set as text, never as HTML.
// The board follows a stream of its own (board.js) by what is exported here.

import { ageWords } from "./age.js";
import { figures, t, told } from "./texts.js";

const BEAT_MS = 5000; // the service says something at least so often
const LOST_MS = 3 * BEAT_MS; // so long without a word: the connection is taken for lost, and made anew
export const STALE_S = Number(document.body.dataset.staleS);
const REFRESH_MS = 15000; // parts that the server draws are fetched again at most so often

let serverAheadMs = Number(document.body.dataset.nowMs) - Date.now();
let lastWordMs = Date.now();
let lastEventId = "";
let storeUp = true;
let heard = false;
let source = null;
let stream = ""; // one a page
let handlers = {};
let everySecond = () => {};
let refreshDueMs = 0;
let refreshing = false;

export const now = () => Date.now() + serverAheadMs;
const status = document.getElementById("stream");

function setText(root, name, text) {
  for (const each of root.querySelectorAll(`[data-f="${name}"]`)) {
    if (each.textContent !== text) each.textContent = text;
  }
}

function show(root, name, visible) {
  for (const each of root.querySelectorAll(`[data-show="${name}"]`)) each.hidden = !visible;
}

function strandWidth(used) {
  if (!(used > 0)) return 0;
  return Math.min(used, 1) * 200 + 5 + (used >= 1 ? 5 : 0);
}

function update(root, drive) {
  const { reading, measured, finding, sensors, shown } = drive;
  show(root, "waiting", false);
  show(root, "now", Boolean(measured) && reading.reason === null);
  show(root, "by-hand", drive.used_by === "hand");
  show(root, "finding", Boolean(finding));
  show(root, "earlier", Boolean(finding) && Boolean(measured));
  show(root, "verdict", drive.verdict !== null && drive.verdict !== "below");
  setText(root, "elongation", figures(shown.elongation ?? ""));
  setText(root, "uncertainty", figures(shown.uncertainty ?? ""));
  show(root, "since", Boolean(shown.since));
  show(root, "outdated", drive.baseline_outdated);
  setText(root, "since", figures(shown.since ?? ""));
  setText(root, "since-uncertainty", figures(shown.since_uncertainty ?? ""));
  if (drive.hand) {
    setText(root, "hand-elongation", figures(drive.hand.elongation));
    setText(root, "hand-uncertainty", figures(drive.hand.uncertainty));
    for (const each of root.querySelectorAll('[data-f="hand-time"]')) each.dataset.ms = Date.parse(drive.hand.measured);
  }
  setText(root, "what", finding ? told(finding.what) : "");
  setText(root, "mend", finding ? told(finding.mend) : "");
  setText(root, "verdict", told(shown.verdict ?? ""));
  setText(root, "used", shown.used ?? "–");
  setText(root, "limit", figures(drive.limit_pct.toFixed(2)));
  setText(root, "term", `(${told(drive.limit_words)})`);
  setText(root, "speed", figures(shown.speed || "–"));
  setText(root, "sensing", sensors ? told(sensors.words) : t("not known yet"));
  setText(root, "sensing-letter", sensors ? sensors.letter : "");
  for (const each of root.querySelectorAll('[data-f="sensing-class"]')) {
    each.setAttribute("class", `sensing ${sensors ? sensors.sensing : "none"}`);
  }
  for (const each of root.querySelectorAll('[data-f="strand"]')) {
    each.setAttribute("width", strandWidth(drive.used).toFixed(1));
    each.parentElement.setAttribute("class", `strand ${drive.verdict ?? "none"}`);
  }
  if (measured) {
    for (const each of root.querySelectorAll('[data-f="measured-time"]')) each.dataset.ms = Date.parse(measured.time);
  }
  root.classList.remove("reached", "within_uncertainty", "below");
  if (drive.verdict) root.classList.add(drive.verdict);
  const news = root.querySelector("[data-news]");
  if (news) {
    let time = news.querySelector("time");
    if (!time) {
      time = document.createElement("time");
      news.replaceChildren(time);
    }
    news.classList.remove("fresh");
    if (time.getAttribute("datetime") !== reading.time) {
      void news.offsetWidth; // starts the animation anew
      news.classList.add("fresh");
    }
    time.dataset.ms = Date.parse(reading.time);
    time.setAttribute("datetime", reading.time);
  }
}

function tick() {
  for (const time of document.querySelectorAll("[data-news] time[data-ms]")) {
    const age = (now() - Number(time.dataset.ms)) / 1000;
    const stale = age > STALE_S;
    time.textContent = t(stale ? "no news for {age}" : "{age} ago", { age: ageWords(age) });
    time.closest("[data-news]").classList.toggle("stale", stale);
  }
  for (const time of document.querySelectorAll("time[data-age][data-ms]")) {
    time.textContent = ageWords((now() - Number(time.dataset.ms)) / 1000);
  }
  const quietMs = Date.now() - lastWordMs;
  const lost = quietMs > LOST_MS;
  if (lost) {
    say("lost", t("No news from linklag for {age}; trying again. Numbers are as old as they say.", { age: ageWords(quietMs / 1000) }));
    if (!source || source.readyState === EventSource.CLOSED || quietMs % LOST_MS < 1000) connect();
  } else if (heard && !storeUp) {
    say("lost", t("The store of linklag does not answer. Numbers are as old as they say."));
  } else if (heard) {
    say("live", t("Live"));
  }
  everySecond({ lostMs: lost ? quietMs : 0 });
  if (refreshDueMs && Date.now() > refreshDueMs) refresh();
}

function say(kind, text) {
  status.className = `stream ${kind}`;
  if (status.textContent !== text) status.textContent = text;
}

// Fetches this page again and puts those parts in that only the server can draw.
async function refresh() {
  if (refreshing || document.hidden) return;
  refreshing = true;
  refreshDueMs = 0;
  try {
    const answer = await fetch(location.pathname + location.search, { cache: "no-store" });
    if (!answer.ok) return;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    for (const old of document.querySelectorAll("[data-refresh]")) {
      const fresh = page.getElementById(old.id);
      const held = old.contains(document.activeElement) ? document.activeElement : null;
      const comesBack = held?.matches("article[id]") && page.getElementById(held.id); // one that is looked at, not worked in
      const inUse = (held && !comesBack) || old.querySelector("details.more[open], input:checked");
      if (!fresh || inUse) continue;
      old.replaceChildren(...fresh.childNodes);
      if (comesBack) document.getElementById(held.id)?.focus({ preventScroll: true });
    }
  } catch {
    refreshDueMs = Date.now() + REFRESH_MS; // the stream tells people that there is no connection
  } finally {
    refreshing = false;
  }
}

function wantRefresh(soonMs) {
  const due = Date.now() + soonMs;
  if (!refreshDueMs || due < refreshDueMs) refreshDueMs = due;
}

function word(event) {
  lastWordMs = Date.now();
  heard = true;
  if (event.lastEventId) lastEventId = event.lastEventId;
}

function connect() {
  if (source) source.close();
  const asked = lastEventId ? `${stream.includes("?") ? "&" : "?"}after=${encodeURIComponent(lastEventId)}` : "";
  source = new EventSource(stream + asked);
  source.addEventListener("beat", (event) => {
    word(event);
    const beat = JSON.parse(event.data);
    serverAheadMs = beat.now_ms - Date.now();
    storeUp = beat.store === "up";
    handlers.beat?.();
  });
  source.addEventListener("error", () => {
    if (source.readyState === EventSource.CLOSED) lastEventId = ""; // refused: begin anew
  });
  for (const [kind, take] of Object.entries(handlers)) {
    if (kind === "beat") continue;
    source.addEventListener(kind, (event) => {
      word(event);
      take(JSON.parse(event.data));
    });
  }
}

// Follows a stream of the service from an event on, for as long as the page is open.
export function follow(address, after, take, each) {
  [stream, lastEventId, handlers, everySecond] = [address, after, take, each];
  connect();
  setInterval(tick, 1000);
  addEventListener("pagehide", () => source && source.close());
  addEventListener("pageshow", (event) => event.persisted && connect());
}

function followDrives() {
  const ids = new Set([...document.querySelectorAll("[data-drive]")].map((each) => each.dataset.drive));
  const address = ids.size === 1 ? `/api/v1/stream?only=${encodeURIComponent([...ids][0])}` : "/api/v1/stream";
  const reading = (drive) => {
    const root = document.querySelector(`[data-drive="${CSS.escape(drive.drive_id)}"]`);
    if (!root) return;
    update(root, drive);
    wantRefresh(REFRESH_MS);
  };
  const beat = () => document.querySelector("[data-alerts]") && wantRefresh(REFRESH_MS);
  follow(address, "", { reading, beat }, () => {});
}

if (!document.getElementById("board")) {
  if (document.querySelector("[data-drive]")) {
    followDrives();
  } else if (document.querySelector("[data-alerts]")) {
    follow("/api/v1/alerts/stream", "", { transition: () => wantRefresh(500) }, () => {});
  } else if (status) {
    status.remove();
  }
}

// What measuring by hand keeps in this browser goes with who signs out; without it the form goes at once.
document.querySelector('form[action="/sign-out"]')?.addEventListener("submit", async (event) => {
  event.preventDefault();
  try {
    await (await import("/static/check-forget.js")).forget();
  } finally {
    event.target.submit();
  }
});
