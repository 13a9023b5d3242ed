// What this device keeps of its own while the server does not have it: "drafts" of forms, and a "queue" of what was
// sent while the server was away. Everything is sealed (AES-GCM) with a key that the server gives to the person who is
// signed in; the browser holds it where no script can read it. In clear stand only a number and for whom it is.
//
// The numbers come from a counter, so that nothing depends on the clock of the device.

const about = document.querySelector('meta[name="kept-for"]');
export const person = about?.content ?? "";
// Whether what is typed on this page may be kept (kb/web/guard/kept.py).
export const here = Boolean(person) && about.dataset.page === "yes";
// A browser gives ciphers to pages that came by HTTPS or from this machine only.
export const sealed = Boolean(window.isSecureContext && window.crypto?.subtle && window.indexedDB);

export class Full extends Error {}

const STORES = ["drafts", "queue", "files"];
const PAGES = "pages-"; // caches of the service worker (sw.js)
const WORKER_MS = 3_000; // for the worker to empty them
const changes = "BroadcastChannel" in window ? new BroadcastChannel("kb-kept") : null;
let opened = null;
let keys = null;
let wiped = 0; // how often all was deleted by this page

function database() {
  opened ??= new Promise((done, failed) => {
    const request = indexedDB.open("kb-kept", 1);
    request.onupgradeneeded = () => {
      for (const name of STORES) request.result.createObjectStore(name, { keyPath: "number" });
      request.result.createObjectStore("keys");
      request.result.createObjectStore("counter");
    };
    request.onsuccess = () => {
      const base = request.result;
      // A newer version of the program on another page waits for this one; closed by the browser it is opened again.
      base.onversionchange = () => { opened = null; base.close(); };
      base.onclose = () => { opened = null; };
      done(base);
    };
    request.onerror = () => {
      opened = null;
      failed(request.error);
    };
  });
  return opened;
}

// The result of `work` on a store, once it is really on the device.
async function inStore(name, mode, work) {
  const base = await database();
  return new Promise((done, failed) => {
    const transaction = base.transaction(name, mode, mode === "readwrite" ? { durability: "strict" } : {});
    const request = work(transaction.objectStore(name));
    transaction.oncomplete = () => done(request.result);
    transaction.onabort = () => failed(transaction.error ?? request.error);
  });
}

async function nextNumber() {
  const base = await database();
  return new Promise((done, failed) => {
    const transaction = base.transaction("counter", "readwrite");
    const store = transaction.objectStore("counter");
    let number = 0;
    const asked = store.get("last");
    asked.onsuccess = () => {
      number = (asked.result ?? 0) + 1;
      store.put(number, "last");
    };
    transaction.oncomplete = () => done(number);
    transaction.onabort = () => failed(transaction.error);
  });
}

async function fetchKey() {
  const before = wiped;
  const answer = await fetch("/waiting/key", { headers: { Accept: "application/json" } });
  if (!answer.ok) throw new Error("no key");
  const given = await answer.json();
  if (given.person !== person) throw new Error("somebody else is signed in");
  const bytes = Uint8Array.from(atob(given.key), (one) => one.charCodeAt(0));
  const key = await crypto.subtle.importKey("raw", bytes, "AES-GCM", false, ["encrypt", "decrypt"]);
  if (wiped !== before) throw new Error("all was deleted meanwhile");
  // On a full device it lasts as long as the page.
  await roomFor(() => inStore("keys", "readwrite", (store) => store.put(key, person))).catch(() => {});
  return key;
}

// The key of this person, from the device or from the server. Fails where neither has it.
function key() {
  keys ??= (async () => {
    const held = await inStore("keys", "readonly", (store) => store.get(person));
    return held ?? fetchKey();
  })();
  keys.catch(() => { keys = null; });
  return keys;
}

// What was sealed for one place cannot be read in another.
const placeOf = (store, number) => new TextEncoder().encode(`${store}/${person}/${number}`);

async function seal(store, number, bytes) {
  const iv = crypto.getRandomValues(new Uint8Array(12));
  const additionalData = placeOf(store, number);
  return { number, person, iv, bytes: await crypto.subtle.encrypt({ name: "AES-GCM", iv, additionalData }, await key(), bytes) };
}

async function unseal(store, row) {
  const additionalData = placeOf(store, row.number);
  return crypto.subtle.decrypt({ name: "AES-GCM", iv: row.iv, additionalData }, await key(), row.bytes);
}

// A full device gives up kept pages before it refuses what somebody wrote.
async function roomFor(work) {
  try {
    return await work();
  } catch (error) {
    if (error?.name !== "QuotaExceededError") throw error;
    await dropPages();
    try {
      return await work();
    } catch (again) {
      throw again?.name === "QuotaExceededError" ? new Full() : again;
    }
  }
}

const write = (store, row) => roomFor(() => inStore(store, "readwrite", (place) => place.put(row)));

export async function dropPages() {
  const names = (await window.caches?.keys()) ?? [];
  await Promise.all(names.filter((name) => name.startsWith(PAGES)).map((name) => caches.delete(name)));
}

// Without ciphers drafts stay with the tab, in clear, and end with it; nothing is queued.
const inTab = {
  read: () => Object.entries(JSON.parse(sessionStorage.getItem(`drafts-${person}`) ?? "{}")),
  write: (pairs) => sessionStorage.setItem(`drafts-${person}`, JSON.stringify(Object.fromEntries(pairs))),
};

// Keeps a value under its number, or under a new one; returns the number. Fails with Full on a full device.
export async function put(store, value, number = 0) {
  if (!sealed) {
    const pairs = inTab.read();
    const taken = number || Math.max(0, ...pairs.map(([one]) => Number(one))) + 1;
    inTab.write([...pairs.filter(([one]) => Number(one) !== taken), [taken, value]]);
    return taken;
  }
  await key();
  const taken = number || (await roomFor(nextNumber));
  await write(store, await seal(store, taken, new TextEncoder().encode(JSON.stringify(value))));
  changes?.postMessage(store);
  return taken;
}

// A file beside the entry of the queue that sends it.
export async function putFile(number, blob) {
  await write("files", await seal("files", number, await blob.arrayBuffer()));
}

export async function fileOf(number, type) {
  const row = await inStore("files", "readonly", (store) => store.get(number));
  return row ? new Blob([await unseal("files", row)], { type }) : null;
}

// [number, value] pairs in their order; the value is null where it cannot be read any more.
export async function all(store) {
  if (!sealed) return store === "drafts" ? inTab.read().map(([number, value]) => [Number(number), value]) : [];
  const rows = (await inStore(store, "readonly", (place) => place.getAll())).filter((row) => row.person === person);
  if (rows.length) await key();
  return Promise.all(
    rows.map(async (row) => {
      try {
        return [row.number, JSON.parse(new TextDecoder().decode(await unseal(store, row)))];
      } catch {
        return [row.number, null];
      }
    }),
  );
}

export async function remove(store, number) {
  if (!sealed) {
    inTab.write(inTab.read().filter(([one]) => Number(one) !== number));
    return;
  }
  await inStore(store, "readwrite", (place) => place.delete(number));
  if (store === "queue") await inStore("files", "readwrite", (place) => place.delete(number));
  changes?.postMessage(store);
}

// How many things of this person are kept, without opening them.
export async function count() {
  if (!sealed) return inTab.read().length;
  const numbers = await Promise.all(
    ["drafts", "queue"].map(async (name) => {
      const rows = await inStore(name, "readonly", (store) => store.getAll());
      return rows.filter((row) => row.person === person).length;
    }),
  );
  return numbers[0] + numbers[1];
}

// Everything of this person goes from the device: drafts, queue, pages and key.
export async function wipe() {
  wiped += 1;
  if (!sealed) {
    sessionStorage.clear();
    return;
  }
  for (const name of STORES) {
    const rows = await inStore(name, "readonly", (store) => store.getAll());
    for (const row of rows.filter((one) => one.person === person)) {
      await inStore(name, "readwrite", (store) => store.delete(row.number));
    }
  }
  await inStore("keys", "readwrite", (store) => store.delete(person));
  keys = null;
  await emptyWorker();
  await dropPages();
}

// The service worker forgets also what it has asked for and not got yet. One from before an update knows nothing of
// this and does not answer.
async function emptyWorker() {
  const worker = navigator.serviceWorker?.controller;
  if (!worker) return;
  const { port1, port2 } = new MessageChannel();
  const emptied = new Promise((done) => {
    port1.onmessage = done;
    setTimeout(done, WORKER_MS);
  });
  worker.postMessage({ empty: true }, [port2]);
  await emptied;
}

// The keys of everybody else go: what they left stays sealed until they sign in again.
export async function forgetOthers() {
  if (!sealed) {
    const own = `drafts-${person}`;
    Object.keys(sessionStorage).filter((name) => name.startsWith("drafts-") && name !== own).forEach((name) => sessionStorage.removeItem(name));
    return;
  }
  const held = await inStore("keys", "readonly", (store) => store.getAllKeys());
  for (const other of held.filter((name) => name !== person)) {
    await inStore("keys", "readwrite", (store) => store.delete(other));
  }
  if (!person) await dropPages();
  else await key();
}

export function onChange(call) {
  changes?.addEventListener("message", () => call());
}

// A moment as people read it. Only shown, never compared.
export function moment(value) {
  const date = new Date(value);
  return Number.isNaN(date.getTime()) ? "an earlier day" : date.toLocaleString(undefined, { dateStyle: "medium", timeStyle: "short" });
}
