// A recording made in the browser: microphone in, one blob out. Knows nothing of the page.

// What keeps a chanter as it sounds: every effect made for speech is off. Wishes, not demands: a browser that cannot
// switch one off still records.
const WISHES = { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1 };
// Safari loses the end of a recording without a timeslice and makes empty ones with a very short one.
const TIMESLICE_MS = 1000;
const BITS_PER_SECOND = 160000;
const WEBM = ["audio/webm;codecs=opus", "audio/webm", "audio/ogg;codecs=opus"];
const MP4 = ["audio/mp4;codecs=mp4a.40.2", "audio/mp4"];

export function canRecord() {
  return Boolean(window.isSecureContext && navigator.mediaDevices?.getUserMedia && window.MediaRecorder);
}

function chosenType() {
  // Apple's own browser writes AAC best; all others Opus.
  const types = navigator.vendor?.startsWith("Apple") ? [...MP4, ...WEBM] : [...WEBM, ...MP4];
  return types.find((type) => MediaRecorder.isTypeSupported(type)) ?? "";
}

export class Recorder {
  #stream; #recorder; #parts = []; #context; #analyser; #buffer; #startedAt = 0; #lock; #finished;

  // Resolves when the microphone is open and recording. Rejects with the browser's own error.
  async start() {
    this.#stream = await navigator.mediaDevices.getUserMedia({ audio: WISHES });
    try {
      const [track] = this.#stream.getAudioTracks();
      this.settings = { ...track.getSettings() };
      const type = chosenType();
      this.#recorder = new MediaRecorder(this.#stream, { ...(type && { mimeType: type }), audioBitsPerSecond: BITS_PER_SECOND });
      this.#recorder.addEventListener("dataavailable", (event) => { if (event.data.size) this.#parts.push(event.data); });
      this.#finished = new Promise((resolve) => { this.#recorder.addEventListener("stop", resolve, { once: true }); });
      // Unplugged, or taken by a call: what was recorded so far is kept.
      track.addEventListener("ended", () => this.#recorder.state !== "inactive" && this.#recorder.stop());
      this.#watchLevel();
      this.#recorder.start(TIMESLICE_MS);
      this.#startedAt = performance.now();
      this.#keepAwake();
      document.addEventListener("visibilitychange", this.#keepAwake);
    } catch (error) {
      this.#release();
      throw error;
    }
  }

  get seconds() { return (performance.now() - this.#startedAt) / 1000; }

  // Resolves when the recording has ended, by stop() or by itself.
  get finished() { return this.#finished; }

  // The level since the last call: {peak, loud}, the peak from 0 to 1 on a scale of 60 dB, loud where it overdrives.
  level() {
    this.#analyser.getFloatTimeDomainData(this.#buffer);
    let peak = 0;
    for (const value of this.#buffer) peak = Math.max(peak, Math.abs(value));
    return { peak: Math.max(0, 1 + Math.log10(peak + 1e-9) / 3), loud: peak > 0.98 };
  }

  // Ends the recording; resolves to {blob, seconds, settings}.
  async stop() {
    const seconds = this.seconds;
    if (this.#recorder.state !== "inactive") this.#recorder.stop();
    await this.#finished;
    const type = this.#recorder.mimeType;
    // The microphone is closed before anything is played: phones play quietly while it is open.
    this.#release();
    return { blob: new Blob(this.#parts, { type }), seconds, settings: { ...this.settings, mimeType: type } };
  }

  #watchLevel() {
    this.#context = new AudioContext();
    this.#context.resume();
    this.#analyser = new AnalyserNode(this.#context, { fftSize: 4096 });
    this.#buffer = new Float32Array(this.#analyser.fftSize);
    this.#context.createMediaStreamSource(this.#stream).connect(this.#analyser);
  }

  // A screen that goes dark ends many a recording. The lock is lost whenever the page is hidden, so it is asked for again.
  #keepAwake = async () => {
    if (document.visibilityState !== "visible" || !navigator.wakeLock) return;
    try {
      this.#lock = await navigator.wakeLock.request("screen");
    } catch {
      // Low battery and the like: the recording goes on without.
    }
  };

  #release() {
    document.removeEventListener("visibilitychange", this.#keepAwake);
    this.#lock?.release();
    this.#stream?.getTracks().forEach((track) => track.stop());
    this.#context?.close();
  }
}

// What to do about a microphone that would not open.
export function microphoneTrouble(error) {
  if (error.name === "NotAllowedError") return "The microphone is not allowed to this page. Allow it in the browser's settings for this site, or send a recording made elsewhere.";
  if (error.name === "NotFoundError") return "No microphone was found. Plug one in, or send a recording made elsewhere.";
  if (error.name === "NotReadableError") return "Another program is using the microphone. Close it and start again.";
  return "The browser could not record. Send a recording made elsewhere.";
}
