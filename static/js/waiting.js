// The page that lists what this device keeps: what is to be sent, in its order, and drafts.

import * as drafts from "./drafts.js";
import { element } from "./element.js";
import * as kept from "./kept.js";
import * as outbox from "./outbox.js";

const main = document.getElementById("waiting");
const STATES = { waiting: "waits for the server", refused: "not taken by the server", opened: "opened as a form" };

function button(text, kind, about, press) {
  const made = element("button", text, { type: "button", className: `button button--${kind}` });
  made.append(element("span", ` ${about}`, { className: "unseen" }));
  made.addEventListener("click", async () => {
    made.disabled = true;
    try {
      await press();
    } finally {
      made.disabled = false;
    }
  });
  return made;
}

// Everything that was typed, to be read and copied where its form is gone.
function words(fields) {
  const list = element("dl", "", { className: "defs" });
  for (const [name, text] of fields.filter(([one, text]) => text && !["version", "seen", "not_read", "save"].includes(one) && !one.endsWith(".kept"))) {
    list.append(element("dt", name.replace(/\.(\d+)\./, (_, number) => ` ${Number(number) + 1} `).replaceAll("_", " ")), element("dd", text));
  }
  const fold = element("details", "", { className: "fold" });
  fold.append(element("summary", "What you wrote"), list);
  return fold;
}

// Where a draft's page is gone, or leads to another record, that is said and the words stay here.
async function openPage(page, line) {
  let answer;
  try {
    answer = await fetch(page, { headers: { Accept: "text/html" } });
  } catch {
    location.assign(page);
    return;
  }
  const there = new URL(answer.url);
  const isGone = !answer.ok || there.pathname !== new URL(page, location.href).pathname;
  if (!isGone) {
    location.assign(page);
    return;
  }
  const said = element("p", answer.status === 404 ? "Its page is gone: the record was deleted or put together with another. What you wrote stays here, to be copied." : "Its page leads elsewhere now. What you wrote stays here, to be copied.", { className: "notice notice--warn" });
  said.setAttribute("role", "alert");
  if (answer.ok) said.append(" ", element("a", "Open what is there now", { href: there.pathname + there.search }));
  line.querySelector(".notice")?.remove();
  line.append(said);
  line.querySelector("details").open = true;
}

function save(blob, name) {
  const link = element("a", "", { href: URL.createObjectURL(blob), download: name });
  link.click();
  URL.revokeObjectURL(link.href);
}

async function throwAway(number, entry, all) {
  const hanging = all.filter(([, other]) => other?.after === number);
  const what = hanging.length ? ` and ${hanging.length} ${hanging.length === 1 ? "photograph" : "photographs"} of it` : "";
  const unknown = entry?.tried && entry.state === "waiting" ? " The server may have it already." : "";
  if (!window.confirm(`Throw this${what} away?${unknown}`)) return;
  for (const [other] of hanging) await outbox.remove(other);
  await outbox.remove(number);
  await show();
}

function addPhotographs(number, entry) {
  const field = element("div", "", { className: "field" });
  const input = element("input", "", { type: "file", multiple: true, accept: "image/*,application/pdf", className: "control", id: `photo-${number}` });
  const said = element("p", "", { className: "soft" });
  said.setAttribute("role", "status");
  input.addEventListener("change", async () => {
    try {
      for (const file of input.files) await outbox.addFile({ after: number, title: entry.title }, file);
      input.value = "";
      await outbox.flush();
      await show();
    } catch (error) {
      said.textContent = error instanceof kept.Full ? "This device is full: the picture is not kept." : "The picture could not be kept.";
    }
  });
  field.append(element("label", "Add photographs to it", { htmlFor: input.id, className: "field__label" }), input, said);
  return field;
}

function title(entry) {
  const family = entry.fields?.find(([name]) => name === "family")?.[1];
  if (entry.kind === "file") return `Photograph or document ${entry.name}`;
  return [entry.title || "A form", outbox.isNewCase(entry) ? family : ""].filter(Boolean).join(": ");
}

function queued(number, entry, all) {
  const line = element("li", "", { className: "stack stack--s", id: `thing-${number}` });
  if (!entry) {
    line.append(element("p", "Something that cannot be read any more: the key of this shop was changed."), button("Throw away", "danger", `thing ${number}`, () => throwAway(number, entry, all)));
    return line;
  }
  const name = title(entry);
  const head = element("p");
  head.append(element("strong", name), ` · ${STATES[entry.state]} · ${kept.moment(entry.when)}`);
  line.append(head);
  if (entry.said) line.append(element("p", entry.said, { className: "field__error" }));
  const of = entry.after ? all.find(([one]) => one === entry.after)?.[1] : null;
  if (entry.after) line.append(element("p", of ? `Goes to ${title(of)} as soon as the server has that.` : "The case that it belongs to was thrown away.", { className: "soft" }));
  if (entry.fields) line.append(words(entry.fields));
  if (outbox.isNewCase(entry)) line.append(addPhotographs(number, entry));
  const actions = element("p", "", { className: "actions" });
  const untouched = entry.state === "waiting" && !entry.tried;
  if (entry.kind === "form" && (entry.state === "refused" || untouched)) {
    actions.append(button("Open as a form", "primary", name, async () => {
      const page = await outbox.openAsForm(number);
      if (page) await openPage(page, line);
      else await show(); // it went to the server meanwhile
    }));
  }
  if (entry.kind === "form" && entry.state === "opened") actions.append(element("a", "Go on with it", { href: entry.page, className: "button" }));
  if (entry.kind === "file") {
    actions.append(button("Save it on the device", "plain", name, async () => {
      const blob = await kept.fileOf(number, entry.type);
      if (blob) save(blob, entry.name);
    }));
    if (entry.page) actions.append(element("a", "Open the case", { href: entry.page.replace(/\/photos$/, ""), className: "button" }));
  }
  if (entry.state === "refused" || (entry.kind === "file" && entry.state === "opened")) {
    actions.append(button("Send again", "plain", name, async () => { await outbox.tryAgain(number); await show(); }));
  }
  actions.append(button("Throw away", "danger", name, () => throwAway(number, entry, all)));
  line.append(actions);
  return line;
}

function drafted(number, draft) {
  const line = element("li", "", { className: "stack stack--s", id: `draft-${number}` });
  const name = draft?.title || "A form";
  const head = element("p");
  head.append(element("strong", name), draft ? ` · ${kept.moment(draft.when)}` : " · cannot be read any more");
  line.append(head);
  if (draft?.said) line.append(element("p", draft.said, { className: "field__error" }));
  if (draft) line.append(words(draft.fields));
  const actions = element("p", "", { className: "actions" });
  if (draft) actions.append(button("Open its form", "primary", name, () => openPage(draft.page, line)));
  actions.append(button("Throw away", "danger", name, async () => {
    if (!window.confirm("Throw this away?")) return;
    await drafts.discard(number, draft);
    await show();
  }));
  line.append(actions);
  return line;
}

function fill(name, lines) {
  main.querySelector(`[data-list="${name}"]`).replaceChildren(...lines);
  main.querySelector(`[data-none="${name}"]`).hidden = lines.length > 0;
}

// What had the focus has it again, and what was unfolded stays unfolded, though the lists are made again.
async function show() {
  const at = document.activeElement?.closest?.("#waiting li");
  const place = at ? [at.id, [...at.querySelectorAll("button, a, input, summary")].indexOf(document.activeElement)] : null;
  const unfolded = [...main.querySelectorAll("li:has(details[open])")].map((one) => one.id);
  await fillAll();
  for (const id of unfolded) document.getElementById(id)?.querySelector("details")?.setAttribute("open", "");
  if (!place || document.activeElement?.closest("#waiting li")) return;
  const again = document.getElementById(place[0])?.querySelectorAll("button, a, input, summary")[place[1]];
  (again ?? main.querySelector("button:not([hidden])"))?.focus();
}

let newest = 0;

// Two changes may be read at once; what was read first must not be shown last.
async function fillAll() {
  const mine = (newest += 1);
  const all = await kept.all("queue");
  const written = await kept.all("drafts");
  if (mine !== newest) return;
  const open = all.filter(([, entry]) => entry?.state !== "done");
  fill("queue", open.map(([number, entry]) => queued(number, entry, all)));
  const done = all.filter(([, entry]) => entry?.state === "done");
  fill("drafts", written.map(([number, draft]) => drafted(number, draft)));
  main.querySelector("[data-send-now]").hidden = !open.some(([, entry]) => entry?.state === "waiting");
  const { away, out } = outbox.lastOutcome();
  const state = main.querySelector("[data-state]");
  const said = out ? "You are not signed in: sign in again, and what waits is sent." : away ? away : away === "" ? "The server does not answer. It is asked again by itself." : "";
  if (state.textContent !== said) state.textContent = said;
  tellDone(done);
}

function tellDone(done) {
  const section = main.querySelector("[data-list=queue]").parentElement;
  section.querySelector("[data-done]")?.remove();
  if (!done.length) return;
  const line = element("p");
  line.dataset.done = "";
  line.append("Sent lately: ");
  done.forEach(([, entry], place) => line.append(place ? ", " : "", element("a", `case ${/^\/cases\/([^/?#]{1,8})/.exec(entry.saved)?.[1] ?? ""}`, { href: entry.saved.replace(/\?.*/, "") })));
  section.append(line);
}

function tellDevice() {
  const worker = navigator.serviceWorker ? " Pages you opened lately can be looked at while the server is away." : "";
  main.querySelector("[data-device]").textContent = kept.sealed
    ? `What is kept here is sealed for you: nobody else who signs in on this device can read it, and it is deleted when you sign out.${worker}`
    : "This page came without a certificate, so the browser keeps nothing safely: drafts stay until this tab is closed, and nothing is sent later. Over HTTPS, or on the machine of the server itself, all of it works.";
}

if (main && kept.person) {
  main.hidden = false;
  tellDevice();
  main.querySelector("[data-send-now]").addEventListener("click", async () => { await outbox.flush(); await show(); });
  main.querySelector("[data-wipe]").addEventListener("click", async () => {
    if (!window.confirm("Delete all that this device keeps: what waits, drafts and pages? What did not reach the server is lost.")) return;
    await outbox.wipe();
    await kept.forgetOthers();
    await show();
  });
  outbox.onChange(() => show().catch(() => {}));
  kept.onChange(() => show().catch(() => {}));
  show().then(() => location.hash && document.querySelector(location.hash)?.scrollIntoView()).catch(() => {});
}
