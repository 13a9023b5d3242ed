// Takes readings from an instrument into the fields of a page. What arrives is text in a field, as if it had been
// typed: it goes through the same reading and the same judgement, and counts when the form is sent.

import { within } from "./within.js";

const EVERY_MS = 1000;
const ANSWER_MS = 60_000; // longer than the program itself waits for an instrument
const REMEMBERED = "kb-instrument";

function say(block, text, trouble = false) {
  const said = block.querySelector("[data-meter-said]");
  said.textContent = text;
  said.classList.toggle("meter__said--trouble", trouble);
}

function chosen(block) {
  return block.querySelector("select[name=instrument]").value;
}

async function ask(address, block, quantity, more = {}) {
  const { page, doing } = block.dataset;
  const body = JSON.stringify({ instrument: chosen(block), quantity, page, doing, ...more });
  let answer;
  try {
    const headers = { "Content-Type": "application/json", Accept: "application/json" };
    answer = await within(ANSWER_MS, (signal) => fetch(address, { method: "POST", body, headers, signal }));
  } catch {
    throw new Error("The program does not answer. The field stays as it was.");
  }
  const found = await answer.json().catch(() => ({}));
  if (answer.ok) return found;
  const error = found.error ?? { message: "There is no reading. The field stays as it was." };
  throw new Error([error.message, error.remedy].filter(Boolean).join(" "));
}

function fill(field, text) {
  if (!field) return;
  field.value = text;
  field.dispatchEvent(new Event("input", { bubbles: true }));
}

const THEIRS = "You typed meanwhile, so the field stays as it is. Take the reading again if you want it.";

// A value that somebody changes by hand is theirs.
function forgetWhenTyped(field, taken, block) {
  field.addEventListener("input", (event) => {
    if (!event.isTrusted || !taken.value) return;
    taken.value = "";
    say(block, "");
  });
}

function remember(block) {
  const select = block.querySelector("select[name=instrument]");
  const before = localStorage.getItem(REMEMBERED);
  if (before && [...select.options].some((option) => option.value === before)) select.value = before;
  select.addEventListener("change", () => localStorage.setItem(REMEMBERED, select.value));
}

function busy(button, on) {
  if (on) button.setAttribute("aria-disabled", "true");
  else button.removeAttribute("aria-disabled");
}

function isBusy(button) {
  return button.getAttribute("aria-disabled") === "true";
}

function atStep(block) {
  const form = block.closest("form");
  const take = block.querySelector("[data-take-now]");
  const record = block.querySelector("[data-record-now]");
  const taken = block.querySelector("input[name=taken]");
  const value = form.elements.namedItem("value");
  const quantity = block.dataset.quantity;
  let recording = 0; // counts what was begun or ended, so that an answer to an earlier press changes nothing
  let isRecording = false;
  let timer = 0;

  forgetWhenTyped(value, taken, block);

  function recordingEnds() {
    clearTimeout(timer);
    recording += 1;
    isRecording = false;
    if (!record) return;
    record.setAttribute("aria-pressed", "false");
    record.textContent = "Record lowest and highest";
  }

  take.addEventListener("click", async (event) => {
    event.preventDefault();
    if (isBusy(take)) return;
    busy(take, true);
    say(block, "Asking the instrument…");
    const before = value.value;
    try {
      const found = await ask(block.dataset.askTake, block, quantity);
      if (value.value !== before) {
        say(block, `${found.text} from ${found.origin}. ${THEIRS}`);
        return;
      }
      fill(value, found.text);
      taken.value = found.taken;
      if (found.low) fill(form.elements.namedItem("low"), found.low);
      if (found.high) fill(form.elements.namedItem("high"), found.high);
      recordingEnds();
      say(block, `From ${found.origin}. ${found.note}`.trim());
      value.focus();
    } catch (error) {
      say(block, error.message, true);
    } finally {
      busy(take, false);
    }
  });

  async function news(action, mine) {
    try {
      const live = await ask(block.dataset.askRecord, block, quantity, { action });
      if (mine !== recording) return;
      const spread = live.count ? ` Lowest ${live.low || "not known"}, highest ${live.high || "not known"}, ${live.count} samples.` : "";
      if (!isBusy(take)) say(block, live.trouble || `Recording. ${live.text ? `Now ${live.text}.` : ""}${spread}`, Boolean(live.trouble));
      timer = setTimeout(() => news("watch", mine), EVERY_MS);
    } catch (error) {
      if (mine !== recording) return;
      recordingEnds();
      say(block, error.message, true);
    }
  }

  let last = Promise.resolve(); // begin and stop reach the program in the order of the presses

  record?.addEventListener("click", () => {
    if (isRecording) {
      recordingEnds();
      say(block, "");
      last = last.then(() => ask(block.dataset.askRecord, block, quantity, { action: "stop" })).catch(() => {});
      return;
    }
    isRecording = true;
    const mine = (recording += 1);
    record.setAttribute("aria-pressed", "true");
    record.textContent = "Stop recording";
    last = last.then(() => news("begin", mine));
  });
}

// In the line of a reading the value stands behind rail and state; an earlier one from an instrument is replaced.
function inRows(block) {
  const quantity = () => block.querySelector("select[name=meter_quantity]").value;
  block.closest("form").addEventListener("click", async (event) => {
    const button = event.target.closest("[data-take-row]");
    if (!button || isBusy(button)) return;
    const row = button.closest(".row");
    const line = row.querySelector("input[name$='.line']");
    const taken = row.querySelector("input[name$='.taken']");
    busy(button, true);
    say(block, "Asking the instrument…");
    try {
      const found = await ask(block.dataset.askTake, block, quantity());
      const value = [found.text, found.words].filter(Boolean).join(" ");
      const before = line.dataset.takenText;
      const rest = before && line.value.includes(before) ? line.value.replace(before, "") : line.value;
      fill(line, `${rest.trim()} ${value}`.trim());
      line.dataset.takenText = value;
      taken.value = found.taken;
      say(block, `From ${found.origin}.`);
      line.focus();
    } catch (error) {
      say(block, error.message, true);
    } finally {
      busy(button, false);
    }
  });
}

function showWhatNeedsThis(root) {
  for (const element of root.querySelectorAll("[data-only-script]")) element.hidden = false;
}

const blocks = document.querySelectorAll("[data-meter]");
for (const block of blocks) {
  remember(block);
  if (block.querySelector("[data-take-now]")) atStep(block);
  else inRows(block);
}
if (blocks.length) {
  showWhatNeedsThis(document);
  for (const template of document.querySelectorAll("template")) showWhatNeedsThis(template.content);
}
