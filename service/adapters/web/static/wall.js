// Keeps the wall going without anybody: asks for it every two seconds, turns its pages, and says loudly how old it is when no answer comes.
//
// What is shown comes drawn from the service. This script only swaps it, counts seconds, and never gives up.

import { ageWords } from "./age.js";

const ASK_MS = 2000;
const ANSWER_MS = 6000; // an answer that takes longer is none
const LOST_MS = 8000; // so long without one, and the numbers are said to be old
const STALE_S = Number(document.body.dataset.staleS);

let answeredMs = performance.now();
let turnedMs = performance.now();
let aheadMs = 0;
let asking = false;
let page = 1;

const shown = () => document.getElementById("wall");

function take(facts) {
  aheadMs = Number(facts.dataset.nowMs) - Date.now();
  answeredMs = performance.now();
}

function address(number) {
  const asked = new URLSearchParams(location.search);
  asked.set("page", number);
  return `${location.pathname}?${asked}`;
}

async function ask() {
  if (asking) return;
  asking = true;
  try {
    const answer = await fetch(address(page), { cache: "no-store", signal: AbortSignal.timeout(ANSWER_MS) });
    if (answer.redirected || answer.status === 401 || answer.status === 403) {
      location.reload(); // the key is over: the page says what to do
      return;
    }
    if (!answer.ok) return;
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("wall");
    if (!fresh) return;
    shown().replaceWith(document.adoptNode(fresh));
    take(fresh);
    page = Number(fresh.dataset.page);
  } catch {
    // no answer: asked again, for as long as it takes
  } finally {
    asking = false;
    tick();
  }
}

function turn() {
  const { everyS, pages } = shown().dataset;
  if (performance.now() - turnedMs < 1000 * Number(everyS)) return;
  turnedMs = performance.now();
  page = (page % Number(pages)) + 1;
}

function tick() {
  const lostMs = performance.now() - answeredMs;
  const nowMs = Date.now() + aheadMs;
  const { offsetS, newestMs } = shown().dataset;
  document.getElementById("clock").textContent = new Date(nowMs + 1000 * Number(offsetS)).toISOString().slice(11, 19);
  for (const age of document.querySelectorAll(".age[data-ms]")) age.textContent = ageWords((nowMs - Number(age.dataset.ms)) / 1000);
  if (newestMs) {
    const ageS = (nowMs - Number(newestMs)) / 1000;
    document.querySelector(".newest").textContent = ageWords(ageS);
    document.getElementById("old").classList.toggle("stale", ageS > STALE_S);
  }
  const lost = lostMs > LOST_MS;
  document.body.classList.toggle("lost", lost);
  document.getElementById("gone").hidden = !lost;
  if (lost) document.querySelector(".lost-for").textContent = ageWords(lostMs / 1000);
}

take(shown());
page = Number(shown().dataset.page);
setInterval(() => {
  tick();
  turn();
}, 1000);
setInterval(ask, ASK_MS);
