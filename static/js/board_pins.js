// Pins parts, test points and connectors on a picture of a board: a list of names is set press by press. Everything
// ends up as lines of the text field that the form sends, which is there without this as well.

import { cross, eachFrame, placeOf, put, read, step, SVG, within, written } from "./board_places.js";

const KINDS = ["part", "test point", "connector", "hot side"];
const ZOOMS = [1, 1.5, 2, 3, 4, 6];

// -- lines ----------------------------------------------------------------------------------------------------

function parsed(line) {
  const [head, ...tail] = line.split(";");
  const colon = head.indexOf(":");
  let kind = colon > 0 ? head.slice(0, colon).trim().toLowerCase() : "";
  let rest = head.slice(colon + 1).trim();
  if (!KINDS.includes(kind)) [kind, rest] = ["part", head.trim()];
  const pin = { kind, tail: tail.map((part) => part.trim()).filter(Boolean), raw: line };
  if (kind === "hot side") {
    pin.outline = rest.split(",").map(read);
    pin.label = "";
    return pin.outline.length >= 3 && pin.outline.every(Boolean) ? pin : null;
  }
  const at = rest.lastIndexOf(" at ");
  if (at < 1) return null;
  pin.label = rest.slice(0, at).trim();
  const [first, last] = rest.slice(at + 4).split(" to ").map(read);
  pin.place = first;
  pin.last = last ?? null;
  return first ? pin : null;
}

function lineOf(pin) {
  if (pin.raw) return pin.raw;
  const tail = pin.tail.map((part) => `; ${part}`).join("");
  if (pin.kind === "hot side") return `hot side: ${pin.outline.map((place) => written(place)).join(", ")}`;
  return `${pin.kind}: ${pin.label} at ${written(pin.place)}${pin.last ? ` to ${written(pin.last)}` : ""}${tail}`;
}

function key(name) {
  return name.normalize("NFKC").toLowerCase().replace(/[\s\-_./]+/g, "");
}

// -- the page -------------------------------------------------------------------------------------------------

class Pinning {
  constructor(form, board) {
    this.form = form;
    this.board = board;
    this.sheet = board.querySelector("[data-sheet]");
    this.image = this.sheet.querySelector("img");
    this.lines = form.elements.pins;
    this.names = form.querySelector("[data-names]");
    this.told = form.querySelector("[data-told]");
    this.connectors = new Map(
      form.dataset.connectors.split(";").filter(Boolean).map((text) => {
        const [name, pins, rows] = text.split("|");
        return [key(name), { pins: Number(pins), rows: Number(rows) }];
      }),
    );
    this.pins = [];
    this.other = []; // lines that cannot be read are left as they are
    this.chosen = null;
    this.half = null; // a connector whose last pin is still to be set
    this.outline = [];
    this.ruler = [];
    this.changed = false;
    this.zoom = 0;
    this.drawing = document.createElementNS(SVG, "svg");
  }

  start() {
    this.drawing.setAttribute("class", "b-over");
    this.drawing.setAttribute("viewBox", `0 0 100 ${(100 * this.image.height) / this.image.width}`);
    this.drawing.setAttribute("aria-hidden", "true");
    this.sheet.querySelector("[data-drawn]").replaceChildren(this.drawing);
    this.fromLines();
    const details = this.form.querySelector("[data-details]");
    if (!details.querySelector("[aria-invalid]")) details.open = false;
    this.form.querySelector("[data-live]").hidden = false;
    this.sheet.addEventListener("click", (event) => {
      if (!event.target.closest(".pin")) this.press(placeOf(event, this.image));
    });
    cross(this.board, this.sheet, this.image, (place) => this.press(place));
    this.names.addEventListener("input", () => this.tell());
    // Enter in the list of names is no wish to save.
    this.names.addEventListener("keydown", (event) => {
      if (event.key !== "Enter" || event.shiftKey) return;
      event.preventDefault();
      this.board.focus();
    });
    this.lines.addEventListener("change", () => this.fromLines());
    this.listen();
    const ends = this.form.elements.ruler.value.split(",").map(read).filter(Boolean);
    if (ends.length === 2) this.ruler = ends;
    this.draw();
    this.tell();
  }

  listen() {
    const on = (name, work) => this.form.querySelector(name)?.addEventListener("click", work);
    for (const button of this.form.querySelectorAll("[data-take]")) {
      button.addEventListener("click", () => this.queue([button.dataset.take]));
    }
    on("[data-take-all]", () =>
      this.queue([...this.form.querySelectorAll("[data-take]")].filter((one) => !one.hidden).map((one) => one.dataset.take)));
    on("[data-back]", () => this.takeBack());
    on("[data-done]", () => this.close());
    on("[data-remove]", () => this.remove(this.chosen));
    for (const [name, word] of [["[data-count]", "pins"], ["[data-rows]", "rows"]]) {
      this.form.querySelector(name).addEventListener("change", (event) => this.count(word, Number(event.target.value)));
    }
    this.form.querySelector("[data-tools]").addEventListener("change", () => {
      this.half = null;
      this.outline = [];
      this.draw();
      this.tell();
    });
    const zoom = this.form.querySelector("[data-zoom]");
    zoom.hidden = false;
    on("[data-larger]", () => this.setZoom(this.zoom + 1));
    on("[data-smaller]", () => this.setZoom(this.zoom - 1));
    this.form.addEventListener("submit", () => { this.changed = false; });
    window.addEventListener("beforeunload", (event) => { if (this.changed) event.preventDefault(); });
  }

  get tool() {
    return this.form.elements.tool.value;
  }

  setZoom(number) {
    const before = ZOOMS[this.zoom];
    this.zoom = Math.min(ZOOMS.length - 1, Math.max(0, number));
    const factor = ZOOMS[this.zoom] / before;
    const [x, y] = [this.board.scrollLeft + this.board.clientWidth / 2, this.board.scrollTop + this.board.clientHeight / 2];
    this.sheet.style.width = `${100 * ZOOMS[this.zoom]}%`;
    this.board.scrollTo(x * factor - this.board.clientWidth / 2, y * factor - this.board.clientHeight / 2);
  }

  // -- names waiting to be set ----------------------------------------------------------------------------------

  waiting() {
    return this.names.value.split(/[\s,;]+/).filter(Boolean);
  }

  queue(names) {
    const known = new Set([...this.waiting(), ...this.pins.map((pin) => pin.label)].map(key));
    const more = names.filter((name) => !known.has(key(name)));
    this.names.value = [...this.waiting(), ...more].join(" ");
    this.form.elements.tool.value = "set";
    this.tell();
  }

  kindOf(name) {
    if (this.connectors.has(key(name))) return "connector";
    if (/^tp[\s\-_]?\d/i.test(name)) return "test point";
    return /^(cn|con|j|p|x)[\s\-_]?\d/i.test(name) ? "connector" : "part";
  }

  // -- pressing ------------------------------------------------------------------------------------------------

  press(place) {
    if (this.tool === "hot side") {
      this.outline.push(place);
      this.draw();
    } else if (this.tool === "ruler") {
      if (this.ruler.length === 2) this.ruler = [];
      this.ruler.push(place);
      this.form.elements.ruler.value = this.ruler.map((one) => written(one)).join(", ");
      this.changed = true;
      this.draw();
      if (this.ruler.length === 2) this.form.elements.ruler_length.focus();
    } else if (this.half) {
      this.half.last = place;
      this.half.raw = "";
      this.half = null;
      this.keep();
    } else {
      this.set(place);
    }
    this.tell();
  }

  set(place) {
    const [name, ...rest] = this.waiting();
    if (!name) {
      this.choose(null);
      return;
    }
    const twin = this.pins.find((pin) => key(pin.label) === key(name));
    if (twin) {
      this.names.value = rest.join(" ");
      this.say(`${name} is on the picture already: drag it where it belongs.`);
      this.choose(twin);
      return;
    }
    const kind = this.kindOf(name);
    const pin = { kind, label: name, place, last: null, tail: [], raw: "" };
    const known = this.connectors.get(key(name));
    if (known) pin.tail = [`${known.pins} pins`, ...(known.rows > 1 ? [`${known.rows} rows`] : [])];
    this.pins.push(pin);
    this.names.value = rest.join(" ");
    this.show(pin);
    if (kind === "connector") {
      this.half = pin;
      this.choose(pin);
    }
    this.keep();
  }

  takeBack() {
    if (this.tool === "hot side" && this.outline.length) this.outline.pop();
    else if (this.tool === "ruler" && this.ruler.length) {
      this.ruler.pop();
      this.form.elements.ruler.value = this.ruler.map((one) => written(one)).join(", ");
    } else if (this.half) this.half = null;
    else if (this.pins.length) {
      const last = this.pins.at(-1);
      if (last.label) this.names.value = [last.label, ...this.waiting()].join(" ");
      this.remove(last);
    }
    this.draw();
    this.tell();
  }

  close() {
    if (this.outline.length < 3) return;
    this.pins.push({ kind: "hot side", label: "", outline: this.outline, tail: [], raw: "" });
    this.outline = [];
    this.form.elements.tool.value = "set";
    this.keep();
    this.tell();
  }

  remove(pin) {
    if (!pin) return;
    this.pins = this.pins.filter((one) => one !== pin);
    pin.button?.remove();
    if (this.half === pin) this.half = null;
    if (this.chosen === pin) this.choose(null);
    this.keep();
    this.tell();
  }

  // -- what is on the picture ------------------------------------------------------------------------------------

  fromLines() {
    this.sheet.querySelectorAll(".pin").forEach((one) => one.remove());
    [this.pins, this.other] = [[], []];
    for (const line of this.lines.value.split("\n")) {
      if (!line.trim()) continue;
      const pin = parsed(line.trim());
      if (pin) this.pins.push(pin);
      else this.other.push(line.trim());
    }
    for (const pin of this.pins) if (pin.place) this.show(pin);
    this.draw();
    this.offer();
  }

  keep() {
    this.lines.value = [...this.pins.map(lineOf), ...this.other].join("\n");
    this.changed = true;
    this.draw();
    this.offer();
  }

  offer() {
    const known = new Set(this.pins.map((pin) => key(pin.label)));
    for (const button of this.form.querySelectorAll("[data-take]")) button.hidden = known.has(key(button.dataset.take));
  }

  show(pin) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = `pin pin--${pin.kind.replace(" ", "-")}`;
    button.setAttribute("aria-label", `${pin.label}, ${pin.kind}`);
    const dot = document.createElement("span");
    dot.className = "pin__dot";
    const name = document.createElement("span");
    name.className = "pin__name";
    name.textContent = pin.label;
    button.append(dot, name);
    put(button, pin.place);
    button.classList.toggle("pin--left", pin.place.x > 0.8);
    pin.button = button;
    this.sheet.append(button);
    this.hold(pin, button);
  }

  hold(pin, button) {
    let held = null;
    const drag = eachFrame((event) => {
      if (!held) return;
      button.style.transform = `translate(${event.clientX - held.x}px, ${event.clientY - held.y}px)`;
    });
    button.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      button.setPointerCapture(event.pointerId);
      held = { x: event.clientX, y: event.clientY };
    });
    button.addEventListener("pointermove", (event) => { if (held) drag(event); });
    button.addEventListener("pointerup", (event) => {
      if (!held) return;
      const box = this.image.getBoundingClientRect();
      const by = { x: (event.clientX - held.x) / box.width, y: (event.clientY - held.y) / box.height };
      held = null;
      button.style.transform = "";
      if (Math.hypot(by.x * box.width, by.y * box.height) > 3) this.move(pin, by);
      this.choose(pin);
    });
    button.addEventListener("pointercancel", () => {
      held = null;
      button.style.transform = "";
    });
    button.addEventListener("focus", () => this.choose(pin));
    button.addEventListener("keydown", (event) => {
      const by = step(event, this.image, 0.004, 0.0005);
      if (by) {
        event.preventDefault();
        this.move(pin, by);
      } else if (event.key === "Delete" || event.key === "Backspace") {
        event.preventDefault();
        this.remove(pin);
        this.board.focus();
      }
    });
  }

  move(pin, by) {
    const moved = (place) => ({ x: within(place.x + by.x), y: within(place.y + by.y) });
    pin.place = moved(pin.place);
    if (pin.last) pin.last = moved(pin.last);
    pin.raw = "";
    put(pin.button, pin.place);
    pin.button.classList.toggle("pin--left", pin.place.x > 0.8);
    this.keep();
  }

  choose(pin) {
    this.chosen?.button?.classList.remove("pin--chosen");
    this.chosen = pin;
    pin?.button?.classList.add("pin--chosen");
    this.form.querySelector("[data-chosen]").hidden = !pin;
    this.form.querySelector("[data-chosen-name]").textContent = pin ? `${pin.label}, ${pin.kind}` : "";
    const counts = this.form.querySelector("[data-counts]");
    counts.hidden = pin?.kind !== "connector";
    if (counts.hidden) return;
    counts.querySelector("[data-count]").value = this.counted(pin, "pins") || "";
    counts.querySelector("[data-rows]").value = this.counted(pin, "rows") || 1;
  }

  // How many pins a connector has, or in how many rows, as its line says it.
  counted(pin, word) {
    const found = pin.tail.find((part) => part.endsWith(word) || part.endsWith(word.slice(0, -1)));
    return found ? Number.parseInt(found, 10) : 0;
  }

  count(word, number) {
    const pin = this.chosen;
    if (!pin || pin.kind !== "connector") return;
    pin.tail = pin.tail.filter((part) => !part.endsWith(word) && !part.endsWith(word.slice(0, -1)));
    if (number >= 1) pin.tail.push(`${Math.floor(number)} ${word}`);
    pin.raw = "";
    this.keep();
  }

  // Lines between the pins of connectors, outlines and the ruler.
  draw() {
    const high = this.drawing.viewBox.baseVal.height;
    const point = (place) => `${(100 * place.x).toFixed(2)},${(high * place.y).toFixed(2)}`;
    const shapes = [];
    const add = (name, kind, places) => {
      const shape = document.createElementNS(SVG, name);
      shape.setAttribute("class", kind);
      shape.setAttribute("points", places.map(point).join(" "));
      shapes.push(shape);
    };
    for (const pin of this.pins) {
      if (pin.outline) {
        add("polygon", "b-hot-halo", pin.outline);
        add("polygon", "b-hot", pin.outline);
      }
      if (pin.last) {
        add("polyline", "b-halo", [pin.place, pin.last]);
        add("polyline", "b-line", [pin.place, pin.last]);
      }
    }
    if (this.outline.length) {
      add("polyline", "b-hot-halo", this.outline);
      add("polyline", "b-hot", this.outline);
    }
    if (this.ruler.length) {
      add("polyline", "b-halo", this.ruler);
      add("polyline", "b-ruler", this.ruler);
    }
    this.drawing.replaceChildren(...shapes);
  }

  say(text) {
    this.said = text;
  }

  tell() {
    const next = this.waiting();
    const setting = this.tool === "set";
    let text = next.length ? `Press where ${next[0]} is${next.length > 1 ? `, then ${next.slice(1, 4).join(", ")}${next.length > 4 ? ` and ${next.length - 4} more` : ""}` : ""}.` : "Type a designator, then press where it is.";
    if (setting && this.half) text = `Now press the last pin of ${this.half.label}${this.counted(this.half, "pins") ? `, pin ${this.counted(this.half, "pins")}` : ""}. It tells where the others are.`;
    if (this.tool === "hot side") text = `Press round the hot side, corner by corner. ${this.outline.length} so far.`;
    if (this.tool === "ruler") text = this.ruler.length === 1 ? "Press the other end." : "Press both ends of a known length, then type it.";
    this.told.textContent = this.said ?? text;
    this.said = undefined;
    // While a name waits, a press beside a pin sets the name and does not take hold of the pin.
    this.sheet.classList.toggle("board__sheet--sets", !setting || next.length > 0 || Boolean(this.half));
    this.form.querySelector("[data-done]").hidden = this.outline.length < 3;
  }
}

const form = document.querySelector("[data-pins-form]");
const board = document.querySelector("[data-board]");
if (form && board) new Pinning(form, board).start();
