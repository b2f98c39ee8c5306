// How loud it is, measured on the audio thread: posts the largest sample and the mean power about twenty times a second.

class Level extends AudioWorkletProcessor {
  constructor() {
    super();
    this.peak = 0;
    this.power = 0;
    this.count = 0;
  }

  process(inputs) {
    const samples = inputs[0][0];
    if (samples) {
      for (const value of samples) {
        const size = Math.abs(value);
        if (size > this.peak) this.peak = size;
        this.power += value * value;
      }
    }
    this.count += 128;
    if (this.count >= sampleRate / 20) {
      this.port.postMessage({ peak: this.peak, level: Math.sqrt(this.power / this.count) });
      this.peak = this.power = this.count = 0;
    }
    return true;
  }
}

registerProcessor("level", Level);
