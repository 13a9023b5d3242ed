// Small helps at the bench: a clock for the soak, a button that prints, files that are dropped. Nothing here is needed.

// The clock itself runs in the store: this only shows it, and rings when its time is up.
function ring() {
  const Audio = window.AudioContext || window.webkitAudioContext;
  if (!Audio) return;
  const sound = new Audio();
  for (const at of [0, 0.5, 1]) {
    const tone = sound.createOscillator();
    tone.frequency.value = 880;
    tone.connect(sound.destination);
    tone.start(sound.currentTime + at);
    tone.stop(sound.currentTime + at + 0.25);
  }
}

function runClocks() {
  for (const timer of document.querySelectorAll(".timer[data-gone]")) {
    const shown = timer.querySelector("output");
    const held = document.querySelector("input[name=held]");
    const whole = Number(timer.dataset.seconds);
    const begun = Date.now() - Number(timer.dataset.gone) * 1000;
    const typedByClock = held ? held.value : "";
    let rung = Number(timer.dataset.gone) >= whole;
    const show = () => {
      const gone = Math.floor((Date.now() - begun) / 1000);
      const left = Math.max(0, whole - gone);
      shown.textContent = left ? `${Math.floor(left / 60)}:${String(left % 60).padStart(2, "0")} to go` : "Time is up: read the meter.";
      if (held && (held.value === typedByClock || held.dataset.clock === held.value)) {
        held.value = gone < 120 ? `${gone} s` : `${(gone / 60).toFixed(1)} min`;
        held.dataset.clock = held.value;
      }
      if (!left && !rung) {
        rung = true;
        document.title = `Time is up: ${document.title}`;
        ring();
      }
      setTimeout(show, 500);
    };
    show();
  }
}

function offerPrinting() {
  for (const button of document.querySelectorAll("[data-print]")) {
    button.hidden = false;
    button.addEventListener("click", () => window.print());
  }
}

// A file may be dropped anywhere on the form that takes one.
function takeDroppedFiles() {
  for (const input of document.querySelectorAll("form input[type=file]")) {
    const form = input.form;
    form.addEventListener("dragover", (event) => event.preventDefault());
    form.addEventListener("drop", (event) => {
      if (!event.dataTransfer?.files.length) return;
      event.preventDefault();
      input.files = event.dataTransfer.files;
      input.focus();
    });
  }
}

runClocks();
takeDroppedFiles();
offerPrinting();
