// Keeps the pages for measuring by hand ready for where there is no connection. The network comes first; what is kept is
// shown only where it does not answer. Its scope is /check; it answers for nothing else, and sends nothing.
//
// Kept: pages that the person who is signed in looked at, or asked to keep, and the files that these need. They go at
// sign-out, when the service says that nobody is signed in, and when it says that it is somebody else.

const VERSION = "dev"; // the service puts that of its files in, so that an upgrade makes a new one of this
const FILES = []; // and the files that these pages need
const STATIC = `linklag-check-static-${VERSION}`;
const PAGES = `linklag-check-pages-${VERSION}`;
const LIST = "/check";
const PAGES_MAX = 60;
const PATIENCE_MS = 3000; // so long a bad connection may take where there is something kept
const FOR = "Linklag-For";
const ANY = { ignoreVary: true }; // a page is kept once, in whichever language it was last read

let forgotten = 0; // rises with each sign-out: what was asked for before it is kept no more

const isPage = (path) => path === LIST || /^\/check\/[a-z0-9][a-z0-9_-]*$/.test(path);

self.addEventListener("install", (event) => event.waitUntil(install()));
self.addEventListener("activate", (event) => event.waitUntil(activate()));

async function install() {
  const cache = await caches.open(STATIC);
  await cache.addAll(FILES.map((path) => new Request(path, { cache: "no-cache" })));
  await self.skipWaiting();
}

async function activate() {
  const older = (await caches.keys()).filter((name) => name.startsWith("linklag-check-") && ![STATIC, PAGES].includes(name));
  const paths = new Set();
  for (const name of older.filter((each) => each.startsWith("linklag-check-pages-"))) {
    for (const request of await (await caches.open(name)).keys()) paths.add(new URL(request.url).pathname);
  }
  await Promise.allSettled([...paths].map((path) => fetchPage(path))); // anew, as the new service draws them
  await Promise.all(older.map((name) => caches.delete(name)));
  await self.clients.claim();
}

async function forget() {
  forgotten += 1;
  for (const name of await caches.keys()) {
    if (name.startsWith("linklag-check-pages-")) await caches.delete(name);
  }
}

let turn = Promise.resolve(); // one page is put away after the other

function keepPage(path, answer, asOf) {
  turn = turn.then(() => put(path, answer, asOf)).catch(() => {});
  return turn;
}

async function put(path, answer, asOf) {
  if (asOf !== forgotten) return;
  let cache = await caches.open(PAGES);
  const [first] = await cache.keys();
  if (first && (await cache.match(first, ANY)).headers.get(FOR) !== answer.headers.get(FOR)) {
    await caches.delete(PAGES); // somebody else's
    cache = await caches.open(PAGES);
  }
  await cache.delete(path, ANY);
  await cache.put(path, answer);
  const kept = (await cache.keys()).filter((request) => new URL(request.url).pathname !== LIST);
  for (const oldest of kept.slice(0, -PAGES_MAX)) await cache.delete(oldest);
  if (asOf !== forgotten) await caches.delete(PAGES);
}

// Asks for a page and keeps what comes. `request`: the one of a browser that opens it, where there is one.
async function fetchPage(path, request = new Request(path, { redirect: "manual", cache: "no-store" })) {
  const asOf = forgotten;
  const answer = await fetch(request);
  if (answer.type === "opaqueredirect" || answer.status === 401) await forget(); // nobody is signed in
  else if (answer.status === 200) await keepPage(path, answer.clone(), asOf);
  else if (answer.status === 404) await (await caches.open(PAGES)).delete(path, ANY);
  return answer;
}

async function answerPage(event, path) {
  const cache = await caches.open(PAGES);
  const kept = (await cache.match(path, ANY)) ?? (await cache.match(LIST, ANY)); // the list says that this drive is not kept
  const asked = fetchPage(path, event.request);
  event.waitUntil(asked.catch(() => {}));
  if (!kept) return asked;
  const orKept = asked.then((answer) => (answer.status >= 500 ? kept : answer)).catch(() => kept);
  return Promise.race([orKept, new Promise((resolve) => setTimeout(() => resolve(kept), PATIENCE_MS))]);
}

async function answerFile(event) {
  const kept = await caches.match(event.request, ANY);
  const asked = fetch(event.request).then(async (answer) => {
    if (answer.status === 200) await (await caches.open(STATIC)).put(event.request, answer.clone());
    return answer;
  });
  event.waitUntil(asked.catch(() => {}));
  if (!kept) return asked;
  const orKept = asked.then((answer) => (answer.ok || answer.status === 304 ? answer : kept)).catch(() => kept);
  return Promise.race([orKept, new Promise((resolve) => setTimeout(() => resolve(kept), PATIENCE_MS))]);
}

self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (event.request.method !== "GET" || url.origin !== location.origin) return;
  if (isPage(url.pathname) && event.request.mode === "navigate") {
    // A search goes to the service; without a connection the kept list searches by itself.
    event.respondWith(url.search ? fetch(event.request).catch(() => answerPage(event, url.pathname)) : answerPage(event, url.pathname));
  } else if (url.pathname.startsWith("/static/")) event.respondWith(answerFile(event));
});

// Pages that somebody asks to keep: { keep: [paths] }, answered with how many are. { forget: true } at sign-out.
self.addEventListener("message", (event) => {
  const { keep = [], forget: all = false } = event.data ?? {};
  event.waitUntil(
    (async () => {
      if (all) await forget();
      let kept = 0;
      for (const path of keep.filter(isPage).slice(0, PAGES_MAX + 1)) {
        const answer = await fetchPage(path).catch(() => null);
        if (answer?.status === 200) kept += 1;
      }
      event.ports[0]?.postMessage({ kept });
    })(),
  );
});
