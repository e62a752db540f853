// Keeps the strobe live: when a new window of pulses was read, its picture is fetched and its pulses come in again one by
// one, as late after each other as they were.
//
// So what comes in is one window behind. Nothing flashes: ticks only appear. Who asked for less motion sees each window at
// once. The page is complete without this script.

import { t } from "./texts.js";

const BEAT_MS = 5000; // the service says something at least so often
const LOST_MS = 3 * BEAT_MS;
const TICK_MS = 50;
const still = matchMedia("(prefers-reduced-motion: reduce)");
const status = document.getElementById("strobe-status");
const place = document.getElementById("strobe");
const driveId = place.dataset.driveId;

let serverAheadMs = Number(document.body.dataset.nowMs) - Date.now();
let heardMs = Date.now();
let playing = 0;
let asking = false;
let source = null;

function say(text) {
  if (status.textContent !== text) status.textContent = text;
}

function ageWords(seconds) {
  const s = Math.max(0, Math.floor(seconds));
  if (s < 120) return `${s} s`;
  return s < 7200 ? `${Math.floor(s / 60)} min` : `${Math.floor(s / 3600)} h`;
}

// Lets the pulses of the picture come in over as long as they took.
function play() {
  clearInterval(playing);
  if (still.matches) return;
  const waiting = [...place.querySelectorAll(".pulse[data-s]")].map((tick) => [Number(tick.dataset.s), tick]);
  waiting.sort((a, b) => a[0] - b[0]);
  if (!waiting.length) return;
  const [firstS] = waiting[0];
  for (const [, tick] of waiting) tick.classList.add("to-come");
  const begunMs = performance.now();
  let next = 0;
  playing = setInterval(() => {
    const reachedS = firstS + (performance.now() - begunMs) / 1000;
    while (next < waiting.length && waiting[next][0] <= reachedS) waiting[next++][1].classList.remove("to-come");
    if (next === waiting.length) clearInterval(playing);
  }, TICK_MS);
}

async function fetchNewest() {
  if (asking || document.hidden || place.contains(document.activeElement)) return;
  asking = true;
  try {
    const answer = await fetch(location.pathname, { cache: "no-store", headers: { Accept: "text/html" } });
    if (!answer.ok) throw new Error(String(answer.status));
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const fresh = page.getElementById("strobe");
    const ended = (root) => root.querySelector("#strobe-age")?.dataset.ms;
    if (!fresh) {
      location.reload(); // there is another page now: no chain, no pulses
      return;
    }
    const newer = ended(fresh) !== ended(place);
    place.replaceChildren(...fresh.childNodes);
    if (newer) play();
  } catch {
    say(t("No answer from linklag; trying again. What stands here is as old as it says."));
  } finally {
    asking = false;
  }
}

function connect() {
  if (source) source.close();
  source = new EventSource(`/api/v1/stream?drive_id=${encodeURIComponent(driveId)}`);
  source.addEventListener("beat", (event) => {
    heardMs = Date.now();
    serverAheadMs = JSON.parse(event.data).now_ms - heardMs;
  });
  source.addEventListener("reading", (event) => {
    heardMs = Date.now();
    if (JSON.parse(event.data).drive_id === driveId) fetchNewest();
  });
}

setInterval(() => {
  const age = document.getElementById("strobe-age");
  if (age) age.textContent = ageWords((Date.now() + serverAheadMs - Number(age.dataset.ms)) / 1000);
  const quietMs = Date.now() - heardMs;
  if (quietMs > LOST_MS) {
    say(t("No news from linklag for {age}; trying again. What stands here is as old as it says.", { age: ageWords(quietMs / 1000) }));
    if (source.readyState === EventSource.CLOSED || quietMs % LOST_MS < 1000) connect();
  } else {
    say(t(still.matches ? "Live: each window as it is read." : "Live, one window behind: pulses come in as they came."));
  }
}, 1000);
addEventListener("pagehide", () => source && source.close());
addEventListener("pageshow", (event) => event.persisted && connect());
connect();
