// What every page gains from JavaScript. Nothing here is needed to use the program.

import { addRow } from "./rows.js";

const TYPING = "input, textarea, select, [contenteditable]";

function focusSearchOnSlash() {
  document.addEventListener("keydown", (event) => {
    const plain = !event.ctrlKey && !event.metaKey && !event.altKey;
    if (event.key !== "/" || !plain || event.target.closest?.(TYPING)) return;
    const find = document.querySelector("[data-find-first]") ?? document.querySelector("[data-find]");
    if (!find) return;
    event.preventDefault();
    find.focus();
    find.select();
  });
}

function closeMenuOnEscape() {
  const menu = document.querySelector("details.menu");
  menu?.addEventListener("keydown", (event) => {
    if (event.key !== "Escape" || !menu.open) return;
    menu.open = false;
    menu.querySelector("summary").focus();
  });
  document.addEventListener("click", (event) => {
    if (menu?.open && !menu.contains(event.target)) menu.open = false;
  });
}

// A second press while the first is on its way would save twice.
function submitOnce() {
  document.addEventListener("submit", (event) => {
    const form = event.target;
    // A button marked data-again is answered with a file, so its page stays and may be used once more.
    if (event.defaultPrevented || form.method !== "post" || "again" in (event.submitter?.dataset ?? {})) return;
    if (form.dataset.sent) {
      event.preventDefault();
      return;
    }
    form.dataset.sent = "yes";
    // Later, because a disabled button would not send its own name and value.
    setTimeout(() => buttons(form).forEach((button) => button.setAttribute("aria-disabled", "true")));
  });
  // The page may come back from the browser's memory with the mark still on it.
  window.addEventListener("pageshow", () => {
    document.querySelectorAll("form[data-sent]").forEach((form) => {
      delete form.dataset.sent;
      buttons(form).forEach((button) => button.removeAttribute("aria-disabled"));
    });
  });
}

function buttons(form) {
  return [...form.elements].filter((element) => element.type === "submit");
}

function addAndRemoveRows() {
  document.addEventListener("click", (event) => {
    const add = event.target.closest("[data-add-row]");
    if (add && addRow(add.dataset.addRow)) event.preventDefault();
    const remove = event.target.closest("[data-remove-row]");
    const row = remove?.closest(".row");
    if (!row) return;
    event.preventDefault();
    const rows = row.parentElement;
    const neighbour = row.nextElementSibling ?? row.previousElementSibling;
    const resting = neighbour?.querySelector(TYPING) ?? row.closest("form")?.querySelector("[data-add-row]");
    row.remove();
    resting?.focus();
    rows.dispatchEvent(new CustomEvent("row-removed", { bubbles: true }));
  });
}

focusSearchOnSlash();
closeMenuOnEscape();
submitOnce();
addAndRemoveRows();
document.querySelector("[data-focus-first]")?.focus();
