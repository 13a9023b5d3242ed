// Sends what people write, and keeps what the server could not be given, in order, until it has it.
//
// An entry of the queue is a form or a file as it was sent the first time, with its key: sent again it is done once
// (kb/web/guard/idempotency.py). It is "waiting"; "refused" with what the server said; "opened" while it is a draft again;
// or "done" where later entries may hang on it. `after` is the entry of a new case that a photograph belongs to.

import * as kept from "./kept.js";
import { within } from "./within.js";

// Forms that may be sent later, by where they are sent. Others wait in their own page.
const LATER = [
  /^\/cases$/,
  /^\/cases\/[^/]+$/,
  /^\/cases\/[^/]+\/(follow-ups|in-hand|evidence|facts|cause)$/,
  /^\/families$/,
  /^\/families\/[^/]+$/,
  /^\/families\/[^/]+\/(tips|notes)$/,
  /^\/bench\/[^/]+\/steps\/\d+$/,
  /^\/bench\/[^/]+\/steps\/\d+\/(go-on|leave-out)$/,
];
const LOCK = "kb-outbox";
const ONE = "kb-outbox-entry"; // held while an entry is looked at and changed, never while something is sent
// A server that takes longer is away: a connection that is lost on the way tells nobody.
const SEND_MS = 30_000;
const SLOWEST_BYTES_PER_MS = 10;
const MOST_DONE = 20;
const AGAIN_MS = [3_000, 10_000, 30_000];
const listeners = new Set();
const holding = new Set(); // files that this page is about to send itself

export const maySendLater = (action) => kept.sealed && LATER.some((one) => one.test(action));
export const newKey = () => [...crypto.getRandomValues(new Uint8Array(16))].map((one) => one.toString(16).padStart(2, "0")).join("");
export const entries = async () => (await kept.all("queue")).filter(([, entry]) => entry?.state !== "done");
export const isNewCase = (entry) => entry?.kind === "form" && entry.action === "/cases";

// Read from the attributes: a field of the form may be called "action".
const given = (form, button, name) => button?.getAttribute(`form${name}`) ?? form.getAttribute(name) ?? "";
export const actionOf = (form, button = null) => new URL(given(form, button, "action"), location.href);
export const saves = (form, button = null) => given(form, button, "method").toLowerCase() === "post" && form.getAttribute("enctype") !== "multipart/form-data";

export function onChange(call) {
  listeners.add(call);
}

function changed() {
  for (const call of listeners) call();
}

// What the server said, in one line, out of a page or an answer of the API.
function sentence(text, status) {
  try {
    const { error } = JSON.parse(text);
    return [error.message, error.remedy].filter(Boolean).join(" ");
  } catch {
    const page = new DOMParser().parseFromString(text, "text/html");
    const said = [...page.querySelectorAll("#main .problems li, #main .field__error")];
    const other = ["#main .notice--trouble", "#main .notice", "#main h1"].map((one) => page.querySelector(one)).find(Boolean);
    const words = (said.length ? said.map((one) => one.textContent) : [other?.textContent ?? `The server answered ${status}.`]).map((one) => one.trim().replace(/\s+/g, " "));
    return [...new Set(words)].join(" ").slice(0, 600);
  }
}

// {saved: address}, {away: sentence or ""}, {out: true} where nobody is signed in, or {refused: sentence}.
async function outcome(action, options, limit_ms = SEND_MS) {
  let answer;
  let text;
  try {
    await within(limit_ms, async (signal) => {
      answer = await fetch(action, { method: "POST", redirect: "manual", credentials: "same-origin", ...options, signal });
      text = await answer.text();
    });
  } catch {
    return { away: "" };
  }
  if (answer.type === "opaqueredirect") return { refused: "The server asks for your password first." };
  if (answer.ok && (answer.headers.get("content-type") ?? "").startsWith("application/json")) {
    const told = JSON.parse(text);
    return { saved: told.saved ?? "", file: told.files?.[0] };
  }
  if (answer.status === 401) return { out: true };
  if ([408, 429, 502, 503, 504].includes(answer.status)) return { away: sentence(text, answer.status) };
  return { refused: answer.ok ? "" : sentence(text, answer.status), status: answer.status };
}

export function sendForm(action, body, more = {}) {
  const headers = { "Content-Type": "application/x-www-form-urlencoded", "Answer-As": "address", Accept: "text/html", ...more };
  return outcome(action, { headers, body });
}

function sendFile(action, blob, name, headers) {
  const body = new FormData();
  body.append("file", blob, name);
  return outcome(action, { headers, body }, sendingTakes(blob.size));
}

// How long a file may take at most.
export const sendingTakes = (bytes) => SEND_MS + bytes / SLOWEST_BYTES_PER_MS;

// What must not overtake one another: entries of one bench test, or changes of one case or family.
const chainOf = (action) => action.split("/").slice(0, 3).join("/");

// Puts a form into the queue, or back into it under its old number; returns the number.
export async function addForm(form, number = 0) {
  const entry = { kind: "form", state: "waiting", tried: false, said: "", chain: isNewCase({ ...form, kind: "form" }) ? "" : chainOf(form.action), when: Date.now(), ...form };
  const taken = await kept.put("queue", entry, number);
  navigator.storage?.persist?.();
  changed();
  return taken;
}

// Puts a file into the queue; `after` is the number of the new case it belongs to where that has no address yet.
// Where the page sends it itself it is `held` until that was tried.
export async function addFile({ action = "", after = 0, title, held = false }, file) {
  const entry = { kind: "file", state: "waiting", tried: false, said: "", chain: "", when: Date.now(), action, after, title, name: file.name, type: file.type, page: action.replace(/^\/api(.*)\/files$/, "$1/photos") };
  const number = await kept.put("queue", { ...entry, state: "opened" });
  try {
    await kept.putFile(number, file);
  } catch (error) {
    await kept.remove("queue", number);
    throw error;
  }
  if (held) holding.add(number);
  await kept.put("queue", entry, number);
  changed();
  return number;
}

export async function remove(number) {
  await inTurn(() => kept.remove("queue", number));
  changed();
}

const entryOf = async (number) => (await kept.all("queue")).find(([one]) => one === number)?.[1];

const inTurn = (work) => (navigator.locks ? navigator.locks.request(ONE, work) : work());

// Changes an entry as it is now: `work` answers what it becomes, null where it stays as it is. What was taken out of
// the queue meanwhile, on this page or on another, does not come back. Answers the new entry.
function change(number, work) {
  return inTurn(async () => {
    const entry = await entryOf(number);
    const made = entry ? work(entry) : null;
    if (made && made !== entry) await kept.put("queue", made, number);
    return made;
  });
}

// A form that was in the queue was saved from its page: what hangs on it may go.
export async function settle(number, saved) {
  await finish(number, saved);
  changed();
}

let isWiped = false;

export const wasWiped = () => isWiped;

// Deletes all that the device keeps for this person; nothing that is just being changed comes back.
export function wipe() {
  isWiped = true;
  return inTurn(kept.wipe);
}

async function finish(number, saved) {
  const done = (entry) => (isNewCase(entry) ? { kind: "form", action: "/cases", state: "done", saved, title: entry.title, when: entry.when } : null);
  if (!(await change(number, done))) await remove(number);
}

// The number of the first entry that may go now, with its action; those behind a refused one of their chain stay.
function nextOf(all) {
  const closed = new Set();
  for (const [number, entry] of all) {
    if (!entry || entry.state === "done") continue;
    const case_ = entry.after ? all.find(([one]) => one === entry.after)?.[1] : null;
    const uid = case_?.state === "done" ? /^\/cases\/([^/?#]+)/.exec(case_.saved)?.[1] : "";
    const hangs = entry.after && !uid;
    if (entry.state === "waiting" && !hangs && !closed.has(entry.chain) && !holding.has(number)) {
      return [number, entry.after ? `/api/cases/${uid}/files` : entry.action];
    }
    if (entry.chain) closed.add(entry.chain);
  }
  return null;
}

// The server refuses what is sent for another person than who is signed in by now, on another page.
const forWhom = () => ({ "Kept-For": kept.person });

// Null where it is no longer to be sent.
async function sendOne(number, action) {
  const entry = await change(number, (now) => (now.state !== "waiting" ? null : now.tried ? now : { ...now, tried: true }));
  if (!entry) return null;
  if (entry.kind === "form") return sendForm(action, entry.body, forWhom());
  const blob = await kept.fileOf(number, entry.type);
  if (!blob) return { refused: "The picture is not on this device any more." };
  return sendFile(action, blob, entry.name, forWhom());
}

async function sendAll() {
  for (;;) {
    const all = await kept.all("queue");
    const next = nextOf(all);
    if (!next) return { left: all.filter(([, entry]) => entry?.state === "waiting").length };
    const [number, action] = next;
    const result = await sendOne(number, action);
    if (!result) continue;
    if (result.away !== undefined || result.out) return result;
    if (result.refused !== undefined) {
      const said = result.refused || "It needs another look before it can be saved.";
      await change(number, (entry) => ({ ...entry, action, state: "refused", said, tried: true }));
    } else {
      await finish(number, result.saved);
      document.dispatchEvent(new CustomEvent("outbox-sent", { detail: { number, file: result.file } }));
    }
    changed();
  }
}

async function tidy() {
  const all = await kept.all("queue");
  const needed = new Set(all.map(([, entry]) => entry?.after));
  const done = all.filter(([number, entry]) => entry?.state === "done" && !needed.has(number));
  for (const [number] of done.slice(0, Math.max(0, done.length - MOST_DONE))) await kept.remove("queue", number);
}

// Only one page of the browser sends at a time.
function alone(work, wait) {
  if (!navigator.locks) return work();
  return navigator.locks.request(LOCK, wait ? {} : { ifAvailable: true }, (lock) => (lock ? work() : { busy: true }));
}

let timer = 0;
let failures = 0;
let state = {};

export const lastOutcome = () => state;

// Sends what waits. Where the server stays away it is asked again after a while, and at once when the device says
// that it has a connection again.
export async function flush() {
  if (!kept.sealed || !kept.person) return {};
  clearTimeout(timer);
  if (!(await kept.all("queue")).some(([, entry]) => entry?.state === "waiting")) {
    state = {};
    return state;
  }
  state = (await alone(sendAll, false)) ?? {};
  await tidy();
  failures = state.away === undefined ? 0 : failures + 1;
  if (state.away !== undefined || state.busy) timer = setTimeout(() => flush().catch(() => {}), AGAIN_MS[Math.min(failures, AGAIN_MS.length) - 1] ?? AGAIN_MS[0]);
  changed();
  return state;
}

// Sends what waits before a form of the same test, case or family may go; answers whether some of it still waits.
export async function isBehind(action) {
  const chain = chainOf(action);
  const waits = async () => kept.sealed && (await entries()).some(([, entry]) => entry?.chain === chain && entry.state === "waiting");
  if (!(await waits())) return false;
  await alone(sendAll, true);
  changed();
  return waits();
}

// A file that the page itself sends while somebody looks on, in its turn: `send` answers as send_files.js has it.
export async function sendInTurn(number, send) {
  return alone(async () => {
    const result = await send();
    holding.delete(number);
    if (result.kept) await remove(number).catch(() => {}); // sent again it is the same file
    else if (!result.again) await change(number, (entry) => ({ ...entry, state: "refused", said: result.why, tried: true }));
    changed();
    return result;
  }, true);
}

// Takes a refused or waiting entry up again as it is.
export async function tryAgain(number) {
  await change(number, (entry) => ({ ...entry, state: "waiting", said: "" }));
  changed();
  return flush();
}

// Makes a form of the queue a draft, to be opened on its page; what hangs on it waits. Answers the page, "" where the
// form went to the server meanwhile or is on its way.
export async function openAsForm(number) {
  const mayOpen = (entry) => entry.state === "refused" || (entry.state === "waiting" && !entry.tried);
  const entry = await inTurn(async () => {
    const found = await entryOf(number);
    if (!found || !mayOpen(found)) return null;
    const { slot, page, title, fields, version, key, said, when } = found;
    await kept.put("drafts", { slot, page, title, fields, version, key, said, when, entry: number });
    await kept.put("queue", { ...found, state: "opened" }, number);
    return found;
  });
  changed();
  return entry?.page ?? "";
}
