// The pages for measuring by hand: the result while one types, what waits on this phone, and what became of it.
//
// Words come from the page (check_says.html), so that they are in its language. Text is set as text, never as HTML.

import { cannotBe, countDoubt, decimals, handElongation, remainingMm } from "./check.js";
import { lengthOf, measurementOf } from "./check-entry.js";
import { entries, keep, newKey, sendAll, throwAway, whoIs } from "./check-kept.js";

const TRY_AGAIN_MS = 15000;
const CLOCK_OFF_MS = 60000; // so far off is worth a word
const REMEMBERED = ["by", "unit", "method"]; // from one measurement to the next, where no one is signed in by name too

const page = document.querySelector("[data-check]");
const facts = page.dataset.facts ? JSON.parse(page.dataset.facts) : null;
const form = page.querySelector("form.reads");
const connection = document.getElementById("connection");
const language = document.documentElement.lang || "en";
let mending = null; // the refused entry that stands in the form
let me = { ask: null, name: page.dataset.who }; // as the page was made, until the service says
let newest = null; // key of what was recorded on this page last
let recording = false; // one is being put away: a second tap records nothing twice

// Words and numbers

function say(name, values = {}) {
  const text = document.querySelector(`[data-say="${name}"]`)?.textContent ?? name;
  return text.replace(/\[(\w+)\]/g, (whole, key) => String(values[key] ?? whole));
}

function number(value, places) {
  const how = { minimumFractionDigits: places, maximumFractionDigits: places, useGrouping: false };
  const text = new Intl.NumberFormat(language, how).format(value);
  return (/[1-9]/.test(text) ? text : text.replace("-", "")).replace("-", "\u2212");
}

function elongation(pct, uPct) {
  const places = decimals(2 * uPct);
  return { pct: number(pct, places), u: number(2 * uPct, places) };
}

const short = (mm) => new Intl.NumberFormat(language, { maximumFractionDigits: 2, useGrouping: false }).format(mm);

function show(element, text) {
  element.hidden = !text;
  if (element.textContent !== text) element.textContent = text;
}

// The result at once

function typed() {
  return Object.fromEntries([...new FormData(form)].filter(([, value]) => typeof value === "string"));
}

const valueOf = (body) => ({
  method: body.method,
  pitches: body.pitches,
  lengthMm: lengthOf(body),
  tight: body.tight,
  tempC: body.temp_c,
});

// What is wrong with a complete body before anything is worked out, as field to words; what the service would refuse too.
function refusals(body) {
  const value = valueOf(body);
  const of = { length: short(value.lengthMm), pitches: value.pitches };
  if (body.method === "calliper" && body.inside_mm >= body.outside_mm) return { inside: say("swap") };
  if (facts.pitchesInLoop !== null && body.pitches > facts.pitchesInLoop) {
    return { pitches: say("loop", { n: facts.pitchesInLoop }) };
  }
  const found = handElongation(value, facts);
  if (cannotBe(value, facts)) return { length_1: say("cannot", { ...of, pct: number(found.pct, 0) }), inside: say("cannot", { ...of, pct: number(found.pct, 0) }) };
  if (body.cranked) return { cranked: say("cranked") };
  return {};
}

function doubtWords(value, doubt) {
  if (doubt === null) return "";
  const of = { length: short(value.lengthMm), pitches: value.pitches, pct: number(doubt.pct, 2) };
  if (doubt.other === null) return say(doubt.pct < 0 ? "count-short" : "count-far", of);
  const [first, last] = [value.pitches, doubt.other].sort((a, b) => a - b);
  return say("count-other", { ...of, other: doubt.other, otherPct: number(doubt.otherPct, 2), first, last });
}

function leftWords(mm, limitPct, pitches) {
  return say(mm >= 0 ? "left" : "over", { mm: number(Math.abs(mm), 1), limit: number(limitPct, 2), pitches });
}

function strandWidth(used) {
  return used > 0 ? Math.min(used, 1) * 200 + 5 + (used >= 1 ? 5 : 0) : 0;
}

function draw(result) {
  const box = document.getElementById("at-once");
  const put = (name, text) => show(box.querySelector(`[data-r="${name}"]`), text);
  box.hidden = result === null;
  if (result === null) return;
  const { pct, u } = elongation(result.pct, result.uPct);
  put("pct", pct);
  put("u", u);
  put("left", result.reliable ? leftWords(result.leftMm, result.limitPct, result.pitches) : say("slack"));
  put("doubt", result.doubt ?? "");
  put("agreement", result.agreement?.words ? `${result.agreement.words}.` : "");
  put("whose", say(result.said ? "said" : "provisional"));
  box.querySelector('[data-r="agreement"]').className = result.agreement?.agree === false ? "disagrees" : "agrees";
  const list = box.querySelector('[data-r="warnings"]');
  list.hidden = !result.warnings?.length;
  list.replaceChildren(...(result.warnings ?? []).map((each) => Object.assign(document.createElement("li"), { textContent: `${each}.` })));
  box.classList.toggle("provisional", !result.said);
  box.classList.toggle("slack", !result.reliable);
  const used = result.reliable ? result.pct / result.limitPct : 0;
  const strand = box.querySelector('[data-f="strand"]');
  strand.setAttribute("width", strandWidth(used).toFixed(1));
  const verdict = verdictOf(result);
  strand.parentElement.setAttribute("class", `strand ${verdict}`);
  put("may-be", verdict === "within_uncertainty" ? say("may-be") : "");
}

// As on the board (words.py): reached, may be reached (with U = 2 u), or below.
function verdictOf({ pct, uPct, limitPct, reliable }) {
  if (!reliable) return "below";
  if (pct >= limitPct) return "reached";
  return pct + 2 * uPct >= limitPct ? "within_uncertainty" : "below";
}

function worked(body) {
  const value = valueOf(body);
  const found = handElongation(value, facts);
  const doubt = body.counted_again ? null : countDoubt(value, facts, facts.known, Date.now());
  const leftMm = remainingMm(value, facts, found);
  return { ...found, leftMm, limitPct: facts.limitPct, pitches: value.pitches, doubt: doubtWords(value, doubt), said: false };
}

function atOnce() {
  const { body, wrong } = measurementOf(typed());
  const settled = Object.keys(wrong).length === 0 && Object.keys(refusals(body)).length === 0;
  if (settled) {
    const result = worked(body);
    if (result.doubt) form.querySelector(".is-again").hidden = false;
    draw(result);
  } else draw(null);
}

function mark(wrong) {
  let first = null;
  for (const place of form.querySelectorAll("[data-wrong]")) {
    const words = wrong[place.dataset.wrong] ?? "";
    show(place, words);
    const field = place.closest("[data-field]");
    field?.classList.toggle("bad", Boolean(words));
    const input = field?.querySelector("input");
    if (input) input.toggleAttribute("aria-invalid", Boolean(words));
    if (words && input && input.offsetParent !== null) first ??= input;
  }
  first?.focus();
  return first !== null;
}

// Recording

async function record(event) {
  event.preventDefault();
  if (recording) return;
  const texts = typed();
  const { body, wrong } = measurementOf(texts);
  const words = Object.fromEntries(
    Object.entries(wrong).map(([name, kind]) => [name, page.querySelector(`[data-said="${kind}"]`).textContent]),
  );
  if (mark(Object.keys(words).length ? words : refusals(body))) return;
  const result = worked(body);
  if (result.doubt) {
    form.querySelector(".is-again").hidden = false;
    mark({ pitches: result.doubt });
    return;
  }
  const anew = !mending || document.getElementById("anew").checked;
  const entry = {
    key: mending ? mending.key : newKey(),
    drive_id: facts.drive_id,
    title: facts.title,
    chain_id: facts.chain_id,
    body: { ...body, chain_id: facts.chain_id, by: me.name || texts.by?.trim() || null },
    typed: texts,
    ms: anew ? Date.now() : mending.ms,
    who: me.name,
    state: "waits",
    result: { pct: result.pct, uPct: result.uPct, reliable: result.reliable },
  };
  recording = true;
  try {
    await keep(entry);
  } catch (error) {
    post(entry, error);
    return;
  } finally {
    recording = false;
  }
  remember(texts);
  newest = entry.key;
  stopMending();
  for (const name of ["pitches", "length_1", "length_2", "length_3", "outside", "inside", "note", "temp_c"]) {
    form.elements[name].value = "";
  }
  form.elements.cranked.checked = false;
  form.elements.counted_again.checked = false;
  form.querySelector(".is-again").hidden = true;
  draw(result);
  await listKept();
  document.getElementById("at-once").scrollIntoView({ block: "nearest" });
  await tryToSend();
}

// A browser that keeps nothing (some do so in private windows): the form goes as it does without scripts.
function post(entry, error) {
  show(connection, say("no-room", { words: String(error?.message ?? error) }));
  form.elements.key.value = entry.key;
  form.submit();
}

function remember(texts) {
  try {
    for (const name of REMEMBERED) if (texts[name]) localStorage.setItem(`linklag-check-${name}`, texts[name]);
  } catch {
    // not remembered, then
  }
}

function recall() {
  try {
    for (const name of REMEMBERED) {
      const value = localStorage.getItem(`linklag-check-${name}`);
      if (value && form.elements[name] && !typed()[name]?.trim()) form.elements[name].value = value;
    }
  } catch {
    // nothing remembered
  }
}

// Correcting what was refused

async function startMending() {
  const key = new URLSearchParams(location.hash.slice(1)).get("mend");
  const entry = key && (await entries()).find((each) => each.key === key && each.state === "refused" && isMine(each));
  if (!entry || !form) return;
  mending = entry;
  for (const [name, value] of Object.entries(entry.typed)) {
    if (form.elements[name] && !["key", "chain_id", "form_token"].includes(name)) {
      if (form.elements[name].type === "checkbox") form.elements[name].checked = true;
      else form.elements[name].value = value;
    }
  }
  form.querySelector(".is-again").hidden = !entry.typed.counted_again && !/count/.test(entry.refused.words);
  form.querySelector(".is-anew").hidden = false;
  const chains = entry.chain_id === facts.chain_id ? "" : ` ${say("other-chain", { old: entry.chain_id, new: facts.chain_id })}`;
  show(document.getElementById("mending"), say("mending", { words: sentence(entry.refused.words) }) + chains);
  document.getElementById("enter").scrollIntoView();
  atOnce();
}

function stopMending() {
  mending = null;
  show(document.getElementById("mending"), "");
  form.querySelector(".is-anew").hidden = true;
  document.getElementById("anew").checked = false;
  if (location.hash) history.replaceState(null, "", location.pathname);
}

const sentence = (text) => (/[.?!]$/.test(text) ? text : `${text}.`);

// What is kept on this phone

const isMine = (entry) => entry.who === me.name;

async function listKept() {
  const all = await entries().catch(() => []);
  const mine = all.filter(isMine);
  const others = all.filter((each) => !isMine(each) && each.state !== "stored");
  const section = document.getElementById("kept");
  section.hidden = mine.length + others.length === 0;
  const who = [...new Set(others.map((each) => each.who || "\u2013"))].join(", ");
  show(document.getElementById("kept-others"), others.length ? say("others", { n: others.length, who }) : "");
  section.querySelector("ul").replaceChildren(...mine.map(item));
  const fresh = mine.find((each) => each.key === newest);
  if (fresh?.state === "stored") drawSaid(fresh.answer);
}

function drawSaid(answer) {
  draw({
    pct: answer.elongation_pct,
    uPct: answer.elongation_u_pct,
    reliable: answer.reliable,
    leftMm: answer.remaining_mm,
    limitPct: answer.limit_pct,
    pitches: answer.pitches,
    agreement: answer.agreement,
    warnings: answer.warnings,
    said: true,
  });
}

function item(entry) {
  const made = document.getElementById("kept-item").content.firstElementChild.cloneNode(true);
  const at = (name) => made.querySelector(`[data-k="${name}"]`);
  const stored = entry.state === "stored";
  const numbers = stored
    ? elongation(entry.answer.elongation_pct, entry.answer.elongation_u_pct)
    : elongation(entry.result.pct, entry.result.uPct);
  made.dataset.state = entry.state;
  made.dataset.key = entry.key;
  at("title").textContent = entry.title;
  at("when").textContent = new Date(entry.ms).toLocaleString(language, { dateStyle: "medium", timeStyle: "short" });
  const what = { length: short(lengthOf(entry.body)), pitches: entry.body.pitches, ...numbers };
  at("what").textContent = say(entry.result.reliable ? "what" : "what-slack", what);
  at("became").textContent = say(entry.state === "waits" && me.ask === "sign-in" ? "waits-sign-in" : entry.state);
  show(at("words"), entry.state === "refused" ? sentence(entry.refused.words) : "");
  at("mend").hidden = entry.state !== "refused";
  at("mend").href = `/check/${entry.drive_id}#mend=${encodeURIComponent(entry.key)}`;
  at("off").hidden = !stored;
  at("off").addEventListener("click", () => drop(entry.key));
  at("away").hidden = stored;
  at("away").addEventListener("click", (event) => {
    if (event.target.dataset.sure) drop(entry.key);
    event.target.dataset.sure = "yes";
    event.target.textContent = say("really");
  });
  return made;
}

async function drop(key) {
  await throwAway(key);
  if (mending?.key === key) stopMending();
  await listKept();
}

// Sending

async function tryToSend() {
  const told = await sendAll().catch(() => ({ ask: "offline" }));
  me = told.ask ? { ...me, ask: told.ask } : told;
  if (me.ask === "sign-in") navigator.serviceWorker?.controller?.postMessage({ forget: true });
  drawConnection();
  await listKept();
}

function drawConnection() {
  connection.className = `connection ${me.ask ?? "connected"}`;
  let words = say(me.ask ?? "connected");
  const offMs = me.ask ? 0 : Date.now() - me.now_ms;
  if (Math.abs(offMs) > CLOCK_OFF_MS) words += ` ${say("clock", { length: lengthOfTime(Math.abs(offMs)) })}`;
  show(connection, words);
  if (me.ask === "sign-in") {
    const link = Object.assign(document.createElement("a"), { textContent: say("sign-in-link") });
    link.href = `/sign-in?next=${encodeURIComponent(location.pathname)}`;
    connection.append(" ", link);
  }
}

function lengthOfTime(ms) {
  const minutes = Math.round(ms / 60000);
  if (minutes < 120) return say("minutes", { n: minutes });
  return minutes < 2880 ? say("hours", { n: Math.round(minutes / 60) }) : say("days", { n: Math.round(minutes / 1440) });
}

async function whileWaiting() {
  if (document.hidden) return;
  const waits = (await entries().catch(() => [])).some((each) => each.state === "waits" && isMine(each));
  if (waits || me.ask) await tryToSend();
}

// The list of drives

function filterList() {
  const asked = document.getElementById("q").value.trim().toLowerCase();
  let shown = 0;
  for (const row of document.querySelectorAll("#drives li")) {
    row.hidden = !row.dataset.searched.includes(asked);
    if (!row.hidden) shown += 1;
  }
  show(document.getElementById("none-found"), shown ? "" : say("none-found"));
}

async function markKept() {
  if (!("caches" in globalThis)) return;
  const paths = new Set();
  for (const name of await caches.keys()) {
    if (!name.startsWith("linklag-check-pages-")) continue;
    if (!(await caches.has(name))) continue; // gone meanwhile: opening would make it anew
    for (const request of await (await caches.open(name)).keys()) paths.add(new URL(request.url).pathname);
  }
  for (const row of document.querySelectorAll("#drives li")) {
    row.querySelector(".is-kept").hidden = !paths.has(`/check/${row.dataset.id}`);
  }
}

async function keepPages(paths) {
  const worker = (await navigator.serviceWorker.ready).active;
  const channel = new MessageChannel();
  const told = new Promise((resolve) => (channel.port1.onmessage = (event) => resolve(event.data.kept)));
  worker.postMessage({ keep: paths }, [channel.port2]);
  return told;
}

async function keepShown(event) {
  const rows = [...document.querySelectorAll("#drives li:not([hidden])")].slice(0, 50);
  const status = event.target.parentElement.querySelector("[role=status]");
  event.target.disabled = true;
  const kept = (await keepPages(["/check", ...rows.map((row) => `/check/${row.dataset.id}`)])) - 1;
  status.textContent = say(kept < rows.length ? "keep-failed" : "kept-n", { n: Math.max(0, kept) });
  event.target.disabled = false;
  await markKept();
}

async function startWorker() {
  if (!("serviceWorker" in navigator)) return; // plain HTTP, off this computer: browsers allow none there
  try {
    await navigator.serviceWorker.register("/check/sw.js", { scope: "/check", updateViaCache: "none" });
    await keepPages(location.pathname === "/check" ? ["/check"] : ["/check", location.pathname]);
  } catch {
    return; // signed out meanwhile, or the browser wants none: the page works without
  }
  document.documentElement.dataset.kept = "yes";
}

// The page

if (form) {
  recall();
  form.addEventListener("input", atOnce);
  if (form.querySelector("button.main")) form.addEventListener("submit", record);
  for (const pick of form.querySelectorAll('[name="unit"]')) {
    pick.addEventListener("change", () => {
      for (const name of ["length_1", "length_2", "length_3", "outside", "inside"]) {
        form.elements[name].inputMode = pick.value === "inch" && pick.checked ? "text" : "decimal";
      }
    });
  }
  startMending();
  addEventListener("hashchange", startMending);
  atOnce();
}
if (page.dataset.check === "list") {
  document.getElementById("q").addEventListener("input", filterList);
  if (document.getElementById("q").value) filterList();
  if (location.pathname !== "/check") show(document.getElementById("unkept"), say("unkept"));
  const offer = document.getElementById("keep");
  if (offer && "serviceWorker" in navigator) {
    offer.hidden = false;
    offer.querySelector("button").addEventListener("click", keepShown);
  }
  markKept();
}
listKept();
startWorker().then(markKept);
tryToSend();
addEventListener("online", tryToSend);
addEventListener("offline", () => whoIs().then((told) => told.ask && ((me = { ...me, ask: told.ask }), drawConnection(), listKept())));
document.addEventListener("visibilitychange", whileWaiting);
setInterval(whileWaiting, TRY_AGAIN_MS);
