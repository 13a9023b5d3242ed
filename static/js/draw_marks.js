// Draws a circle, an arrow or words on a picture with a finger or a mouse, by filling in the form that
// places a mark by numbers and sending it. Without it the form is there all the same.

const SVG = "http://www.w3.org/2000/svg";
const WIDTH = 1000;
const HINTS = {
  circle: "Press at the centre and drag outwards.",
  arrow: "Press where it begins and drag to what it points at.",
  text: "Press where the words begin, then write them.",
};
const SMALLEST = 0.01;

function start(stage, tools, form) {
  const height = Number(stage.dataset.height);
  const hint = tools.querySelector("[data-tool-hint]");
  const buttons = [...tools.querySelectorAll("[data-tool]")];
  let tool = "";
  let from = null;
  let preview = null;

  function arm(chosen) {
    tool = chosen;
    for (const button of buttons) button.setAttribute("aria-pressed", String(button.dataset.tool === tool));
    stage.classList.toggle("stage--armed", Boolean(tool));
    hint.textContent = HINTS[tool] ?? "";
    drop();
  }

  function drop() {
    preview?.remove();
    preview = null;
    from = null;
  }

  function place(event) {
    const box = stage.querySelector("img").getBoundingClientRect();
    const within = (value) => Math.min(1, Math.max(0, value));
    return { x: within((event.clientX - box.left) / box.width), y: within((event.clientY - box.top) / box.height) };
  }

  // The distance as a fraction of the picture's width.
  function radius(to) {
    return Math.hypot(to.x - from.x, ((to.y - from.y) * height) / WIDTH);
  }

  function shape(name, attributes) {
    const group = document.createElementNS(SVG, "g");
    for (const kind of ["drawn__halo", "drawn__line"]) {
      const drawn = document.createElementNS(SVG, name);
      drawn.setAttribute("class", kind);
      for (const [key, value] of Object.entries(attributes)) drawn.setAttribute(key, value);
      group.append(drawn);
    }
    return group;
  }

  function sketch(to) {
    if (!preview) {
      preview = document.createElementNS(SVG, "svg");
      preview.setAttribute("class", "drawn");
      preview.setAttribute("viewBox", `0 0 ${WIDTH} ${height}`);
      preview.setAttribute("preserveAspectRatio", "none");
      preview.setAttribute("aria-hidden", "true");
      stage.append(preview);
    }
    const [x, y] = [from.x * WIDTH, from.y * height];
    preview.replaceChildren(
      tool === "circle"
        ? shape("circle", { cx: x, cy: y, r: radius(to) * WIDTH })
        : shape("path", { d: `M${x} ${y} ${to.x * WIDTH} ${to.y * height}` }),
    );
  }

  function fill(values) {
    form.closest("details").open = true;
    for (const option of form.elements.kind) option.checked = option.value === tool;
    for (const name of ["x", "y", "size", "to_x", "to_y"]) {
      form.elements[name].value = name in values ? (values[name] * 100).toFixed(2) : "";
    }
  }

  stage.addEventListener("pointerdown", (event) => {
    if (!tool || event.button !== 0) return;
    event.preventDefault();
    if (form.dataset.sent) {
      hint.textContent = "The last mark is still being saved.";
      return;
    }
    from = place(event);
    if (tool !== "text") stage.setPointerCapture(event.pointerId);
  });
  stage.addEventListener("pointermove", (event) => {
    if (from && tool !== "text") sketch(place(event));
  });
  stage.addEventListener("pointercancel", drop);
  stage.addEventListener("pointerup", (event) => {
    if (!from) return;
    const to = place(event);
    if (tool === "text") {
      fill(from);
      const words = form.elements.text;
      if (words.value.trim()) {
        form.requestSubmit();
      } else {
        hint.textContent = "Write the words and press Enter.";
        words.focus();
      }
      from = null;
      return;
    }
    if (radius(to) < SMALLEST) {
      drop();
      return;
    }
    sketch(to);
    fill(tool === "circle" ? { ...from, size: Math.min(1, radius(to)) } : { ...from, to_x: to.x, to_y: to.y });
    from = null;
    form.requestSubmit();
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && tool) arm("");
  });
  for (const button of buttons) {
    button.addEventListener("click", () => arm(tool === button.dataset.tool ? "" : button.dataset.tool));
  }
  tools.hidden = false;
}

// Which mark a line of the list means is shown on the picture while the line is pointed at or focused.
function nameMarks(stage) {
  for (const line of document.querySelectorAll("[data-names]")) {
    const meant = stage.querySelector(`[data-mark="${line.dataset.names}"]`);
    for (const [event, on] of [["pointerenter", true], ["pointerleave", false], ["focusin", true], ["focusout", false]]) {
      line.addEventListener(event, () => meant?.classList.toggle("drawn__chosen", on));
    }
  }
}

const stage = document.querySelector("[data-stage]");
const tools = document.querySelector("[data-tools]");
const form = document.querySelector("[data-mark-form]");
if (stage) nameMarks(stage);
// Both are missing for who may only look.
if (stage && tools && form) start(stage, tools, form);
