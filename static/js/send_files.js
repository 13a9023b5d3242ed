// Sends files one by one as soon as they are chosen, in the order in which they were chosen, shows how far
// each is, and lets a broken one be sent again. Without it the form sends them all at once.

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
      else done({ why: told(answer, request.status), again: request.status >= 500 });
    });
    const broken = () => done({ why: "The connection broke.", again: true });
    request.addEventListener("error", broken);
    request.addEventListener("abort", broken);
    request.open("POST", url);
    request.send(body);
  });
}

function small(kept) {
  const home = `/cases/${encodeURIComponent(kept.case)}`;
  const link = document.createElement("a");
  link.className = "shot__link";
  link.href = `${home}/photos/${kept.file}`;
  const words = document.createElement("span");
  words.className = "shot__words";
  words.textContent = kept.caption || (kept.width_px ? "New picture" : "New document");
  if (kept.width_px) {
    const frame = document.createElement("span");
    frame.className = "shot__frame";
    const image = document.createElement("img");
    image.alt = "";
    image.width = kept.width_px;
    image.height = kept.height_px;
    image.src = `${home}/files/${kept.file}/small`;
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

function show(form, kept) {
  const none = document.querySelector("[data-none-yet]");
  let shots = document.querySelector(".shots:not([data-removed])");
  if (!shots) {
    shots = document.createElement("ul");
    shots.className = "shots";
    if (none) none.replaceWith(shots);
    else form.before(shots);
  }
  if (![...shots.querySelectorAll("a")].some((link) => link.href.endsWith(kept.file))) shots.append(small(kept));
}

function start(form) {
  const list = form.querySelector("[data-sending]");
  const waiting = [];
  let busy = false;

  async function next() {
    if (busy) return;
    busy = true;
    while (waiting.length) await one(...waiting.shift());
    busy = false;
  }

  function take(files) {
    for (const file of files) waiting.push([file, line(list, file)]);
    next();
  }

  async function one(file, shown) {
    const result = await send(form.dataset.send, file, shown);
    shown.bar.remove();
    if (result.kept) {
      shown.state.textContent = "kept";
      show(form, result.kept);
      return;
    }
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
