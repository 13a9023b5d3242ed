// Keeps the bar of long work moving and shows the page again when it is over.
import { within } from "./within.js";

const ANSWER_MS = 20_000;
const place = document.querySelector("[data-job][data-over=no]");
const spaced = (number) => String(number).replace(/\B(?=(\d{3})+$)/g, " ");

async function look() {
  let job;
  try {
    job = await within(ANSWER_MS, async (signal) => {
      const answer = await fetch(`/jobs/${place.dataset.job}/state`, { headers: { Accept: "application/json" }, signal });
      if (!answer.ok) throw new Error(answer.statusText);
      return answer.json();
    });
  } catch {
    setTimeout(look, 3000);
    return;
  }
  if (job.over) {
    location.reload();
    return;
  }
  const bar = place.querySelector("progress");
  if (job.total) {
    bar.max = job.total;
    bar.value = job.done;
  }
  if (job.state === "running") {
    const of = job.total ? ` of ${spaced(job.total)}` : "";
    place.querySelector("[data-job-words]").textContent = `Under way: ${spaced(job.done)}${of} ${job.unit}`;
  }
  setTimeout(look, 700);
}

if (place) setTimeout(look, 400);
