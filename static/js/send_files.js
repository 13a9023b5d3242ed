// Sends files one by one as soon as they are chosen, in the order in which they were chosen, shows how far
// each is, and lets a broken one be sent again. Where the device can keep it (outbox.js), each is kept there until the
// server has it, and goes by itself when that is back. Without all of it the form sends them all at once.

import * as kept from "./kept.js";
import * as outbox from "./outbox.js";

const LARGEST_KEPT = 30_000_000; // bytes; sealing needs the whole file in memory

function line(list, file) {
  const item = document.createElement("li");
  const name = document.createElement("span");
  const state = document.createElement("span");
  const bar = document.createElement("progress");
  const label = `Sending ${file.name}`;
  name.textContent = file.name;
  state.className = "soft";
  state.textContent = "waiting";
  bar.max = 1;
  bar.value = 0;
  bar.setAttribute("aria-label", label);
  item.append(name, state, bar);
  list.hidden = false;
  list.append(item);
  return { item, state, bar };
}

function told(answer, status) {
  const error = answer?.error;
  if (error) return [error.message, error.remedy].filter(Boolean).join(" ");
  return status === 413 ? "This is larger than may be sent." : "The program could not keep it.";
}

// Answers {kept} or {why, again}: `again` where sending the same once more may help.
function send(url, file, shown) {
  return new Promise((done) => {
    const request = new XMLHttpRequest();
    const body = new FormData();
    body.append("file", file);
    request.upload.addEventListener("progress", (event) => {
      if (!event.lengthComputable) return;
      shown.bar.value = event.loaded / event.total;
      shown.state.textContent = event.loaded < event.total ? `${Math.floor((100 * event.loaded) / event.total)} %` : "being checked";
    });
    request.addEventListener("load", () => {
      let answer = null;
      try {
        answer = JSON.parse(request.responseText);
      } catch {
        // told below by the status alone
      }
      if (request.status === 201) done({ kept: answer.files[0] });
      else done({ why: told(answer, request.status), again: request.status >= 500 || request.status === 401 });
    });
    const broken = () => done({ why: "The connection broke.", again: true });
    for (const name of ["error", "abort", "timeout"]) request.addEventListener(name, broken);
    request.open("POST", url);
    request.timeout = outbox.sendingTakes(file.size);
    request.send(body);
  });
}

function small(file) {
  const home = `/cases/${encodeURIComponent(file.case)}`;
  const link = document.createElement("a");
  link.className = "shot__link";
  link.href = `${home}/photos/${file.file}`;
  const words = document.createElement("span");
  words.className = "shot__words";
  words.textContent = file.caption || (file.width_px ? "New picture" : "New document");
  if (file.width_px) {
    const frame = document.createElement("span");
    frame.className = "shot__frame";
    const image = document.createElement("img");
    image.alt = "";
    image.width = file.width_px;
    image.height = file.height_px;
    image.src = `${home}/files/${file.file}/small`;
    frame.append(image);
    link.append(frame);
  } else {
    const paper = document.createElement("span");
    paper.className = "shot__paper";
    paper.textContent = "PDF";
    link.append(paper);
  }
  link.append(words);
  const item = document.createElement("li");
  item.className = "shot";
  item.append(link);
  return item;
}

function show(form, file) {
  const none = document.querySelector("[data-none-yet]");
  let shots = document.querySelector(".shots:not([data-removed])");
  if (!shots) {
    shots = document.createElement("ul");
    shots.className = "shots";
    if (none) none.replaceWith(shots);
    else form.before(shots);
  }
  if (![...shots.querySelectorAll("a")].some((link) => link.href.endsWith(file.file))) shots.append(small(file));
}

function start(form) {
  const list = form.querySelector("[data-sending]");
  const waiting = [];
  let busy = false;

  async function next() {
    if (busy) return;
    busy = true;
    while (waiting.length) {
      const [file, shown, number] = waiting.shift();
      // Where the device fails beside the server, the next files go all the same.
      await one(file, shown, await number).catch(() => notKept(file, shown, { why: "The device could not keep it.", again: true }));
    }
    busy = false;
  }

  function take(files) {
    // All are put on the device at once, so that what is still to be sent outlives the page.
    for (const file of files) waiting.push([file, line(list, file), held(file)]);
    next();
  }

  // The number of the file in the queue of the device, 0 where it cannot be kept there.
  async function held(file) {
    if (!kept.here || !kept.sealed || file.size > LARGEST_KEPT) return 0;
    try {
      const title = document.querySelector("h1")?.textContent.trim() ?? "";
      return await outbox.addFile({ action: form.dataset.send, title, held: true }, file);
    } catch {
      return 0;
    }
  }

  async function one(file, shown, number) {
    const now = () => send(form.dataset.send, file, shown);
    const result = number ? await outbox.sendInTurn(number, now) : await now();
    shown.bar.remove();
    if (result.again && number) {
      shown.state.textContent = "kept on this device; it goes by itself when the server is back";
      document.addEventListener("outbox-sent", ({ detail }) => {
        if (detail.number !== number || !detail.file) return;
        shown.state.textContent = "kept";
        show(form, detail.file);
      });
      outbox.flush().catch(() => {});
      return;
    }
    if (result.kept) {
      shown.state.textContent = "kept";
      show(form, result.kept);
      return;
    }
    notKept(file, shown, result);
  }

  function notKept(file, shown, result) {
    shown.bar.remove();
    shown.state.textContent = "not kept";
    const why = document.createElement("span");
    why.className = "sending__why";
    why.textContent = result.why;
    shown.item.append(why);
    if (!result.again) return;
    const again = document.createElement("button");
    again.type = "button";
    again.className = "button";
    again.textContent = "Send again";
    const name = document.createElement("span");
    name.className = "unseen";
    name.textContent = ` ${file.name}`;
    again.append(name);
    again.addEventListener("click", () => {
      shown.item.remove();
      take([file]);
    });
    shown.item.append(again);
  }

  form.classList.add("send--live");
  form.addEventListener("change", (event) => {
    const input = event.target;
    if (input.type !== "file") return;
    take(input.files);
    // Emptied, so that the same picture may be chosen once more and nothing is sent twice.
    input.value = "";
  });
  form.addEventListener("dragover", (event) => event.preventDefault());
  form.addEventListener("drop", (event) => {
    if (!event.dataTransfer?.files.length) return;
    event.preventDefault();
    take(event.dataTransfer.files);
  });
  window.addEventListener("beforeunload", (event) => {
    if (busy) event.preventDefault();
  });
}

document.querySelectorAll("form[data-send]").forEach(start);
