// Small helps at the bench: a clock for the soak, a button that prints, files that are dropped. Nothing here is needed.

function runClocks() {
  for (const timer of document.querySelectorAll(".timer")) {
    const button = timer.querySelector("button");
    const shown = timer.querySelector("output");
    const whole = Number(timer.dataset.seconds);
    const key = `clock ${location.pathname}`;
    let started = Number(sessionStorage.getItem(key));
    const show = () => {
      const left = Math.max(0, Math.ceil(whole - (Date.now() - started) / 1000));
      shown.textContent = left ? `${Math.floor(left / 60)}:${String(left % 60).padStart(2, "0")} to go` : "Time is up: read the meter.";
      if (left) setTimeout(show, 500);
    };
    button.hidden = false;
    button.addEventListener("click", () => {
      started = Date.now();
      sessionStorage.setItem(key, started);
      show();
    });
    if (started) show();
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
