// The microphone: 16,000 samples a second, and where somebody begins and ends to speak. Nothing is kept.

export const RATE = 16000;
const BLOCK = 320; // 20 ms
const BEFORE = 15; // blocks kept from before somebody began
const BEGIN_BLOCKS = 4;
const END_BLOCKS = 40; // 0.8 s of quiet end a reading
const LONGEST_BLOCKS = 450; // 9 s
const NOTHING_BLOCKS = 750; // 15 s
const LEVELS = 150; // 3 s
const LOUDER = 3.2; // times the noise, as amplitude: 10 dB
const QUIETER = 2;
const FADED = 0.06; // of the loudest
const QUIETEST = 0.001;

// Why there is no sound, in words for whoever holds the probes.
export class NoSound extends Error {}

// A low pass before samples are left out: windowed sinc, cut off below half of the lower rate.
export function lowPass(from) {
  const half = Math.ceil((from / RATE) * 8);
  const cut = (0.45 * RATE) / from;
  const taps = [];
  for (let at = -half; at <= half; at += 1) {
    const sinc = at === 0 ? 2 * cut : Math.sin(2 * Math.PI * cut * at) / (Math.PI * at);
    taps.push(sinc * (0.54 + 0.46 * Math.cos((Math.PI * at) / half)));
  }
  const sum = taps.reduce((total, one) => total + one, 0);
  return taps.map((one) => one / sum);
}

export class Slower {
  constructor(from) {
    this.step = from / RATE;
    this.taps = lowPass(from);
    this.held = [];
    this.at = 0;
  }

  take(samples) {
    if (this.step === 1) return Array.from(samples);
    this.held.push(...samples);
    const made = [];
    while (this.at + this.taps.length < this.held.length) {
      const begin = Math.floor(this.at);
      let sum = 0;
      for (let tap = 0; tap < this.taps.length; tap += 1) sum += this.taps[tap] * this.held[begin + tap];
      made.push(sum);
      this.at += this.step;
    }
    const done = Math.floor(this.at);
    this.held.splice(0, done);
    this.at -= done;
    return made;
  }
}

// Finds one thing said in blocks of 20 ms. `take` answers "", or what ended it: "said", "long" or "nothing".
// What is there in the quietest tenth of the last seconds is the noise; speech stands out of it.
export class Turn {
  constructor(held = false) {
    this.held = held; // a key is held down: only letting go ends it
    this.blocks = [];
    this.levels = [];
    this.count = 0;
    this.loud = 0;
    this.quiet = 0;
    this.peak = 0;
    this.begun = held;
  }

  #noise() {
    const sorted = [...this.levels].sort((one, other) => one - other);
    return Math.max(QUIETEST, sorted[Math.floor(sorted.length / 10)]);
  }

  take(block) {
    const level = Math.sqrt(block.reduce((sum, one) => sum + one * one, 0) / block.length);
    this.blocks.push(block);
    this.levels.push(level);
    if (this.levels.length > LEVELS) this.levels.shift();
    this.count += 1;
    if (this.held) return this.blocks.length > LONGEST_BLOCKS ? "long" : "";
    const noise = this.#noise();
    if (!this.begun) {
      this.loud = level > noise * LOUDER ? this.loud + 1 : 0;
      if (this.loud >= BEGIN_BLOCKS) this.begun = true;
      else if (this.blocks.length > BEFORE + BEGIN_BLOCKS) this.blocks.shift();
      return !this.begun && this.count > NOTHING_BLOCKS ? "nothing" : "";
    }
    this.peak = Math.max(this.peak, level);
    this.quiet = level < Math.max(noise * QUIETER, this.peak * FADED) ? this.quiet + 1 : 0;
    if (this.quiet >= END_BLOCKS) return "said";
    return this.blocks.length > LONGEST_BLOCKS ? "long" : "";
  }

  // What was said, as 16-bit samples.
  samples() {
    const made = new Int16Array(this.blocks.length * BLOCK);
    this.blocks.flat().forEach((one, at) => {
      made[at] = Math.max(-32768, Math.min(32767, Math.round(one * 32767)));
    });
    return made;
  }
}

export function inBase64(samples) {
  const bytes = new Uint8Array(samples.buffer);
  let text = "";
  for (let at = 0; at < bytes.length; at += 8192) text += String.fromCharCode(...bytes.subarray(at, at + 8192));
  return btoa(text);
}

export class Microphone {
  // Opened once, however often it is asked for before it is open.
  open() {
    this.opened ??= this.#open().catch((error) => {
      this.opened = null;
      throw error;
    });
    return this.opened;
  }

  async #open() {
    if (!navigator.mediaDevices?.getUserMedia || !window.AudioWorkletNode) {
      throw new NoSound(
        window.isSecureContext
          ? "This browser gives no microphone to pages. Type the reading, or use another browser."
          : "The browser gives the microphone only to a page of this machine or one over HTTPS. Help, Running it, says how to serve with a certificate.",
      );
    }
    let stream;
    try {
      stream = await navigator.mediaDevices.getUserMedia({ audio: { channelCount: 1, echoCancellation: true, noiseSuppression: false, autoGainControl: false } });
    } catch (error) {
      const why = {
        NotAllowedError: "The microphone is not allowed here. Allow it beside the address of this page, then press Speak again.",
        NotFoundError: "No microphone was found. Plug one in, then press Speak again.",
        NotReadableError: "The microphone is in use by another program. Close that, then press Speak again.",
      };
      throw new NoSound(why[error.name] ?? `The microphone cannot be used (${error.name}). Type the reading.`);
    }
    const context = new AudioContext();
    const shut = () => {
      stream.getTracks().forEach((track) => track.stop());
      context.close();
    };
    try {
      await context.audioWorklet.addModule("/static/js/speak_worklet.js");
    } catch {
      shut();
      throw new NoSound("The program cannot be reached, so nothing can be recognised. Type the reading.");
    }
    const node = new AudioWorkletNode(context, "pass-on");
    context.createMediaStreamSource(stream).connect(node);
    // It must lead somewhere to run; nothing is heard of it.
    const silent = context.createGain();
    silent.gain.value = 0;
    node.connect(silent).connect(context.destination);
    this.slower = new Slower(context.sampleRate);
    this.rest = [];
    node.port.onmessage = (message) => this.#take(message.data);
    await context.resume();
    return shut;
  }

  #take(samples) {
    if (!this.turn) return;
    this.rest.push(...this.slower.take(samples));
    while (this.rest.length >= BLOCK && this.turn) {
      const ended = this.turn.take(this.rest.splice(0, BLOCK));
      if (ended) this.#end(ended);
    }
  }

  #end(how) {
    const { turn, done } = this;
    this.turn = null;
    this.rest = [];
    done?.({ how, samples: turn.samples() });
  }

  // Listens for one thing said; answers how it ended and the samples.
  listen(held = false) {
    this.turn = new Turn(held);
    return new Promise((resolve) => {
      this.done = resolve;
    });
  }

  letGo() {
    if (this.turn) this.#end("said");
  }

  // The key was only tapped: from here on quiet ends it.
  goOn() {
    if (!this.turn) return;
    const { blocks, levels } = this.turn;
    this.turn = Object.assign(new Turn(), { blocks, levels });
  }

  stop() {
    if (this.turn) this.#end("stopped");
  }

  close() {
    this.stop();
    this.opened?.then((shut) => shut(), () => {});
    this.opened = null;
  }
}
