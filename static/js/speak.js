// Speak a reading: one thing is said, the server says what it was, and nothing counts before its yes.

import { hush, readSteps, say } from "./aloud.js";
import { listenToKeys } from "./speak_keys.js";
import { PAGES } from "./speak_pages.js";
import { inBase64, Microphone, NoSound } from "./speak_sound.js";
import { within } from "./within.js";

const GOING_ON = "kb-speak-goes-on";
const HOLD_MS = 400;
const ANSWER_MS = 60_000; // the recogniser is loaded with the first
const MOST_MISSES = 3;

class Talk {
  constructor(part) {
    this.part = part;
    this.page = PAGES[part.dataset.speak];
    this.microphone = new Microphone();
    this.waiting = null;
    this.misses = 0;
    this.listening = false;
    this.talk = 0; // counts what was begun and stopped: an answer to what was said before changes nothing any more
    this.find = (name) => part.querySelector(`[data-speak-${name}]`);
    this.find("listen").addEventListener("click", () => (this.listening ? this.stop() : this.start()));
    this.find("yes").addEventListener("click", () => this.confirm());
    this.find("no").addEventListener("click", () => this.refuse());
    listenToKeys(part, (what) => this.pressed(what), (what) => this.released(what));
    part.hidden = false;
    window.addEventListener("pagehide", () => this.microphone.close());
  }

  // Shown always, said where the browser has a voice of its own.
  async tell(text, aloud = true) {
    this.find("says").textContent = text;
    if (aloud) await say(text);
  }

  where() {
    const { speak, run, step } = this.part.dataset;
    const family = this.part.dataset.family || document.querySelector("input[name=family]")?.value.trim() || "";
    return { page: speak, family: family.slice(0, 200), run, step: Number(step) };
  }

  async ask(path, more = {}) {
    const { answer, body } = await within(ANSWER_MS, async (signal) => {
      const answer = await fetch(`/api/speech/${path}`, {
        method: "POST",
        headers: { "Content-Type": "application/json" },
        body: JSON.stringify({ ...this.where(), ...more }),
        signal,
      });
      return { answer, body: await answer.json() };
    }).catch(() => ({}));
    if (!answer) throw new NoSound("The program cannot be reached, so nothing can be recognised. Type the reading.");
    if (!answer.ok) throw new NoSound(`${body.error.message} ${body.error.remedy ?? ""}`.trim());
    return body;
  }

  async start(held = false) {
    if (this.listening) return;
    this.listening = true;
    const mine = (this.talk += 1);
    this.misses = 0;
    this.find("listen").setAttribute("aria-pressed", "true");
    this.find("listen").textContent = "Stop listening";
    try {
      await this.microphone.open();
      const ready = this.ask("ready");
      ready.catch(() => {}); // it is awaited below
      await this.#rounds(held, ready, mine);
    } catch (error) {
      if (!(error instanceof NoSound)) throw error;
      if (mine === this.talk) await this.tell(error.message, false);
    } finally {
      if (mine === this.talk) this.#ended();
    }
  }

  #ended() {
    this.listening = false;
    this.find("listen").setAttribute("aria-pressed", "false");
    this.find("listen").textContent = "Speak";
  }

  async #rounds(held, ready, mine) {
    for (let first = true; mine === this.talk; first = false) {
      this.find("says").textContent = this.waiting ? `${this.waiting.say}? Say yes or no.` : "Listening.";
      const { how, samples } = await this.microphone.listen(held && first && this.down);
      if (how === "stopped") return;
      if (how === "nothing") {
        sessionStorage.removeItem(GOING_ON);
        await this.tell("Nothing was heard. Press Speak to listen again.");
        return;
      }
      if (how === "long") {
        await this.tell("That went on for longer than 9 s. Say one reading at a time, and somewhere quieter.");
        if (this.#missed()) return;
        continue;
      }
      await ready;
      const told = await this.ask("heard", { sound: inBase64(samples), waiting: this.waiting });
      if (mine !== this.talk) return; // stopped, or answered by hand meanwhile
      if (!(await this.#act(told))) return;
    }
  }

  // True when too often nothing was understood: noise must not go on asking for ever.
  #missed() {
    this.misses += 1;
    if (this.misses < MOST_MISSES) return false;
    sessionStorage.removeItem(GOING_ON);
    this.find("says").textContent = "Not understood three times. It may be too loud here: type the reading, or press Speak again.";
    return true;
  }

  // Does what the answer says; answers whether to go on listening.
  async #act(told) {
    this.part.dataset.words = told.words;
    if (told.outcome === "again") {
      this.#wait(told.entry && !told.entry.doubted ? told.entry : null);
      this.waiting = told.entry;
      await this.tell(told.say);
      return told.words ? true : !this.#missed();
    }
    this.misses = 0;
    if (told.outcome === "wait") {
      this.#wait(told.entry);
      await this.tell(told.say);
      return true;
    }
    if (told.outcome === "keep") return this.#keep(told.entry);
    if (told.command === "stop") {
      this.#wait(null);
      sessionStorage.removeItem(GOING_ON);
      await this.tell("No longer listening.");
      return false;
    }
    if (told.command === "read") {
      document.dispatchEvent(new Event("kb-read-aloud"));
      return true;
    }
    sessionStorage.setItem(GOING_ON, "yes");
    const said = this.page.command(told.command, Number(this.part.dataset.step));
    if (said) await this.tell(said);
    return Boolean(said);
  }

  #wait(entry) {
    this.waiting = entry;
    const waits = this.find("waits");
    waits.hidden = !entry;
    this.find("entry").textContent = entry ? `${entry.say}?` : "";
    if (entry) this.find("yes").focus({ preventScroll: true });
  }

  async #keep(entry) {
    this.#wait(null);
    hush();
    sessionStorage.setItem(GOING_ON, "yes");
    const said = this.page.enter(entry);
    if (said) await this.tell(said);
    return Boolean(said);
  }

  // By button or key, which end the turn of the microphone that was waiting for the same answer.
  async confirm() {
    const entry = this.waiting;
    if (!entry || entry.doubted) return;
    const wentOn = this.listening;
    this.stop(true);
    if ((await this.#keep(entry)) && wentOn) setTimeout(() => this.start());
  }

  async refuse() {
    const { waiting } = this;
    if (!waiting) return;
    this.stop(true);
    const other = waiting.twin ? { ...waiting, text: waiting.twin, say: waiting.twin_say, twin: "", twin_say: "" } : null;
    this.#wait(other);
    await this.tell(other ? `${other.say}?` : "Left out. Say it again.");
  }

  stop(quietly = false) {
    if (!quietly) {
      sessionStorage.removeItem(GOING_ON);
      this.find("says").textContent = "No longer listening.";
    }
    hush();
    this.talk += 1;
    this.#ended();
    this.microphone.stop();
  }

  pressed(what) {
    if (what === "aloud") document.dispatchEvent(new Event("kb-read-aloud"));
    if (what === "yes") this.confirm();
    if (what !== "listen") return;
    hush();
    this.pressedAt = Date.now();
    this.down = true;
    if (this.listening) this.stop();
    else this.start(true);
  }

  // A short press goes on listening until there is quiet; held down, letting go ends it.
  released(what) {
    if (what !== "listen") return;
    this.down = false;
    if (!this.listening || !this.microphone.turn?.held) return;
    if (Date.now() - this.pressedAt >= HOLD_MS) this.microphone.letGo();
    else this.microphone.goOn();
  }
}

const part = document.querySelector("[data-speak]");
const talk = part ? new Talk(part) : null;
const read = readSteps();
if (talk && sessionStorage.getItem(GOING_ON)) Promise.resolve(read).then(() => talk.start());
