// Keys for speaking, chosen on the device: a foot switch is a keyboard with one key.

const KEPT = "kb-speak-keys";
const FIRST = { listen: "F9", yes: "F8", aloud: "F2" };

function chosen() {
  try {
    return { ...FIRST, ...JSON.parse(localStorage.getItem(KEPT) ?? "{}") };
  } catch {
    return { ...FIRST };
  }
}

const shown = (key) => (key === " " ? "Space" : key);

// Calls `pressed(what)` and `released(what)`; a letter that is typed into a field is a letter.
export function listenToKeys(part, pressed, released) {
  let keys = chosen();
  let choosing = "";
  const show = () => {
    for (const one of part.querySelectorAll("[data-speak-key]")) one.textContent = shown(keys[one.dataset.speakKey]);
  };
  const what = (event) => Object.keys(keys).find((name) => keys[name] === event.key);
  const typing = (event) => event.key.length === 1 && event.target.closest?.("input, textarea, select");
  for (const button of part.querySelectorAll("[data-speak-choose]")) {
    button.addEventListener("click", () => {
      choosing = button.dataset.speakChoose;
      part.querySelector(`[data-speak-key="${choosing}"]`).textContent = "press a key";
    });
  }
  document.addEventListener("keydown", (event) => {
    if (choosing) {
      event.preventDefault();
      if (event.key !== "Escape" && event.key !== "Tab") {
        for (const name of Object.keys(keys)) if (keys[name] === event.key) keys[name] = "none";
        keys[choosing] = event.key;
        localStorage.setItem(KEPT, JSON.stringify(keys));
      }
      choosing = "";
      show();
      return;
    }
    const name = what(event);
    if (!name || event.repeat || event.ctrlKey || event.altKey || event.metaKey || typing(event)) {
      if (name && event.repeat && !typing(event)) event.preventDefault();
      return;
    }
    event.preventDefault();
    pressed(name);
  });
  document.addEventListener("keyup", (event) => {
    const name = what(event);
    if (name && !typing(event)) released(name);
  });
  show();
}
