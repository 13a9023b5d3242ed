// Four handles that are dragged to the corners of the board, with a lens beside the finger that covers them.

import { eachFrame, placeOf, put, step, within, written } from "./board_places.js";

const LENS = 4; // how many times larger the lens shows the picture

function start(form, lay) {
  const image = lay.querySelector("img");
  const handles = [...lay.querySelectorAll("[data-handle]")];
  const outlines = [...lay.querySelectorAll("[data-outline]")];
  const lens = lay.querySelector("[data-lens]");
  const places = handles.map((handle) => ({ x: Number(handle.dataset.x), y: Number(handle.dataset.y) }));
  const high = (100 * image.height) / image.width;
  const field = form.elements.corners;

  function draw() {
    const points = places.map((place) => `${100 * place.x},${lay.querySelector("svg").viewBox.baseVal.height * place.y}`).join(" ");
    for (const outline of outlines) outline.setAttribute("points", points);
  }

  function keep() {
    field.value = places.map((place) => written(place, 4)).join(", ");
  }

  function move(number, place) {
    places[number] = { x: within(place.x), y: within(place.y) };
    put(handles[number], places[number]);
    draw();
  }

  function look(number) {
    const place = places[number];
    const [width, height] = [image.clientWidth * LENS, image.clientHeight * LENS];
    lens.hidden = false;
    lens.style.backgroundSize = `${width}px ${height}px`;
    lens.style.backgroundPosition = `${lens.clientWidth / 2 - place.x * width}px ${lens.clientHeight / 2 - place.y * height}px`;
    // On the other half of the picture, so that no finger covers it.
    lens.classList.toggle("lens--right", place.x < 0.5);
  }

  handles.forEach((handle, number) => {
    let held = null;
    const drag = eachFrame((event) => {
      if (!held) return;
      const at = placeOf(event, image);
      move(number, { x: at.x + held.x, y: at.y + held.y });
      look(number);
    });
    handle.hidden = false;
    put(handle, places[number]);
    handle.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      event.preventDefault();
      handle.focus();
      handle.setPointerCapture(event.pointerId);
      const at = placeOf(event, image);
      held = { x: places[number].x - at.x, y: places[number].y - at.y };
      look(number);
    });
    handle.addEventListener("pointermove", (event) => { if (held) drag(event); });
    for (const end of ["pointerup", "pointercancel"]) {
      handle.addEventListener(end, (event) => {
        if (!held) return;
        const at = placeOf(event, image);
        if (end === "pointerup") move(number, { x: at.x + held.x, y: at.y + held.y });
        held = null;
        lens.hidden = true;
        keep();
      });
    }
    handle.addEventListener("keydown", (event) => {
      const by = step(event, { width: 100, height: high });
      if (!by) return;
      event.preventDefault();
      move(number, { x: places[number].x + by.x, y: places[number].y + by.y });
      look(number);
      keep();
    });
    handle.addEventListener("blur", () => { lens.hidden = true; });
  });

  lens.style.backgroundImage = `url("${image.currentSrc || image.src}")`;
  form.querySelector("[data-with-script]").hidden = false;
  const details = form.querySelector("[data-details]");
  if (!details.querySelector("[aria-invalid]")) details.open = false;
  // Pressing the button says that the corners lie where they are, moved or not.
  form.addEventListener("submit", (event) => {
    if (!field.value.trim() && event.submitter?.name !== "as_it_is") keep();
  });
  field.addEventListener("change", () => {
    const typed = field.value.split(",").map((part) => part.trim().split(/\s+/).map(Number));
    if (typed.length !== 4 || typed.some((one) => one.length !== 2 || one.some(Number.isNaN))) return;
    typed.forEach(([x, y], number) => move(number, { x: x / 100, y: y / 100 }));
  });
}

const form = document.querySelector("[data-corners-form]");
const lay = document.querySelector("[data-lay]");
if (form && lay) start(form, lay);
