// The service worker: shows pages seen lately while the server is away. The server puts VERSION and FILES before this
// text (kb/web/pages/waiting.py), so that a change of any file brings a new one.
//
// It keeps what the server names a person for (the header Kept-For, kb/web/guard/kept.py) and nothing else, each
// person's in a cache of their own; where another comes, or nobody is signed in any more, the caches are emptied.
// Writes are never touched here: the pages send and queue them (outbox.js).

const STATIC = `static-${VERSION}`;
const MOST = { pages: 60, parts: 150 }; // parts: small pictures in pages
const LARGEST = { pages: 500_000, parts: 200_000 }; // bytes of one
const PATIENCE_MS = 6_000; // for a page that is kept
let isNewer = false; // the server has other files than this worker
// Requests are numbered as they are sent. `newest` is the one sent last whose answer has come, and whom it was for.
let sent = 0;
let newest = { number: 0, person: "" };
let turn = Promise.resolve();
let emptied = 0; // how often all was deleted

const cacheOf = (kind, person) => `pages-${kind}-${person}`;

async function ownCaches() {
  return (await caches.keys()).filter((name) => name.startsWith("pages-"));
}

// The person whose pages are kept, "" for nobody.
async function holder() {
  return (await ownCaches())[0]?.split("-").at(-1) ?? "";
}

async function emptyAllBut(person) {
  const names = (await ownCaches()).filter((name) => !name.endsWith(`-${person}`));
  await Promise.all(names.map((name) => caches.delete(name)));
}

// What an address says of the last press ("saved=…") is not part of the page.
function keyOf(url) {
  const key = new URL(url);
  key.searchParams.delete("saved");
  key.searchParams.delete("kept");
  key.hash = "";
  return key.href;
}

// One change of the caches after the other.
function inTurn(change) {
  const done = turn.then(change);
  turn = done.catch(() => {});
  return done;
}

// Whether the answer to this request is of a time that is over: since it was sent somebody else came, or went.
const isOver = (person, number) => number < newest.number && person !== newest.person;

async function putInto(name, key, response, most) {
  const cache = await caches.open(name);
  const put = async () => {
    await cache.delete(key); // so that the newest stands last
    await cache.put(key, response.clone());
  };
  try {
    await put();
  } catch {
    // A full device: older pages go first, and where that does not do, all: what somebody wrote needs the room.
    const keys = await cache.keys();
    await Promise.all(keys.slice(0, Math.ceil(keys.length / 2)).map((one) => cache.delete(one)));
    await put().catch(() => emptyAllBut(""));
  }
  const keys = await cache.keys();
  await Promise.all(keys.slice(0, Math.max(0, keys.length - most)).map((one) => cache.delete(one)));
}

async function keep(url, kind, answer, number) {
  const person = answer.headers.get("Kept-For");
  if (!person || isOver(person, number)) return;
  if (number > newest.number) newest = { number, person };
  isNewer = answer.headers.get("Kept-Files") !== VERSION;
  await inTurn(() => isOver(person, number) || emptyAllBut(person));
  if (person === "nobody" || !answer.ok || answer.redirected) return;
  const bytes = await answer.arrayBuffer();
  if (bytes.byteLength > LARGEST[kind]) return;
  const response = new Response(bytes, { headers: answer.headers });
  await inTurn(() => isOver(person, number) || putInto(cacheOf(kind, person), keyOf(url), response, MOST[kind]));
}

// All that is kept goes, and whatever was asked for before comes too late.
function emptyAll() {
  emptied += 1;
  newest = { number: (sent += 1), person: "" };
  return inTurn(() => emptyAllBut(""));
}

// Looks without making a cache that was emptied meanwhile anew.
async function kept(url, kind) {
  const person = await holder();
  return person ? caches.match(keyOf(url), { cacheName: cacheOf(kind, person) }) : undefined;
}

// The kept page, marked with when the server sent it, by the server's own clock.
async function marked(answer) {
  const at = answer.headers.get("date") ?? "";
  const moment = Number.isNaN(Date.parse(at)) ? "" : new Date(at).toISOString();
  const text = (await answer.text()).replace("<body>", `<body data-kept-at="${moment || "?"}">`);
  const headers = new Headers(answer.headers);
  headers.delete("content-length");
  return new Response(text, { headers });
}

const MISSING = `<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>The server is away</title><link rel="stylesheet" href="/static/css/sheet.css"><link rel="stylesheet" href="/static/css/forms.css"></head>
<body><div class="page"><main id="main"><header class="page-head"><h1>The server is away</h1></header>
<div class="stack stack--l narrow"><p>This page was not opened on this device lately, so it is not kept here. What you wrote is safe.</p>
<p class="actions"><a class="button button--primary" href="/waiting">What waits</a> <a class="button" href="/cases/new">Add a case</a> <a class="button" href="/families">Families</a></p></div></main></div></body></html>`;

async function page(event) {
  const { request } = event;
  const held = await kept(request.url, "pages");
  const number = (sent += 1);
  const late = (done, failed) => setTimeout(failed, PATIENCE_MS, new Error("late"));
  try {
    const answer = await Promise.race([fetch(request), ...(held ? [new Promise(late)] : [])]);
    if (answer.headers.has("Kept-For")) event.waitUntil(keep(request.url, "pages", answer.clone(), number));
    return answer;
  } catch {
    if (held) return marked(held);
    const headers = { "Content-Type": "text/html; charset=utf-8", "Content-Security-Policy": "default-src 'none'; style-src 'self'" };
    return new Response(MISSING, { status: 503, headers });
  }
}

async function file(request) {
  const held = isNewer ? undefined : await (await caches.open(STATIC)).match(request, { ignoreSearch: true });
  if (held) return held;
  try {
    return await fetch(request);
  } catch (error) {
    const old = await caches.match(request, { ignoreSearch: true });
    if (old) return old;
    throw error;
  }
}

async function part(event) {
  const number = (sent += 1);
  try {
    const answer = await fetch(event.request);
    if (answer.headers.has("Kept-For")) event.waitUntil(keep(event.request.url, "parts", answer.clone(), number));
    return answer;
  } catch (error) {
    const held = await kept(event.request.url, "parts");
    if (held) return held;
    throw error;
  }
}

// Pages that are wanted sooner or later: those of `ahead` once, those of `again` as they are now; no more of them once
// all is deleted.
async function fetchAhead({ ahead, again, person }) {
  const begun = emptied;
  const cacheName = cacheOf("pages", person);
  for (const path of [...again, ...ahead]) {
    const url = new URL(path, self.location.origin).href;
    if (!again.includes(path) && (await caches.match(keyOf(url), { cacheName }))) continue;
    if (begun !== emptied) return;
    const number = (sent += 1);
    const answer = await fetch(url, { headers: { Accept: "text/html" }, credentials: "same-origin" });
    await keep(url, "pages", answer, number);
  }
}

self.addEventListener("install", (event) => {
  const all = async () => (await caches.open(STATIC)).addAll(FILES.map((name) => new Request(name, { cache: "no-cache" })));
  event.waitUntil(all().then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  const old = async () => {
    const names = (await caches.keys()).filter((name) => name.startsWith("static-") && name !== STATIC);
    await Promise.all(names.map((name) => caches.delete(name)));
    await self.clients.claim();
  };
  event.waitUntil(old());
});

self.addEventListener("message", (event) => {
  if (event.data?.ahead) event.waitUntil(fetchAhead(event.data).catch(() => {}));
  if (event.data?.empty) event.waitUntil(emptyAll().finally(() => event.ports[0].postMessage("emptied")));
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== self.location.origin) return;
  if (url.pathname.startsWith("/static/")) event.respondWith(file(request));
  else if (request.mode === "navigate") event.respondWith(page(event));
  else if (request.destination === "image") event.respondWith(part(event));
});
