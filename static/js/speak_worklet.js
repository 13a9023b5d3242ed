// Passes on what the microphone takes, a block at a time. Runs beside the page, where sound is worked on.

class PassOn extends AudioWorkletProcessor {
  process(inputs) {
    const channel = inputs[0][0];
    if (channel) this.port.postMessage(channel.slice());
    return true;
  }
}

registerProcessor("pass-on", PassOn);
