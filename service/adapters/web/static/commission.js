// Keeps the steps of a drive that is being set up fresh: fetches the page and takes its live parts over.
//
// The page is complete without this script. Forms are not touched, and a part that did not change is left alone, so
// that a screen reader only hears what is new.

import { t } from "./texts.js";

const EVERY_MS = 2000;
const status = document.getElementById("as-of");
const url = document.getElementById("live").dataset.url;
let asking = false;
let heardMs = Date.now();

function say(kind, text) {
  status.className = `as-of ${kind}`;
  if (status.textContent !== text) status.textContent = text;
}

async function refresh() {
  if (asking || document.hidden) return;
  asking = true;
  try {
    const answer = await fetch(url, { cache: "no-store", headers: { Accept: "text/html" } });
    if (!answer.ok) throw new Error(String(answer.status));
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    for (const old of document.querySelectorAll("[data-live]")) {
      const fresh = page.getElementById(old.id);
      if (fresh && fresh.innerHTML !== old.innerHTML && !old.contains(document.activeElement)) {
        old.replaceChildren(...fresh.childNodes);
      }
    }
    heardMs = Date.now();
    say("live", t("Live: drawn anew every two seconds."));
  } catch {
    const quiet = Math.round((Date.now() - heardMs) / 1000);
    say("lost", t("No answer from linklag for {quiet} s; trying again. The steps are as old as that.", { quiet }));
  } finally {
    asking = false;
  }
}

setInterval(refresh, EVERY_MS);
refresh();
