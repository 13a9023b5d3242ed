// Completion while typing. Without this the lists that the page brings along serve by their names alone;
// with it a field is also met by other names ("elco") and by codes without separators ("hx210").

const PAUSE_MS = 120;
const SHORTEST = 2;
const LISTS = { families: "family", symptoms: "symptom", "part-classes": "part_class" };
const pending = new WeakMap();

function listOf(field) {
  return field.dataset.complete ?? LISTS[field.getAttribute("list")];
}

// Each field gets a list of its own, so that two fields never change each other's.
function ownList(field) {
  if (field.dataset.ownList) return document.getElementById(field.dataset.ownList);
  const list = document.createElement("datalist");
  list.id = `complete-${field.id || field.name}-${document.querySelectorAll("datalist").length}`;
  list.append(...[...(field.list?.children ?? [])].map((option) => option.cloneNode(true)));
  field.after(list);
  field.dataset.complete = listOf(field);
  field.dataset.ownList = list.id;
  field.setAttribute("list", list.id);
  return list;
}

function fill(list, found) {
  const options = found.map(({ value, met }) => {
    const option = document.createElement("option");
    option.value = value;
    if (met !== value) option.label = met;
    return option;
  });
  list.replaceChildren(...options);
}

async function complete(field) {
  const typed = field.value;
  pending.get(field)?.request?.abort();
  const request = new AbortController();
  pending.set(field, { request });
  try {
    const path = `/complete/${listOf(field)}?q=${encodeURIComponent(typed.slice(0, 80))}`;
    const answer = await fetch(path, { signal: request.signal });
    if (answer.ok && field.value === typed) fill(ownList(field), await answer.json());
  } catch (error) {
    // No completion is no trouble: the field works as it is, also while the server is away.
    if (error.name !== "AbortError" && !(error instanceof TypeError)) throw error;
  }
}

document.addEventListener("input", (event) => {
  const field = event.target;
  // A choice from the list is an input too, but one without a way of typing.
  if (!(field instanceof HTMLInputElement) || !listOf(field) || event.inputType === "insertReplacementText") return;
  clearTimeout(pending.get(field)?.timer);
  if (field.value.trim().length < SHORTEST) return;
  pending.set(field, { ...pending.get(field), timer: setTimeout(complete, PAUSE_MS, field) });
});
