// What goes from this browser when somebody signs out: kept pages and drives, and what was said of stored measurements.
// Measurements that nobody has stored yet stay, shown to and sent for who entered them alone.

import { forgetStored } from "./check-kept.js";

const GIVE_UP_MS = 3000;

async function forgetPages() {
  const worker = (await navigator.serviceWorker?.getRegistration("/check"))?.active;
  if (worker) {
    const channel = new MessageChannel();
    const told = new Promise((resolve) => (channel.port1.onmessage = resolve));
    worker.postMessage({ forget: true }, [channel.port2]);
    await Promise.race([told, new Promise((resolve) => setTimeout(resolve, GIVE_UP_MS / 2))]);
  }
  if (!("caches" in globalThis)) return;
  for (const name of await caches.keys()) {
    if (name.startsWith("linklag-check-pages")) await caches.delete(name);
  }
}

export async function forget() {
  const all = Promise.allSettled([forgetPages(), forgetStored()]);
  await Promise.race([all, new Promise((resolve) => setTimeout(resolve, GIVE_UP_MS))]);
}
