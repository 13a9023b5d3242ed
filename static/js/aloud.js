// The browser's own voice. Only voices of this device are used: the others send what they say over the network.

const EACH = "kb-read-each-step";

export async function voice() {
  const speech = window.speechSynthesis;
  if (!speech || !window.SpeechSynthesisUtterance) return null;
  if (!speech.getVoices().length) {
    // The list comes late in some browsers.
    await new Promise((resolve) => {
      speech.addEventListener("voiceschanged", resolve, { once: true });
      setTimeout(resolve, 1000);
    });
  }
  return speech.getVoices().find((one) => one.localService && one.lang.toLowerCase().startsWith("en")) ?? null;
}

// Says a text to its end; false where there is no voice for it.
export async function say(text) {
  const with_ = await voice();
  if (!with_ || !text) return false;
  speechSynthesis.cancel();
  const said = new SpeechSynthesisUtterance(text);
  said.voice = with_;
  said.lang = with_.lang;
  return new Promise((resolve) => {
    said.onend = () => resolve(true);
    said.onerror = () => resolve(false);
    // A voice that never ends must not keep the page from listening.
    setTimeout(() => resolve(true), 2000 + text.length * 120);
    speechSynthesis.speak(said);
  });
}

export function hush() {
  window.speechSynthesis?.cancel();
}

const plain = (elements) =>
  [...elements].map((one) => one.textContent.replace(/\s+/g, " ").trim()).filter(Boolean);

// The step as it is read: its judgement where there is one, then caution, instruction and what is expected.
export function textOfStep() {
  const judged = plain(document.querySelectorAll(".judged__head, .judged__head + p"));
  const doing = plain(document.querySelectorAll(".step__do .notice--trouble p, .caution--step > div > ul > li, .step__how, .step__expected"));
  const next = document.querySelector(".step__do a[data-focus-first]");
  const title = plain(document.querySelectorAll(".step-head h1"));
  return [...title, ...judged, ...doing, ...(judged.length && next ? plain([next]) : [])].join(". ").replace(/([.?!:])\./g, "$1");
}

export function readSteps() {
  const part = document.querySelector("[data-aloud]");
  if (!part) return;
  part.hidden = false;
  const says = part.querySelector("[data-aloud-says]");
  const each = part.querySelector("[data-aloud-each]");
  const read = async () => {
    says.textContent = "";
    if (!(await voice())) says.textContent = "This browser has no voice of its own, so the step cannot be read aloud.";
    else await say(textOfStep());
  };
  part.querySelector("[data-aloud-read]").addEventListener("click", read);
  each.checked = localStorage.getItem(EACH) === "yes";
  each.addEventListener("change", () => {
    localStorage.setItem(EACH, each.checked ? "yes" : "no");
    if (each.checked) read();
    else hush();
  });
  document.addEventListener("kb-read-aloud", read);
  return each.checked ? read() : undefined;
}
