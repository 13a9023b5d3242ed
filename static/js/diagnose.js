// Keeps the ranking in step with the evidence as it is typed. Without this the button does the same.

import { isTouched } from "./served.js";

const form = document.querySelector("form[data-live]");
const ranking = document.getElementById("ranking");
const heard = document.getElementById("heard");
const complaint = form?.elements.text;
const PAUSE_MS = 250;
const LATE_MS = 5_000; // for the answer, before the ranking is said to be old
let waiting = 0;
let running = null;
const roomy = matchMedia("(min-width: 56rem)");
let unfolded = null; // what was pressed on the facts that were read; before that, the room decides
let behind = false; // something was typed that the ranking does not show yet
let wanted = ""; // the words of a link that was pressed meanwhile

// A symptom and its state belong together, so both or neither are sent.
function query() {
  const pairs = new URLSearchParams();
  let named = true;
  for (const [name, value] of new FormData(form)) {
    if (name === "symptom") named = value.trim() !== "";
    const wanted = name === "state" ? named : value.trim() !== "";
    if (wanted) pairs.append(name, value);
  }
  return pairs.toString();
}

async function update() {
  clearTimeout(waiting);
  running?.abort();
  const mine = (running = new AbortController());
  const asked = query();
  const late = setTimeout(() => running === mine && tellOld(true), LATE_MS);
  try {
    const answer = await fetch(`${form.dataset.live}?${asked}`, { signal: mine.signal });
    const text = answer.ok ? await answer.text() : "";
    if (!answer.ok) {
      wanted = "";
      return;
    }
    show(text);
    tellOld(false);
    behind = query() !== asked;
    history.replaceState(null, "", `${location.pathname}?${asked}`);
    if (!behind) follow();
  } catch (error) {
    if (error.name === "AbortError") return; // a newer one is under way, and follows the link
    if (!(error instanceof TypeError)) throw error;
    wanted = "";
    tellOld(true);
  } finally {
    clearTimeout(late);
  }
}

// While the server is away the ranking stays what it was, which must not be taken for the answer to what is typed.
function tellOld(isOld) {
  const told = document.getElementById("ranking-old");
  if (!told || told.hidden === !isOld) return;
  told.hidden = !isOld;
  ranking.classList.toggle("is-old", isOld);
}

function later() {
  behind = true;
  clearTimeout(waiting);
  waiting = setTimeout(update, PAUSE_MS);
}

// What was unfolded stays unfolded.
function show(text) {
  const open = [...ranking.querySelectorAll("details[open][id]")].map((entry) => entry.id);
  ranking.innerHTML = text;
  const read = ranking.querySelector("template[data-into]");
  heard.replaceChildren(read.content);
  read.remove();
  unfoldHeard();
  for (const id of open) {
    const again = document.getElementById(id);
    if (again) again.open = true;
  }
  tellLead();
  tellProblems();
}

function unfoldHeard() {
  const facts = document.getElementById("understood");
  if (facts) facts.open = unfolded ?? roomy.matches;
}

function tellLead() {
  const lead = ranking.querySelector("[data-lead]")?.dataset.lead ?? "";
  const said = document.querySelector("[data-lead-said]");
  const sentence = `First: ${lead}`;
  if (said.textContent !== sentence) said.textContent = sentence;
  document.querySelector("[data-lead-shown]").textContent = lead;
}

// The page came with the errors of its own address at the fields; those of later typing replace them.
function tellProblems() {
  form.querySelectorAll(".field__error").forEach((error) => error.remove());
  form.querySelectorAll("[aria-invalid]").forEach((control) => {
    control.removeAttribute("aria-invalid");
    describe(control, `${control.id}-error`, false);
  });
  ranking.querySelectorAll("[data-problem]").forEach((entry) => {
    const control = document.getElementById(`f-${entry.dataset.problem}`);
    // A field that is still being typed in is left in peace.
    if (!control || control === document.activeElement || control.getAttribute("aria-invalid")) return;
    const error = document.createElement("span");
    error.className = "field__error";
    error.id = `${control.id}-error`;
    error.textContent = entry.textContent;
    control.setAttribute("aria-invalid", "true");
    describe(control, error.id, true);
    control.closest(".field").append(error);
  });
}

function describe(control, id, wanted) {
  const ids = (control.getAttribute("aria-describedby") ?? "").split(" ").filter((one) => one && one !== id);
  if (wanted) ids.unshift(id);
  if (ids.length) control.setAttribute("aria-describedby", ids.join(" "));
  else control.removeAttribute("aria-describedby");
}

// As soon as the last line of a list is used, the next one stands ready.
function grow(list) {
  const last = list.lastElementChild;
  if (last.querySelector("input").value.trim() === "") return;
  const next = last.cloneNode(true);
  const number = list.children.length;
  next.querySelectorAll(".field__error").forEach((error) => error.remove());
  next.querySelectorAll("[id]").forEach((element) => {
    element.id = element.id.replace(/\d+$/, number);
    element.removeAttribute("aria-invalid");
    element.removeAttribute("aria-describedby");
  });
  next.querySelectorAll("label").forEach((label) => {
    label.htmlFor = label.htmlFor.replace(/\d+$/, number);
    label.textContent = label.textContent.replace(/\d+/, number + 1);
  });
  next.querySelectorAll("input").forEach((input) => (input.value = ""));
  next.querySelectorAll("select").forEach((select) => (select.selectedIndex = 0));
  list.append(next);
}

// The links of a ranking carry the evidence it was made from. While that is behind what was typed, a
// click waits for the ranking and then follows the same link there, so that nothing typed is left out.
function followInStep(event) {
  const link = event.target.closest("a[href]");
  if (!link || !behind || event.button !== 0 || event.ctrlKey || event.metaKey || event.shiftKey) return;
  event.preventDefault();
  wanted = link.textContent;
  update();
}

function follow() {
  const links = [...heard.querySelectorAll("a[href]"), ...ranking.querySelectorAll("a[href]")];
  const same = links.find((other) => wanted && other.textContent === wanted);
  wanted = "";
  if (same) location.assign(same.href);
}

// Enter in the complaint asks at once; the ranking says what was read from it.
function askWithEnter(event) {
  if (event.target !== complaint || event.key !== "Enter" || event.shiftKey || event.isComposing) return;
  event.preventDefault();
  update();
}

unfoldHeard();
heard?.addEventListener("click", (event) => {
  const facts = event.target.closest("summary")?.parentElement;
  if (facts?.id === "understood") unfolded = !facts.open;
});
if (form && document.body.dataset.keptAt) tellOld(true);
if (form && isTouched(form)) later(); // typed before this was there
window.addEventListener("online", () => behind && update());
form?.querySelectorAll("[data-grows]").forEach((list) => list.addEventListener("input", () => grow(list)));
form?.addEventListener("input", later);
form?.addEventListener("change", later);
form?.addEventListener("focusout", () => ranking.querySelector("[data-problem]") && later());
form?.addEventListener("keydown", askWithEnter);
form?.addEventListener("click", (event) => {
  if (heard.contains(event.target) || ranking.contains(event.target)) followInStep(event);
});
