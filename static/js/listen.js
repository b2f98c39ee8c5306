// Listening: sounds fetched whole and played by Web Audio, so that they go round without a gap, and right and wrong
// follow each other on the beat. The music follows the whole exercise.

import { startFollowing } from "./music_follow.js";

const LEAD_S = 0.15; // the silence before a model (analysis/model_player.py)
const RATE_HZ = 48000; // that of the sounds: a resampled loop would have a seam
const KEPT = 24;

const root = document.querySelector("[data-listen]");
const form = root.querySelector("form");
const bar = root.querySelector("[data-listen-bar]");
const round = root.querySelector("[data-listen-round]");
const half = root.querySelector("[data-listen-half]");
const stopButton = root.querySelector("[data-listen-stop]");
const said = root.querySelector("[data-listen-said]");
const buttons = [...root.querySelectorAll("[data-play]")];

const sounds = new Map(); // address: promise of its decoded sound
let context = null;
let playing = null; // {source, button, begun, length; tempo, beatsBefore, secondsBefore}
let asked = 0; // counts up, so that a sound that comes too late is not played

const goesRound = () => round.getAttribute("aria-pressed") === "true";

function choices() {
  const query = new URLSearchParams();
  for (const [name, value] of new FormData(form)) if (value) query.set(name, value);
  return query;
}

function address(extra) {
  const query = choices();
  for (const [name, value] of new URLSearchParams(extra)) query.set(name, value);
  return `${root.dataset.listen}?${query}`;
}

async function fetched(from) {
  const response = await fetch(from);
  if (!response.ok) throw new Error(response.status === 400 ? await response.text() : "");
  return context.decodeAudioData(await response.arrayBuffer());
}

function sound(from) {
  if (!sounds.has(from)) {
    if (sounds.size >= KEPT) sounds.delete(sounds.keys().next().value);
    const promise = fetched(from);
    promise.catch(() => sounds.delete(from));
    sounds.set(from, promise);
  }
  return sounds.get(from);
}

/** One sound after the other as one. */
function joined(parts) {
  const whole = context.createBuffer(1, parts.reduce((sum, part) => sum + part.length, 0), parts[0].sampleRate);
  let place = 0;
  for (const part of parts) {
    whole.copyToChannel(part.getChannelData(0), 0, place);
    place += part.length;
  }
  return whole;
}

function show(button, words) {
  for (const other of buttons) other.setAttribute("aria-pressed", String(other === button));
  stopButton.disabled = !button;
  said.textContent = words;
}

function stop(words = "") {
  asked += 1;
  if (playing) {
    playing.source.onended = null;
    playing.source.stop();
    playing = null;
  }
  show(null, words);
}

async function wanted(button) {
  const ring = goesRound() ? "&ring=1" : "";
  const query = button.dataset.query;
  if (button.dataset.play !== "both") return sound(address(query + ring));
  return joined(await Promise.all([sound(address(query + ring)), sound(address(`${query}&wrong=1${ring}`))]));
}

async function play(button) {
  if (!form.reportValidity()) return;
  stop();
  const mine = (asked += 1);
  context ??= new AudioContext({ sampleRate: RATE_HZ });
  context.resume();
  show(button, "The sound is being made …");
  try {
    const buffer = await wanted(button);
    if (mine !== asked) return;
    const source = context.createBufferSource();
    source.buffer = buffer;
    source.loop = goesRound();
    source.connect(context.destination);
    source.onended = () => stop();
    source.start();
    playing = { source, button, begun: context.currentTime, length: buffer.duration, ...beatsOf(source.loop) };
    follow();
    show(button, `${button.dataset.name}${source.loop ? ", round and round" : ""}.`);
  } catch (error) {
    if (mine === asked) stop(error.message || "The sound could not be loaded. Check the connection and try again.");
  }
}

/** How the beats of a whole exercise lie in its sound; one that goes round starts with its first note. */
function beatsOf(goesRound) {
  const slower = form.elements.speed.value === "half" ? 2 : 1;
  const counted = form.elements.beat.value && !goesRound ? Number(root.dataset.countIn) : 0;
  return {
    tempo: Number(form.elements.tempo.value || form.elements.tempo.defaultValue) / slower,
    beatsBefore: counted,
    secondsBefore: goesRound ? 0 : LEAD_S * slower,
  };
}

/** Where the whole exercise is, in beats; null while it does not sound. */
function beatNow() {
  if (playing?.button.dataset.play !== "whole") return null;
  const seconds = context.currentTime - playing.begun - (context.outputLatency || 0);
  return ((Math.max(0, seconds) % playing.length) - playing.secondsBefore) * (playing.tempo / 60) - playing.beatsBefore;
}

const follow = startFollowing(root.querySelector("[data-music]"), beatNow);

function again() {
  if (playing) play(playing.button);
}

function changed() {
  if (!form.reportValidity()) return;
  for (const link of root.querySelectorAll("[data-listen-file]")) link.href = address(`as=${link.dataset.listenFile}`);
  again();
}

function showSpeed() {
  half.setAttribute("aria-pressed", String(form.elements.speed.value === "half"));
}

bar.hidden = false;
form.elements.speed.closest(".field").hidden = true; // the button beside the sounds does the same
showSpeed();
half.addEventListener("click", () => {
  form.elements.speed.value = form.elements.speed.value === "half" ? "" : "half";
  showSpeed();
  changed();
});
for (const button of buttons) {
  button.hidden = false;
  button.addEventListener("click", () => (playing?.button === button ? stop() : play(button)));
}
round.addEventListener("click", () => {
  round.setAttribute("aria-pressed", String(!goesRound()));
  again();
});
stopButton.addEventListener("click", () => stop());
form.addEventListener("change", changed);
form.addEventListener("submit", (event) => {
  event.preventDefault();
  changed();
});
