// Rows of a form: one more of a list, from its template.

const TYPING = "input, textarea, select, [contenteditable]";

function nextNumber(rows) {
  const taken = [...rows.querySelectorAll("[name]")].map((element) => /\.(\d+)\./.exec(element.name)?.[1]);
  return Math.max(-1, ...taken.filter(Boolean).map(Number)) + 1;
}

export function addRow(into, { focus = true } = {}) {
  const rows = document.getElementById(`rows-${into}`);
  const template = document.getElementById(`row-${into}`);
  if (!rows || !template) return null;
  const number = nextNumber(rows);
  const copy = template.content.cloneNode(true);
  for (const element of copy.querySelectorAll("*")) {
    for (const attribute of element.attributes) {
      if (attribute.value.includes("__n__")) {
        element.setAttribute(attribute.name, attribute.value.replaceAll("__n__", number));
      }
    }
    if (!element.children.length && element.textContent.includes("__n__")) {
      element.textContent = element.textContent.replaceAll("__n__", number + 1);
    }
  }
  rows.append(copy);
  const row = rows.lastElementChild;
  if (focus) row.querySelector(TYPING)?.focus();
  row.dispatchEvent(new CustomEvent("row-added", { bubbles: true }));
  return row;
}
