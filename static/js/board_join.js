// Marks the same three places on the older and the newer picture of a board.

import { cross, placeOf, put, read, written } from "./board_places.js";

const MOST = 3;

function start(form) {
  const told = form.querySelector("[data-told]");
  const again = form.querySelector("[data-again]");
  const halves = [...form.querySelectorAll("[data-join]")].map((board) => {
    const sheet = board.querySelector("[data-sheet]");
    const field = form.elements[board.dataset.join];
    return { board, sheet, field, image: sheet.querySelector("img"), places: [], title: board.getAttribute("aria-label").split(".")[0] };
  });

  function show(half) {
    half.sheet.querySelectorAll(".shared").forEach((one) => one.remove());
    half.places.forEach((place, number) => {
      const mark = document.createElement("span");
      mark.className = "shared";
      mark.textContent = String(number + 1);
      put(mark, place);
      half.sheet.append(mark);
    });
    half.field.value = half.places.map((place) => written(place)).join(", ");
    tell();
  }

  function tell() {
    const missing = halves.map((half) => MOST - half.places.length);
    const next = halves.find((half) => half.places.length === Math.min(...halves.map((one) => one.places.length)));
    told.textContent = missing.some(Boolean)
      ? `Press place ${next.places.length + 1} on ${next.title.toLowerCase()}.`
      : "All three are marked.";
    again.hidden = !halves.some((half) => half.places.length);
  }

  for (const half of halves) {
    const press = (place) => {
      if (half.places.length === MOST) half.places.pop();
      half.places.push(place);
      show(half);
    };
    half.sheet.addEventListener("click", (event) => press(placeOf(event, half.image)));
    cross(half.board, half.sheet, half.image, press);
    half.places = half.field.value.split(",").map(read).filter(Boolean).slice(0, MOST);
    half.field.addEventListener("change", () => {
      half.places = half.field.value.split(",").map(read).filter(Boolean).slice(0, MOST);
      show(half);
    });
    if (half.places.length) show(half);
  }
  again.addEventListener("click", () => {
    for (const half of halves) {
      half.places = [];
      show(half);
    }
  });
  tell();
}

const form = document.querySelector("[data-join-form]");
if (form) start(form);
