// Keeps the board live: rows come drawn by the server where more of them changed than their numbers; else only numbers come.
//
// A row is put where its rank belongs, in the group that it belongs to. Numbers are set as text; rows are parsed, never run.

import { ageWords } from "./age.js";
import { STALE_S, follow, now } from "./linklag.js";

const SUMMARY_MS = 10000; // the counts above are fetched again at most so often
const RELOAD_MS = 15000; // and the whole page
const board = document.getElementById("board");
const { after, query, group, only } = board.dataset;
const drives = new Map([...board.querySelectorAll("tr[data-drive]")].map((row) => [row.dataset.drive, row]));
const due = { summary: 0, page: 0 };

function parsed(html) {
  return new DOMParser().parseFromString(`<table><tbody>${html}</tbody></table>`, "text/html").querySelector("tr");
}

function put(row, key) {
  const body = board.querySelector(`tbody[data-group="${CSS.escape(key)}"]`);
  if (!body) {
    want("page", RELOAD_MS); // a group that was not there: its heading is the server's to write
    return;
  }
  const { rank } = row.dataset;
  if (row.parentNode === body && inPlace(row, rank)) return;
  const next = [...body.children].find((each) => each !== row && each.dataset.rank > rank) ?? null;
  const focused = document.activeElement;
  body.insertBefore(row, next);
  if (focused instanceof HTMLElement && row.contains(focused)) focused.focus({ preventScroll: true });
}

function inPlace(row, rank) {
  const { previousElementSibling: before, nextElementSibling: after } = row;
  return !(before?.dataset.rank > rank) && !(after?.dataset.rank < rank);
}

function takeRow(told) {
  const old = drives.get(told.id);
  const key = group === "need" ? told.need : group === "none" ? "" : told[group];
  want("summary", SUMMARY_MS);
  if (only && told.need !== only) {
    old?.remove();
    drives.delete(told.id);
  } else {
    const row = document.adoptNode(parsed(told.html));
    const address = old?.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
    if (old) old.replaceWith(row);
    drives.set(told.id, row);
    put(row, key);
    if (address) row.querySelector(`a[href="${CSS.escape(address)}"]`)?.focus({ preventScroll: true });
  }
  count();
}

function takeNumbers(told) {
  const row = drives.get(told.id);
  if (!row) return;
  const texts = { pc: told.used, pu: told.used_u, e: told.elongation, u: told.uncertainty, v: told.speed };
  for (const [name, text] of Object.entries(texts)) {
    const place = row.querySelector(`.${name}`);
    if (place && place.textContent !== text) place.textContent = text;
  }
  row.querySelector(".strand .worn")?.setAttribute("width", told.worn_x);
  row.querySelector(".strand .spread")?.setAttribute("d", told.whisker);
  const news = row.querySelector(".news");
  const age = news?.querySelector(".age");
  if (age && told.news_ms !== null && age.dataset.ms !== String(told.news_ms)) {
    age.dataset.ms = told.news_ms;
    news.classList.remove("fresh");
    void news.offsetWidth; // starts the animation anew
    news.classList.add("fresh");
  }
  if (row.dataset.rank !== told.rank) {
    row.dataset.rank = told.rank;
    put(row, row.parentNode.dataset.group);
  }
}

function takeGone(told) {
  drives.get(told.key)?.remove();
  if (drives.delete(told.key)) {
    want("summary", SUMMARY_MS);
    count();
  }
}

function count() {
  for (const body of board.tBodies) {
    const rows = body.querySelectorAll("tr[data-drive]").length;
    body.hidden = rows === 0;
    const place = body.querySelector(".count");
    if (place) place.textContent = rows;
  }
  const none = document.getElementById("none");
  if (none) none.hidden = drives.size > 0;
}

function want(what, waitMs) {
  if (!due[what]) due[what] = Date.now() + waitMs;
}

async function fetched(address) {
  const answer = await fetch(address, { cache: "no-store" });
  return answer.ok ? answer.text() : null;
}

async function freshen() {
  if (document.hidden) return;
  try {
    if (due.page && Date.now() > due.page) {
      location.reload();
    } else if (due.summary && Date.now() > due.summary) {
      due.summary = 0;
      const html = await fetched(`/board/summary?${query}`);
      const place = document.getElementById("summary");
      if (html && place && !place.contains(document.activeElement)) {
        place.replaceChildren(...new DOMParser().parseFromString(html, "text/html").body.childNodes);
      }
    }
  } catch {
    want("summary", SUMMARY_MS); // the stream tells people that there is no connection
  }
}

function tick({ lostMs }) {
  if (document.hidden) return;
  const nowMs = now();
  for (const age of board.querySelectorAll(".age")) {
    const text = ageWords((nowMs - Number(age.dataset.ms)) / 1000);
    if (age.textContent !== text) age.textContent = text;
  }
  for (const age of board.querySelectorAll(".news > .age")) {
    age.closest("td").classList.toggle("stale", nowMs - Number(age.dataset.ms) > 1000 * STALE_S);
  }
  const note = document.getElementById("lost");
  document.body.classList.toggle("lost", lostMs > 0);
  note.hidden = !lostMs;
  if (lostMs) note.querySelector(".lost-for").textContent = ageWords(lostMs / 1000);
  freshen();
}

if (board.tagName === "TABLE") {
  const address = `/board/stream${query ? `?${query}` : ""}`;
  follow(address, after, { row: takeRow, numbers: takeNumbers, gone: takeGone }, tick);
} else {
  follow("/board/stream", "", { row: () => location.reload() }, () => {});
}
