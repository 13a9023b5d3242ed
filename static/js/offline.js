// What a page does while the server is away: it says so, keeps what is written and sends it later. Loaded by every
// page; without it forms are sent as ever and nothing is kept.

import * as drafts from "./drafts.js";
import { element } from "./element.js";
import * as kept from "./kept.js";
import * as outbox from "./outbox.js";

const LANGUAGE = { one: "thing waits", many: "things wait" };
const strip = document.getElementById("kept");
const isOld = Boolean(document.body.dataset.keptAt);
let leaving = false;

const count = (number, one, many) => `${number} ${number === 1 ? one : many}`;

// The service worker, for pages that came by HTTPS or from this machine. It begins with what is asked for most.
async function startWorker() {
  if (!navigator.serviceWorker || !kept.person || isOld) return;
  await navigator.serviceWorker.register("/sw.js", { updateViaCache: "none" });
  const { active } = await navigator.serviceWorker.ready;
  const links = [...document.querySelectorAll('main a[href^="/bench/"]')].map((link) => link.getAttribute("href"));
  const ahead = ["/waiting", "/families", "/cases/new", "/bench", "/diagnose", ...links.filter((one) => /^\/bench\/[^/]+\/steps\/\d+$/.test(one))];
  // What a step lets in depends on those before it, so the next ones are fetched again.
  const [, test, step] = /^(\/bench\/[^/]+\/steps\/)(\d+)$/.exec(location.pathname) ?? [];
  const again = test ? [1, 2, 3].map((more) => `${test}${Number(step) + more}`) : [];
  // Where all was deleted meanwhile on this page, it asks for nothing any more.
  if (!outbox.wasWiped()) active?.postMessage({ ahead, again, person: kept.person });
}

let newest = 0;

// How much waits, and why it is not sent. Said again only where it changed; of two that are read at once the later one
// is said, whichever is there first.
async function tellWaiting() {
  if (!strip || !kept.person || !kept.sealed) return;
  const mine = (newest += 1);
  const all = await outbox.entries();
  if (mine !== newest) return;
  const waiting = all.filter(([, entry]) => entry?.state === "waiting").length;
  const others = all.length - waiting;
  const { away, out } = outbox.lastOutcome();
  let text = "";
  if (waiting) text = out ? "Sign in again: " : away !== undefined && !isOld ? "The server is away. " : "";
  if (waiting) text += `${count(waiting, LANGUAGE.one, LANGUAGE.many)} on this device for the server.`;
  if (others) text += ` ${count(others, "was", "were")} not taken by the server.`;
  text = text.trim();
  if (strip.dataset.said === text) return;
  strip.dataset.said = text;
  strip.hidden = !text;
  strip.replaceChildren();
  if (!text) return;
  strip.append(element("span", text), element("a", "What waits", { href: "/waiting", className: "linklike" }));
}

function tellOld() {
  if (!isOld) return;
  // The keys of its forms were used when it was first shown.
  for (const field of document.querySelectorAll('input[name="sent_key"]')) field.value = outbox.newKey();
  if (location.pathname === "/waiting") return; // what it shows is this device's own
  const bar = document.getElementById("kept-bar");
  const again = element("button", "Ask again", { type: "button", className: "linklike" });
  again.addEventListener("click", () => location.reload());
  bar.hidden = false;
  const from = `From ${kept.moment(document.body.dataset.keptAt)}: the server is away.`;
  bar.append(element("strong", from), element("span", " What changed since is not on this page. "), again);
}

// As a browser sends it: line ends are CRLF.
function encoded(form, button) {
  const pairs = [...new FormData(form, button)].filter(([, text]) => typeof text === "string");
  return new URLSearchParams(pairs.map(([name, text]) => [name, text.replace(/\r\n|\r|\n/g, "\r\n")]));
}

// While a form is on its way nothing can be typed into it or pressed in it, which would be neither in what was sent nor
// on the page that comes.
const focused = new WeakMap();

function hold(form) {
  focused.set(form, form.contains(document.activeElement) ? document.activeElement : null);
  form.inert = true;
}

function release(form) {
  form.inert = false;
  if (document.activeElement === document.body) focused.get(form)?.focus();
  delete form.dataset.sent;
  for (const control of form.elements) if (control.type === "submit") control.removeAttribute("aria-disabled");
}

function say(form, text, ...more) {
  let box = form.previousElementSibling;
  if (!box?.classList.contains("kept-said")) {
    box = element("div", "", { className: "notice notice--warn kept-said", tabIndex: -1 });
    box.setAttribute("role", "alert");
    form.before(box);
  }
  const words = element("div", "", { className: "stack stack--s" });
  words.append(element("p", text), ...more);
  box.replaceChildren(words);
  box.focus();
  return box;
}

function go(address) {
  leaving = true;
  const there = new URL(address, location.href);
  if (there.hash && there.pathname + there.search === location.pathname + location.search) {
    history.replaceState(null, "", there);
    location.reload();
  } else location.assign(there);
}

// As the browser itself would: the page that the server answers with is shown.
function sendPlainly(form, button) {
  leaving = true;
  release(form);
  form.dataset.plain = "yes";
  form.requestSubmit(button?.isConnected ? button : undefined);
}

// Entries of a bench step count those that were seen; the ones that wait come before this one.
async function seenWith(body, action) {
  if (!body.has("seen")) return;
  const before = (await outbox.entries()).filter(([, entry]) => entry?.action === action && entry.state === "waiting").length;
  body.set("seen", String(Number(body.get("seen")) + before));
}

async function queue(form, button, action, body) {
  await seenWith(body, action);
  const work = drafts.workOf(form);
  const title = document.querySelector("h1")?.textContent.trim() ?? "";
  const page = form.dataset.page ?? location.pathname + location.search;
  const key = body.get("sent_key") ?? "";
  const fields = drafts.fieldsOf(form);
  const number = await outbox.addForm({ action, body: body.toString(), page, title, slot: work?.slot ?? "", fields, version: form.elements.version?.value ?? "", key }, work?.entry ?? 0);
  if (work) {
    work.entry = 0;
    await drafts.done(work).catch(() => {}); // the queue has it
  }
  tellQueued(form, action, number);
}

function link(text, href, kind = "plain") {
  return element("a", text, { href, className: `button button--${kind}` });
}

function tellQueued(form, action, number) {
  const actions = element("p", "", { className: "actions" });
  const more = [];
  const step = /^(\/bench\/[^/]+\/steps\/)(\d+)$/.exec(action);
  if (action === "/cases") actions.append(link("Add photographs to it", `/waiting#thing-${number}`));
  if (step) {
    more.push(element("p", "It is not judged yet. Put no power on a board whose dead checks are not judged, and do not touch it before the capacitor is measured."));
    actions.append(link("Next step", `${step[1]}${Number(step[2]) + 1}`, "primary"), another(form));
  }
  actions.append(link("What waits", "/waiting", "quiet"));
  say(form, "The server is away. What you entered is kept on this device and goes to the server when it is back.", ...more, actions);
  form.hidden = true;
}

function another(form) {
  const again = element("button", "Enter another value", { type: "button", className: "button" });
  again.addEventListener("click", () => {
    form.reset();
    form.hidden = false;
    form.previousElementSibling.remove();
    const work = drafts.workOf(form);
    if (work) work.over = false;
    if (form.elements.sent_key) form.elements.sent_key.value = outbox.newKey();
    form.querySelector("input:not([type=hidden])")?.focus();
  });
  return again;
}

async function tellAway(form, button, action, body) {
  if (outbox.maySendLater(action)) {
    try {
      await queue(form, button, action, body);
      release(form);
      flush();
      return;
    } catch (error) {
      release(form);
      const why = error instanceof kept.Full ? "this device is full" : "it cannot be kept on this device";
      say(form, `The server is away, and ${why}. Nothing was saved: leave this page open and press again when the server is back.`);
      return;
    }
  }
  release(form);
  const isDrafted = drafts.workOf(form)?.kept;
  say(form, `The server is away, so nothing was saved. ${isDrafted ? "What you wrote is kept on this device; press again when the server is back." : "Press again when it is back."}`);
}

async function send(form, button) {
  const action = outbox.actionOf(form, button).pathname;
  const body = encoded(form, button);
  const work = drafts.workOf(form);
  hold(form);
  const isBehind = outbox.maySendLater(action) && (await outbox.isBehind(action));
  const result = isBehind ? { away: "" } : await outbox.sendForm(outbox.actionOf(form, button), body.toString());
  if (result.saved) {
    if (work) await drafts.done(work, result.saved);
    outbox.flush().catch(() => {});
    go(result.saved);
  } else if (result.away === "") await tellAway(form, button, action, body);
  else sendPlainly(form, button);
}

async function signOut(form) {
  const waiting = await kept.count();
  if (waiting && !window.confirm(`${count(waiting, "thing", "things")} that you wrote here did not reach the server. Signing out deletes ${waiting === 1 ? "it" : "them"} from this device. Sign out all the same?`)) {
    release(form);
    return;
  }
  const result = await outbox.sendForm(outbox.actionOf(form), encoded(form, null).toString());
  if (result.away === "") {
    release(form);
    say(form.parentElement, "The server is away, so you are still signed in. Sign out again when it is back; what this device keeps can be deleted at once.", link("What waits", "/waiting"));
    return;
  }
  await outbox.wipe();
  if (result.saved) go(result.saved);
  else sendPlainly(form, null);
}

function onSubmit(event) {
  const form = event.target;
  const button = event.submitter;
  if (event.defaultPrevented) return;
  if (form.dataset.plain) {
    delete form.dataset.plain;
    return;
  }
  if (!outbox.saves(form, button) || "again" in (button?.dataset ?? {}) || !kept.person) return;
  const leaves = outbox.actionOf(form).pathname === "/sign-out";
  if (!kept.here && !leaves) {
    leaving = true;
    return;
  }
  event.preventDefault();
  (leaves ? signOut(form) : send(form, button)).catch(() => sendPlainly(form, button));
}

// A changed form that is not sent asks before it is left; what it holds is offered again all the same.
function askBeforeLeaving(event) {
  if (!leaving && drafts.isChanged()) event.preventDefault();
}

function flush() {
  outbox.flush().catch(() => {});
}

async function start() {
  tellOld();
  if (!about()) return;
  await kept.forgetOthers().catch((error) => console.info("The device's key is not to be had:", error));
  if (kept.here) await drafts.meetAll().catch((error) => console.info("A draft cannot be met:", error));
  outbox.onChange(() => tellWaiting().catch(() => {}));
  kept.onChange(() => tellWaiting().catch(() => {}));
  await tellWaiting();
  await outbox.flush();
  document.dispatchEvent(new CustomEvent("kept-ready"));
}

const about = () => document.querySelector('meta[name="kept-for"]');

if (kept.here) drafts.watch();
// After the page's own handlers, which may have something to write into a form or against its sending.
window.addEventListener("submit", onSubmit);
window.addEventListener("beforeunload", askBeforeLeaving);
// A page that comes back from the browser's memory is as it was when it was left: one whose form was saved since is
// asked for again, since what is typed into it would be a change of what it no longer shows.
window.addEventListener("pageshow", ({ persisted }) => {
  leaving = false;
  if (persisted && drafts.isOver()) location.reload();
  for (const form of document.forms) form.inert = false;
});
window.addEventListener("online", flush);
document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && flush());
// Where the browser keeps nothing (a private window, storage that is switched off), pages work as without this.
start().catch((error) => console.info("Nothing is kept on this device:", error));
startWorker().catch((error) => console.info("Pages are not kept on this device:", error));
