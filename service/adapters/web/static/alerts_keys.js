// Works the list of alerts by single keys: nothing here that the page cannot do without it.
//
// Keys do nothing while somebody types, nor with Ctrl, Alt or Meta, and can be turned off (WCAG 2.2, 2.1.4); that is remembered
// in this browser. Which alert is meant is the one that has the focus, or holds it.

const OFF = "linklag-keys-off";
const help = document.getElementById("keys");
const on = document.getElementById("keys-on");

const shown = (each) => each.checkVisibility();
const alerts = () => [...document.querySelectorAll("article.alert")].filter(shown);
const current = () => document.activeElement?.closest("article.alert");
const typing = (where) => where instanceof Element && where.closest("input:not([type=checkbox]), textarea, select, [contenteditable]");

function turnedOff() {
  try {
    return localStorage.getItem(OFF) === "yes";
  } catch {
    return false; // nothing may be kept here: keys are on
  }
}

function turn(isOn) {
  try {
    if (isOn) localStorage.removeItem(OFF);
    else localStorage.setItem(OFF, "yes");
  } catch {
    // it holds for this page only
  }
}

function go(to) {
  if (!to) return;
  for (const each of document.querySelectorAll(".alert.at")) each.classList.remove("at");
  to.closest("details.kept-quiet")?.setAttribute("open", "");
  to.classList.add("at");
  to.focus({ preventScroll: true });
  to.scrollIntoView({ block: "nearest" });
}

function move(by) {
  const all = alerts();
  const at = all.indexOf(current());
  go(at < 0 ? all[by > 0 ? 0 : all.length - 1] : all[Math.min(Math.max(at + by, 0), all.length - 1)]);
}

function form(act) {
  return current()?.querySelector(`form[data-act="${act}"]`);
}

function open(act) {
  const asked = form(act);
  if (!asked) return;
  asked.closest("details").open = true;
  const field = asked.querySelector("input:not([type=hidden])");
  field.focus();
  field.select?.();
}

function leave() {
  const at = current();
  for (const each of at?.querySelectorAll("details.more[open]") ?? []) each.open = false;
  go(at);
}

const acts = {
  j: () => move(1),
  ArrowDown: () => move(1),
  k: () => move(-1),
  ArrowUp: () => move(-1),
  a: () => form("acknowledge")?.requestSubmit(),
  s: () => open("shelve"),
  c: () => open("comments"),
  w: () => open("work-order"),
  t: () => current()?.querySelector('input[name="alert"]')?.click(),
  o: () => current()?.querySelector("h3 a")?.click(),
  "?": () => (help.open = !help.open),
};

addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey || event.isComposing) return;
  if (event.key === "Escape" && current()) {
    leave();
    return;
  }
  if (!on.checked || typing(event.target) || !(event.key in acts)) return;
  if (event.key.startsWith("Arrow") && !current()) return; // the page is scrolled by them
  event.preventDefault();
  acts[event.key]();
});

on.checked = !turnedOff();
on.addEventListener("change", () => turn(on.checked));
help.hidden = false;

// After an act the address names the alert that comes next; where it is gone meanwhile, the first.
if (location.hash.length > 1) {
  go(document.getElementById(decodeURIComponent(location.hash.slice(1))) ?? alerts()[0]);
}
