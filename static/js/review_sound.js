// The way of all sound of the review page: clips decoded and played by Web Audio, the take's own element beside them,
// both through one meter. Nothing is opened before somebody asks for sound.

const RATE_HZ = 48000; // that of every clip: a resampled loop would have a seam
const KEPT = 24;
const QUIETEST_DB = -48;

/** An error whose message is the studio's own sentence; the browser's messages are not for people. */
export class SaidError extends Error {}

/** The sound of the page. `element` is the take's audio element, `meter` the place that shows the level. */
export function openSound(element, { meter, meterModule, loudness }) {
  const files = new Map(); // address: promise of its bytes
  let context = null;
  let out = null;

  function start() {
    if (context) {
      context.resume();
      return;
    }
    if (navigator.audioSession) navigator.audioSession.type = "playback"; // else a phone's silent switch mutes it
    context = new AudioContext({ sampleRate: RATE_HZ, latencyHint: "interactive" });
    out = context.createGain();
    out.connect(context.destination);
    const even = context.createGain();
    context.createMediaElementSource(element).connect(even).connect(out);
    evenOut(even);
    watchLevel();
    context.resume();
  }

  // Takes differ by a phone's distance; the whole take is raised as its clips are.
  async function evenOut(even) {
    try {
      const answer = await fetch(loudness);
      if (answer.ok) even.gain.value = (await answer.json()).gain;
    } catch {
      // As it was recorded, then.
    }
  }

  async function watchLevel() {
    try {
      await context.audioWorklet.addModule(meterModule);
    } catch {
      return; // no meter in this browser
    }
    const level = new AudioWorkletNode(context, "level", { channelCount: 1, channelCountMode: "explicit" });
    out.connect(level).connect(context.destination); // silent itself, but only what is connected is run
    meter.hidden = false;
    const bar = meter.firstElementChild;
    level.port.onmessage = ({ data }) => {
      const share = Math.max(0, 1 - (20 * Math.log10(Math.max(data.level, 1e-6))) / QUIETEST_DB);
      bar.style.transform = `scaleX(${Math.min(1, share).toFixed(3)})`;
      meter.setAttribute("aria-valuenow", String(Math.round(100 * Math.min(1, share))));
      meter.classList.toggle("is-loud", data.peak > 0.98);
    };
  }

  async function bytes(address) {
    const answer = await fetch(address);
    if (answer.status === 400) throw new SaidError(await answer.text());
    if (!answer.ok) throw new Error("");
    return answer.arrayBuffer();
  }

  function load(address) {
    if (!files.has(address)) {
      if (files.size >= KEPT) files.delete(files.keys().next().value);
      const promise = bytes(address);
      promise.catch(() => files.delete(address));
      files.set(address, promise);
    }
    return files.get(address);
  }

  return {
    start,
    load,

    /** The sound at `address`, decoded. */
    async buffer(address) {
      const data = await load(address);
      return context.decodeAudioData(data.slice(0)); // decoding empties what it is given
    },

    /** Sounds one after the other as one, `pause` seconds of silence after each but the last, or after all of a ring. */
    joined(parts, pause, ring) {
      if (parts.length === 1) return parts[0];
      const gap = Math.round(pause * RATE_HZ);
      const length = parts.reduce((sum, part) => sum + part.length + gap, 0) - (ring ? 0 : gap);
      const whole = context.createBuffer(1, length, RATE_HZ);
      let place = 0;
      for (const part of parts) {
        whole.copyToChannel(part.getChannelData(0), 0, place);
        place += part.length + gap;
      }
      return whole;
    },

    /** Plays `buffer` from `offset` seconds on, once or round and round: a thing that knows where it is and can stop. */
    play(buffer, { loop, offset = 0, onEnd }) {
      const source = context.createBufferSource();
      source.buffer = buffer;
      source.loop = loop;
      source.connect(out);
      const began = context.currentTime;
      source.onended = onEnd;
      source.start(0, Math.min(offset, buffer.duration - 0.001));
      return {
        /** Seconds of the buffer that have been heard; those of one round, where it goes round. */
        get place() {
          const heard = Math.max(0, context.currentTime - began - (context.outputLatency || 0)) + offset;
          return source.loop ? heard % buffer.duration : Math.min(heard, buffer.duration);
        },
        get rounds() {
          return source.loop ? Math.floor((context.currentTime - began + offset) / buffer.duration) : 0;
        },
        stop() {
          source.onended = null;
          source.stop();
          source.disconnect();
        },
      };
    },
  };
}
