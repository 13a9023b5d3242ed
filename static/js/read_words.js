// Shows beside a case's form what its words say, as they are typed. Without this the form does the same when sent.

import { isTouched } from "./served.js";

const form = document.querySelector("form[data-words]");
const read = form?.querySelector("[data-read]");
const PAUSE_MS = 300;
let waiting = 0;
let running = null;

// What a press does is in the form at once, so that it is neither lost where something is typed or saved before the
// answer is there, nor undone by one that was asked for earlier (kb/web/forms/case_words.py keeps these keys).
function note({ name, value }) {
  const field = form.elements.not_read;
  const keys = new Set(field.value.split(/\s*\n/).filter(Boolean));
  const taken = `+${value}`;
  keys.delete(name === "leave" ? taken : value);
  keys.add(name === "leave" ? value : taken);
  field.value = [...keys].join("\n");
}

async function update(pressed) {
  clearTimeout(waiting);
  running?.abort();
  const mine = (running = new AbortController());
  const body = new FormData(form);
  try {
    const answer = await fetch(read.dataset.read, { method: "POST", body, signal: mine.signal });
    if (!answer.ok) return;
    const text = await answer.text();
    const held = document.activeElement?.closest?.("[data-read]") ? document.activeElement.value : null;
    read.innerHTML = text;
    // The press that was just made is found again under its new name, so that the next key goes on from there.
    const again = pressed?.value ?? held;
    if (again) [...read.querySelectorAll("button")].find((button) => button.value === again)?.focus();
  } catch (error) {
    // While the server is away the words are read when the form is sent.
    if (error.name !== "AbortError" && !(error instanceof TypeError)) throw error;
  }
}

function later() {
  clearTimeout(waiting);
  waiting = setTimeout(update, PAUSE_MS);
}

if (read) {
  if (isTouched(form)) later(); // typed before this was there
  form.addEventListener("input", later);
  form.addEventListener("change", later);
  form.addEventListener("row-removed", later);
  form.addEventListener("click", (event) => {
    const press = event.target.closest("[data-read] button");
    if (!press) return;
    event.preventDefault();
    note(press);
    form.dispatchEvent(new Event("change", { bubbles: true })); // a draft keeps it too
    update(press);
  });
}
