// Shows what arrives on a page that waits for it: fetches the page and takes its marked parts over.
//
// The page is complete without this script. A part in which somebody types or has typed is left alone until they are done.

const EVERY_MS = 3000;
let asking = false;

const inUse = (part) =>
  part.contains(document.activeElement) ||
  [...part.querySelectorAll("input:not([type=hidden]), textarea")].some((field) => field.value !== field.defaultValue);

async function look() {
  const parts = [...document.querySelectorAll("[data-arrivals]")];
  if (asking || document.hidden || !parts.length) return;
  asking = true;
  try {
    const answer = await fetch(location.pathname + location.search, { cache: "no-store", headers: { Accept: "text/html" } });
    if (!answer.ok) return;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    for (const part of parts) {
      const fresh = page.getElementById(part.id);
      if (!fresh) {
        if (parts.some(inUse)) return; // not under the hands of who types
        location.reload(); // what was waited for is there, and the page is another one now
      } else if (fresh.innerHTML !== part.innerHTML && !inUse(part)) part.replaceChildren(...fresh.childNodes);
    }
  } catch {
    // no connection: the head of the page says so, and the next look tries again
  } finally {
    asking = false;
  }
}

setInterval(look, EVERY_MS);
