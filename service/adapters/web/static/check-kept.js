// Measurements kept on this phone until the service has said what became of them: in IndexedDB, each under a key that is
// made once and goes along whenever it is sent, so that sending again stores nothing twice.
//
// A measurement waits, or was refused, or is stored; it leaves the phone when a person throws it away or, once it is
// stored, by itself. Knows the store of the browser and the API; must not know the page.

const NAME = "linklag-check";
const STORED_DAYS = 3; // so long what was stored is still shown
const LATER = new Set([408, 425, 429, 500, 502, 503, 504]); // answers that say nothing of the measurement

function asked(request) {
  return new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

async function opened() {
  const request = indexedDB.open(NAME, 1);
  request.onupgradeneeded = () => request.result.createObjectStore("entries", { keyPath: "key" });
  return asked(request);
}

async function within(mode, act) {
  const database = await opened();
  try {
    const transaction = database.transaction("entries", mode, { durability: "strict" });
    const done = new Promise((resolve, reject) => {
      transaction.oncomplete = resolve;
      transaction.onabort = () => reject(transaction.error);
    });
    const found = await act(transaction.objectStore("entries"));
    await done; // on disk
    return found;
  } finally {
    database.close();
  }
}

export function newKey() {
  if (crypto.randomUUID) return crypto.randomUUID();
  return [...crypto.getRandomValues(new Uint8Array(16))].map((each) => each.toString(16).padStart(2, "0")).join("");
}

// All of them, the newest first.
export async function entries() {
  const found = await within("readonly", (store) => asked(store.getAll()));
  return found.sort((a, b) => b.ms - a.ms);
}

export async function keep(entry) {
  await within("readwrite", (store) => asked(store.put(entry)));
}

export async function throwAway(key) {
  await within("readwrite", (store) => asked(store.delete(key)));
}

// Changes an entry that is still there; one that a person threw away meanwhile stays away.
async function change(key, values) {
  await within("readwrite", async (store) => {
    const entry = await asked(store.get(key));
    if (entry) await asked(store.put({ ...entry, ...values }));
  });
}

// At sign-out: what is stored, or was said of it, goes; what nobody has stored yet stays, for who entered it alone.
export async function forgetStored() {
  for (const entry of await entries()) {
    if (entry.state === "stored") await throwAway(entry.key);
  }
}

async function forgetOld() {
  for (const entry of await entries()) {
    if (entry.state === "stored" && Date.now() - entry.stored_ms > STORED_DAYS * 86400000) await throwAway(entry.key);
  }
}

// Who is signed in: { name, form_token, may_record }, or { ask: "offline" | "sign-in", words } where that is not known.
export async function whoIs() {
  let answer;
  try {
    answer = await fetch("/check/me.json", { headers: { Accept: "application/json" }, cache: "no-store" });
  } catch {
    return { ask: "offline" };
  }
  if (answer.ok) return answer.json().catch(() => ({ ask: "offline" }));
  if (answer.status === 401 || answer.status === 403) return { ask: "sign-in", words: await wordsOf(answer) };
  return { ask: "offline" };
}

async function wordsOf(answer) {
  try {
    const problem = await answer.json();
    return problem.errors?.length ? problem.errors.map((each) => each.detail).join("; ") : problem.detail;
  } catch {
    return `${answer.status} ${answer.statusText}`;
  }
}

const rfc3339 = (ms) => new Date(ms).toISOString();

async function send(entry, me) {
  const body = { ...entry.body, measured: rfc3339(entry.ms), sent: rfc3339(Date.now()) };
  let answer;
  try {
    answer = await fetch(`/api/v1/drives/${encodeURIComponent(entry.drive_id)}/hand-values`, {
      method: "POST",
      headers: {
        "Content-Type": "application/json",
        Accept: "application/json",
        "Idempotency-Key": entry.key,
        ...(me.form_token ? { "X-Form-Token": me.form_token } : {}),
      },
      body: JSON.stringify(body),
    });
    if (answer.ok) {
      await change(entry.key, { state: "stored", answer: await answer.json(), stored_ms: Date.now() });
      return "stored";
    }
  } catch {
    return "offline"; // whether it arrived is not known: it is sent again with the same key
  }
  if (answer.status === 401) return "sign-in";
  if (LATER.has(answer.status) || answer.status > 504) return "offline";
  if (answer.status === 403 && !entry.again) {
    await change(entry.key, { again: true }); // the session may be another one since we asked who it is
    return "offline";
  }
  await change(entry.key, { state: "refused", refused: { status: answer.status, words: await wordsOf(answer) } });
  return "refused";
}

let sending = null;

// Sends what waits, of who is signed in. Returns { ask } where something still waits and why, else { ask: null }.
export function sendAll() {
  sending ??= (navigator.locks ? navigator.locks.request(`${NAME}-send`, sendEach) : sendEach()).finally(() => {
    sending = null;
  });
  return sending;
}

async function sendEach() {
  await forgetOld();
  const waiting = (await entries()).filter((each) => each.state === "waits").reverse();
  const me = await whoIs();
  if (me.ask) return me;
  for (const entry of waiting) {
    if (entry.who !== me.name) continue; // somebody else's, who must send it
    if (!me.may_record) {
      await change(entry.key, { state: "refused", refused: { status: 403, words: me.lacks } });
      continue;
    }
    const became = await send(entry, me);
    if (became === "offline" || became === "sign-in") return { ask: became };
  }
  return { ...me, ask: null };
}
