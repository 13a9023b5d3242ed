// Drafts: what is typed into a form that saves is kept on the device until the server has it, and offered when the
// form is opened again. Nothing of it is put into a form before somebody takes it.

import { element } from "./element.js";
import * as kept from "./kept.js";
import * as outbox from "./outbox.js";
import { addRow } from "./rows.js";
import { asServed } from "./served.js";

const TYPED = "input:not([type=hidden]):not([type=file]):not([type=submit]), textarea, select";
const NOT_TYPED = new Set(["sent_key"]);
// Which draft each form of this tab is worked under, so that a page that comes back with problems goes on with it.
const UNDER = "drafts-under-";
const MOST_SHOWN = 12;
const works = new Map();

export const workOf = (form) => works.get(form);

export function fieldsOf(form, button = null) {
  const all = [...new FormData(form, button)];
  return all.filter(([name, value]) => typeof value === "string" && !NOT_TYPED.has(name));
}

const same = (one, other) => JSON.stringify(one) === JSON.stringify(other);
const value = (form, name) => form.elements[name]?.value ?? "";

function isDrafted(form) {
  const saves = outbox.saves(form) && !("again" in form.dataset);
  return saves && form.querySelector(TYPED) !== null && !form.elements.meeting;
}

// A form is known by where it is sent, and by its place among those that go there.
function slotOf(form) {
  const action = outbox.actionOf(form).pathname;
  const there = [...document.forms].filter((one) => isDrafted(one) && outbox.actionOf(one).pathname === action);
  return `${action}|${Math.max(0, there.indexOf(form))}`;
}

const isFull = (error) => error instanceof kept.Full || error?.name === "QuotaExceededError";

function tellTrouble(work, error) {
  work.kept = false;
  work.trouble ??= element("p", "", { className: "notice notice--warn" });
  work.trouble.setAttribute("role", "status");
  work.trouble.textContent = isFull(error)
    ? "This device is full: what you type is only in this page. Save it before you leave, or free some space."
    : "What you type cannot be kept on this device. Save it before you leave.";
  if (!work.trouble.isConnected) work.form.before(work.trouble);
}

async function store(work) {
  const fields = fieldsOf(work.form);
  work.changed = !same(fields, work.base);
  if (!work.changed) {
    if (work.number && !work.entry) await forget(work);
    return;
  }
  const page = work.form.dataset.page ?? location.pathname + location.search;
  const title = document.querySelector("h1")?.textContent.trim() ?? "";
  const { slot, entry, said } = work;
  const draft = { slot, entry, said, page, title, fields, version: value(work.form, "version"), key: value(work.form, "sent_key"), when: Date.now() };
  work.number = await kept.put("drafts", draft, work.number);
  work.kept = true;
  hold(work.number);
  work.trouble?.remove();
  sessionStorage.setItem(UNDER + slot, work.number);
}

// One write after another; what was typed while one was under way is in the next. The form says while one is.
export function keep(work) {
  work.again = true;
  work.form.dataset.keeping = "yes";
  work.storing ??= (async () => {
    try {
      while (work.again) {
        work.again = false;
        await store(work);
      }
    } catch (error) {
      tellTrouble(work, error);
    } finally {
      work.storing = null;
      delete work.form.dataset.keeping;
    }
  })();
  return work.storing;
}

// A page holds the drafts that it writes as long as it is open, so that another one can tell.
const held = new Set();
const lockOf = (number) => `kb-draft-${number}`;

function hold(number) {
  if (!kept.sealed || !navigator.locks || held.has(number)) return;
  held.add(number);
  navigator.locks.request(lockOf(number), { ifAvailable: true }, (lock) => lock && new Promise(() => {})).catch(() => {});
}

async function isWrittenElsewhere(number) {
  if (!kept.sealed || !navigator.locks || held.has(number)) return false;
  return (await navigator.locks.query()).held.some(({ name }) => name === lockOf(number));
}

async function forget(work) {
  const { number, slot } = work;
  work.number = 0;
  sessionStorage.removeItem(UNDER + slot);
  if (number) await kept.remove("drafts", number);
}

// The server has it, or the queue has.
export async function done(work, saved = null) {
  work.changed = false;
  work.over = true;
  await work.storing;
  if (work.entry && saved !== null) await outbox.settle(work.entry, saved);
  await forget(work);
}

export async function discard(number, draft) {
  await kept.remove("drafts", number);
  if (draft?.entry) await outbox.remove(draft.entry);
}

function fillRows(form, fields) {
  for (const rows of form.querySelectorAll('[id^="rows-"]')) {
    const list = rows.id.slice("rows-".length);
    const wanted = new Map();
    for (const [name, text] of fields) {
      const [, of, number, part] = /^([a-z_]+)\.(\d+)\.([a-z_]+)$/.exec(name) ?? [];
      if (of !== list) continue;
      if (!wanted.has(number)) wanted.set(number, new Map());
      wanted.get(number).set(part, text);
    }
    while (rows.children.length < wanted.size && addRow(list, { focus: false }));
    while (rows.children.length > wanted.size) rows.lastElementChild.remove();
    [...wanted.values()].forEach((parts, place) => {
      for (const control of rows.children[place]?.querySelectorAll("[name]") ?? []) {
        set(control, parts.get(control.name.split(".")[2]));
      }
    });
  }
}

function set(control, text) {
  if (control.type === "checkbox") control.checked = text === control.value;
  else if (text !== undefined) control.value = text;
}

export function fill(form, fields) {
  fillRows(form, fields);
  const given = new Map();
  for (const [name, text] of fields) given.set(name, [...(given.get(name) ?? []), text]);
  for (const control of form.elements) {
    if (!control.name || NOT_TYPED.has(control.name) || /\.\d+\./.test(control.name) || ["submit", "button", "file"].includes(control.type)) continue;
    const texts = given.get(control.name);
    if (["checkbox", "radio"].includes(control.type)) control.checked = texts?.includes(control.value) ?? false;
    else if (texts) control.value = texts.shift() ?? control.value;
  }
}

const labelOf = (form, name) => {
  const control = form.elements[name];
  const words = control?.labels?.[0]?.querySelector("span:not([class])") ?? control?.labels?.[0];
  const number = /\.(\d+)\./.exec(name)?.[1];
  return (words?.textContent.trim() || name.replaceAll("_", " ")) + (number ? ` ${Number(number) + 1}` : "");
};

// [label, what the server has, what was written] of the fields that differ.
export function differences(form, base, fields) {
  const shown = ([name]) => !["version", "seen", "not_read"].includes(name) && !/\.kept$/.test(name);
  const [theirs, mine] = [new Map(base.filter(shown)), new Map(fields.filter(shown))];
  const names = [...new Set([...mine.keys(), ...theirs.keys()])].filter((name) => (theirs.get(name) ?? "") !== (mine.get(name) ?? ""));
  return names.map((name) => [labelOf(form, name), theirs.get(name) ?? "", mine.get(name) ?? ""]);
}

function table(form, base, fields) {
  const lines = differences(form, base, fields);
  const list = element("dl", "", { className: "defs" });
  for (const [label, theirs, mine] of lines.slice(0, MOST_SHOWN)) {
    const both = element("dd");
    both.append(element("p", `On the server: ${theirs || "nothing"}`), element("p", `You wrote: ${mine || "nothing"}`));
    list.append(element("dt", label), both);
  }
  const fold = element("details", "", { className: "fold" });
  fold.append(element("summary", "What differs"), list);
  if (lines.length > MOST_SHOWN) fold.append(element("p", `And ${lines.length - MOST_SHOWN} more.`));
  return fold;
}

function button(text, kind, press) {
  const made = element("button", text, { type: "button", className: `button button--${kind}` });
  made.addEventListener("click", press);
  return made;
}

function offer(work, number, draft) {
  const box = element("section", "", { className: "notice notice--note kept-offer" });
  box.setAttribute("role", "region");
  box.setAttribute("aria-label", "What you wrote before");
  const words = element("div", "", { className: "stack stack--s" });
  words.append(element("p", `You wrote this on ${kept.moment(draft.when)}, and the server does not have it.`));
  if (draft.said) words.append(element("p", `The server said: ${draft.said}`));
  if (draft.version && draft.version !== value(work.form, "version")) {
    words.append(element("p", "It was changed on the server since. When you save yours, both are shown side by side."));
  }
  const actions = element("p", "", { className: "actions" });
  actions.append(
    button("Take it", "primary", async () => {
      if (work.number && work.number !== number) await forget(work);
      // What another page is still writing stays its own; here goes on a copy.
      const own = (await isWrittenElsewhere(number)) ? work.number : number;
      Object.assign(work, { number: own, entry: draft.entry ?? 0, said: draft.said ?? "", changed: true });
      fill(work.form, draft.fields);
      if (draft.key && work.form.elements.sent_key) work.form.elements.sent_key.value = draft.key;
      if (own) sessionStorage.setItem(UNDER + work.slot, own);
      box.replaceWith(told(`What you wrote on ${kept.moment(draft.when)} is in the form. Save it to send it.`));
      work.form.dispatchEvent(new Event("input", { bubbles: true }));
      work.form.querySelector(TYPED)?.focus();
    }),
    button("Throw it away", "danger", async () => {
      await discard(number, draft);
      box.replaceWith(told("Thrown away."));
      work.form.querySelector(TYPED)?.focus();
    }),
  );
  words.append(table(work.form, work.base, draft.fields), actions);
  box.append(words);
  work.form.before(box);
}

function told(text) {
  const made = element("p", text, { className: "soft" });
  made.setAttribute("role", "status");
  return made;
}

// What to do with a draft of this form: go on with it, drop it since the server has it, or offer it.
async function meet(work, number, draft) {
  const under = Number(sessionStorage.getItem(UNDER + work.slot));
  const isBack = document.querySelector(".problems, .field__error") !== null;
  // Where the browser has brought back what was typed, it is in the form already.
  if ((number === under && isBack) || (work.early && same(draft.fields, fieldsOf(work.form)))) {
    Object.assign(work, { number, entry: draft.entry ?? 0, said: "", changed: true, kept: true });
    sessionStorage.setItem(UNDER + work.slot, number);
  } else if (same(draft.fields, work.base)) {
    await discard(number, draft);
  } else {
    offer(work, number, draft);
  }
}

// A page that asks which of two changes shall stay carries the form on; saving it there ends the draft.
async function carryOn(form, drafts) {
  const slot = `${outbox.actionOf(form).pathname}|0`;
  const under = Number(sessionStorage.getItem(UNDER + slot));
  const draft = drafts.find(([number]) => number === under)?.[1];
  if (draft) works.set(form, { form, slot, base: fieldsOf(form), number: under, entry: draft.entry ?? 0, changed: false, carried: true });
}

let isReady = false;

// Looks at the forms as they came. What was typed before this script was there is kept as what is typed after.
export function watch() {
  for (const form of document.forms) {
    if (!isDrafted(form)) continue;
    const base = fieldsOf(asServed(form));
    const early = !same(base, fieldsOf(form));
    works.set(form, { form, slot: slotOf(form), base, number: 0, entry: 0, said: "", changed: false, kept: false, early });
  }
  const listen = (event) => {
    const form = event.target.form ?? event.target.closest?.("form");
    const work = works.get(form);
    if (!work || work.over || work.carried) return;
    if (isReady) keep(work);
    else work.early = true;
  };
  for (const name of ["input", "change", "row-added", "row-removed"]) document.addEventListener(name, listen);
}

// Finds the drafts of these forms, and keeps what was typed meanwhile.
export async function meetAll() {
  try {
    const drafts = (await kept.all("drafts").catch(() => [])).filter(([, draft]) => draft);
    for (const work of works.values()) {
      for (const [number, draft] of drafts.filter(([one, draft]) => draft.slot === work.slot && one !== work.number)) {
        await meet(work, number, draft);
      }
    }
    for (const form of document.forms) if (form.elements.meeting && !works.has(form)) await carryOn(form, drafts);
  } finally {
    isReady = true; // whatever becomes of an older draft, what is typed now is kept
    for (const work of works.values()) if (work.early && !work.over) keep(work);
  }
}

export const isOver = () => [...works.values()].some((work) => work.over);

// Also what was typed and is not kept yet.
export const isChanged = () => [...works.values()].some((work) => (work.changed || (!isReady && work.early)) && !work.over);
