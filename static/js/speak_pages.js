// What a confirmed reading does on each kind of page: it is typed into the fields that are there, as a person would.

import { addRow } from "./rows.js";

function type(field, text) {
  field.value = text;
  field.dispatchEvent(new Event("input", { bubbles: true }));
  field.dispatchEvent(new Event("change", { bubbles: true }));
}

const entryForm = () => document.querySelector("form.entry");

const step = {
  // Answers what is said of it, "" where the page leaves.
  enter(entry) {
    const form = entryForm();
    if (entry.field === "undo") {
      const back = document.querySelector('form[action$="/take-back"]');
      if (!back) return "Nothing was entered at this step yet.";
      back.requestSubmit();
      return "";
    }
    if (!form) return "This step takes no value now. Say “again” to measure again.";
    if (entry.field === "answer") {
      form.querySelectorAll('button[name="answer"]')[Number(entry.text) - 1]?.click();
      return "";
    }
    const name = { value: "value", lowest: "low", highest: "high", "load current": "load" }[entry.field];
    const field = form.elements[name];
    if (!field) return "This step has no such field.";
    type(field, entry.text);
    if (entry.field !== "value") return `Entered: ${entry.say}.`;
    form.requestSubmit();
    return "";
  },
  command(name, number) {
    const link = {
      next: document.querySelector(".step__do a[data-focus-first]"),
      back: document.querySelector(`a[href$="/steps/${number - 1}"]`),
      again: document.querySelector('a[href$="?again=1"]'),
    }[name];
    if (link) link.click();
    return link ? "" : { next: "This step is still open.", back: "This is the first step." }[name];
  },
};

const spoken = [];

function emptyLine() {
  const own = [...document.querySelectorAll('input[name="reading"], input[name^="readings."][name$=".line"]')];
  const free = own.find((one) => !one.value.trim());
  return free ?? addRow("readings")?.querySelector('input[name$=".line"]');
}

const lines = {
  enter(entry) {
    if (entry.field === "undo") {
      const last = spoken.pop();
      if (!last || last.field.value !== last.text) return "Nothing that was said here can be taken back.";
      type(last.field, "");
      return "Taken back.";
    }
    const field = emptyLine();
    if (!field) return "There is no line left for it.";
    type(field, entry.text);
    spoken.push({ field, text: entry.text });
    return `Entered: ${entry.say}.`;
  },
  command: (name) => (name === "again" ? "Say the reading." : "There are no steps on this page."),
};

// "CN2 4: 4.7 kΩ / -, - / 0.45": the sides that were said join those that stand there.
export function joined(old, said) {
  const [head, rest] = said.split(/:\s*/);
  const groups = (text) => text.split(/,\s+/).map((group) => group.split("/").map((side) => side.trim()));
  const before = groups(old ?? "");
  const sides = groups(rest).map((group, at) =>
    [0, 1].map((side) => {
      const is = (value) => value && value !== "-" && value !== "–";
      return is(group[side]) ? group[side] : is(before[at]?.[side]) ? before[at][side] : "-";
    }),
  );
  for (let at = sides.length; at < before.length; at += 1) sides.push(before[at]);
  return `${head}: ${sides.map((group) => group.join(" / ")).join(", ")}`;
}

const pins = {
  enter(entry) {
    const area = document.querySelector('textarea[name="pins"]');
    if (entry.field === "undo") {
      const last = spoken.pop();
      if (!last || area.value !== last.text) return "Nothing that was said here can be taken back.";
      type(area, last.before);
      return "Taken back.";
    }
    const all = area.value.split("\n");
    const headOf = (line) => line.split(":")[0].trim();
    let said = entry.text;
    if (/^[0-9]+:/.test(said)) {
      const connector = spoken.at(-1)?.connector ?? "";
      if (!connector) return "Say the connector as well.";
      said = `${connector} ${said}`;
    }
    const at = all.findIndex((line) => headOf(line) === headOf(said));
    const line = joined(at < 0 ? "" : all[at].split(":").slice(1).join(":"), said);
    if (at < 0) all.push(line);
    else all[at] = line;
    const before = area.value;
    type(area, all.filter((one, index) => one.trim() || index < at).join("\n"));
    spoken.push({ text: area.value, before, connector: headOf(said).split(" ").slice(0, -1).join(" ") });
    return `Entered: ${entry.say}.`;
  },
  command: lines.command,
};

export const PAGES = { step, lines, pins };
