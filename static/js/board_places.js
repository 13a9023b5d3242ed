// What the pages of a board's picture share: where a press lies on it, and a cross that the arrow keys move.

export const SVG = "http://www.w3.org/2000/svg";

export function within(value) {
  return Math.min(1, Math.max(0, value));
}

// The place of a press as fractions of an image, whatever its size on the screen.
export function placeOf(event, image) {
  const box = image.getBoundingClientRect();
  return { x: within((event.clientX - box.left) / box.width), y: within((event.clientY - box.top) / box.height) };
}

export function perCent(share, digits = 2) {
  return String(Number((100 * share).toFixed(digits)));
}

export function written(place, digits = 2) {
  return `${perCent(place.x, digits)} ${perCent(place.y, digits)}`;
}

export function read(text) {
  const numbers = text.trim().split(/\s+/).map((part) => Number(part.replace(",", ".").replace("%", "")));
  if (numbers.length !== 2 || numbers.some((one) => !Number.isFinite(one))) return null;
  return { x: numbers[0] / 100, y: numbers[1] / 100 };
}

const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

// Which way an arrow key moves something, in fractions; null for every other key. With Shift by little.
export function step(event, image, large = 0.01, little = 0.001) {
  const way = ARROWS[event.key];
  if (!way || event.ctrlKey || event.metaKey || event.altKey) return null;
  const size = event.shiftKey ? little : large;
  // As far up and down as sideways on the screen.
  return { x: way[0] * size, y: (way[1] * size * image.width) / image.height };
}

export function put(element, place) {
  element.style.left = `${100 * place.x}%`;
  element.style.top = `${100 * place.y}%`;
}

// Calls `work` with the newest event once for each picture the screen shows.
export function eachFrame(work) {
  let newest = null;
  return (event) => {
    if (!newest) requestAnimationFrame(() => {
      const last = newest;
      newest = null;
      work(last);
    });
    newest = event;
  };
}

// A cross over the picture that the arrow keys move while the board has the focus; Enter calls `press`.
export function cross(board, sheet, image, press) {
  const element = document.createElement("span");
  element.className = "cross";
  element.hidden = true;
  element.setAttribute("aria-hidden", "true");
  sheet.append(element);
  const at = { x: 0.5, y: 0.5 };
  function show() {
    element.hidden = false;
    put(element, at);
    const box = element.getBoundingClientRect();
    const frame = board.getBoundingClientRect();
    if (box.left < frame.left || box.right > frame.right) board.scrollLeft += box.left - frame.left - frame.width / 2;
    if (box.top < frame.top || box.bottom > frame.bottom) board.scrollTop += box.top - frame.top - frame.height / 2;
  }
  board.addEventListener("keydown", (event) => {
    if (event.target !== board) return;
    const by = step(event, image);
    if (by) {
      event.preventDefault();
      at.x = within(at.x + by.x);
      at.y = within(at.y + by.y);
      show();
    } else if (event.key === "Enter" || event.key === " ") {
      event.preventDefault();
      show();
      press({ ...at });
    }
  });
  board.addEventListener("blur", () => { element.hidden = true; });
  return at;
}
