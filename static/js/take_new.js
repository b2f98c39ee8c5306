// The page for a new take: record or choose, listen, send. Without this script it is a plain form.

import { csrfToken } from "./csrf.js";
import { Recorder, canRecord, microphoneTrouble } from "./recorder.js";
import { send } from "./sending.js";

const at = (id) => document.getElementById(id);
const form = at("take-form");
const maxBytes = Number(form.dataset.maxBytes);
const maxSeconds = Number(form.dataset.maxSeconds);
// What is plainly no recording; anything else the studio may be able to read, whatever the browser calls it.
const NO_SOUND = /^(text|image|font|model)\/|^application\/(pdf|json|xml|zip|rtf|msword|gzip|vnd\.(ms-|openxml|oasis))/;

let recorder = null;
let candidate = null; // {blob, file, settings}, `file` being the name it is sent by
let stopSending = null;

form.classList.add("scripted");

function showError(sentence) {
  at("take-error").textContent = sentence;
  at("take-error").hidden = !sentence;
  if (sentence) at("take-error").scrollIntoView({ block: "nearest" });
}

// The exercise and its tempo ------------------------------------------------------------------------------------------

at("exercise").addEventListener("change", (event) => {
  at("tempo").value = event.target.selectedOptions[0].dataset.tempo ?? "";
  for (const place of at("music").children) place.hidden = place.dataset.exercise !== event.target.value;
});

// A take to be sent ---------------------------------------------------------------------------------------------------

const player = at("candidate-sound");

function offer(blob, { file, shown, settings = null }) {
  showError("");
  if (blob.size > maxBytes) return showError("This file is larger than 200 MB. Send a shorter recording, or one saved as m4a, mp3 or FLAC.");
  if (blob.size === 0) return showError("This file is empty. Choose the recording again, or record it anew.");
  candidate = { blob, file, settings };
  at("candidate-name").textContent = shown;
  at("candidate-trouble").hidden = true;
  player.src = URL.createObjectURL(blob);
  at("candidate").hidden = false;
  at("take-ways").hidden = true;
  showSending(false);
  at("candidate").focus();
}

// Recordings made in pieces say nothing of their length; seeking far beyond the end makes the browser find it.
player.addEventListener("loadedmetadata", () => {
  if (player.duration !== Infinity) return;
  player.addEventListener("timeupdate", () => { player.currentTime = 0; }, { once: true });
  player.currentTime = 1e7;
});

player.addEventListener("error", () => { at("candidate-trouble").hidden = candidate === null; });

function discard() {
  URL.revokeObjectURL(player.src);
  player.removeAttribute("src");
  candidate = null;
  at("candidate").hidden = true;
  at("take-ways").hidden = false;
  at("sound").value = at("recorded").value = "";
  showError("");
  (recorderOffered ? at("record") : at("sound")).focus();
}
at("discard").addEventListener("click", discard);

function showSending(on) {
  at("sending").hidden = !on;
  at("candidate-actions").hidden = on;
}

at("send").addEventListener("click", async () => {
  const controller = new AbortController();
  stopSending = () => controller.abort();
  player.pause();
  showError("");
  showSending(true);
  at("cancel").focus();
  tellProgress(0);
  try {
    const answer = await send(form.action, formWith(candidate), { onProgress: tellProgress, signal: controller.signal });
    candidate = null; // nothing is left that leaving the page could lose
    location.assign(answer.address);
  } catch (error) {
    showSending(false);
    if (error.name !== "AbortError") showError(error.message);
    at("send").focus();
  }
});
at("cancel").addEventListener("click", () => stopSending?.());

function formWith({ blob, file, settings }) {
  const data = new FormData(form);
  data.delete("recorded");
  data.set("sound", blob, file);
  if (csrfToken()) data.set("csrfmiddlewaretoken", csrfToken());
  if (settings) data.set("recorder_settings", JSON.stringify(settings));
  return data;
}

function tellProgress(share) {
  at("progress").value = share;
  at("sending-words").textContent = share < 1 ? `Sending: ${Math.floor(share * 100)} %` : "Sent; being stored";
}

// Files ---------------------------------------------------------------------------------------------------------------

function offerFile(file) {
  if (at("drop").inert) { // offering it would hide the button that stops the recording
    at("sound").value = at("recorded").value = "";
    return showError("A recording is being made. Stop it first, then choose the file.");
  }
  if (NO_SOUND.test(file.type)) {
    at("sound").value = at("recorded").value = "";
    return showError(`“${file.name}” is no recording. Choose a sound file or a film, such as m4a, mp3, wav or mp4.`);
  }
  offer(file, { file: file.name, shown: `${file.name}, ${size(file.size)}` });
}

for (const input of [at("sound"), at("recorded")]) {
  input.addEventListener("change", () => { if (input.files[0]) offerFile(input.files[0]); });
}
form.addEventListener("submit", (event) => event.preventDefault());

const panel = document.querySelector(".file-panel");
for (const kind of ["dragenter", "dragover"]) {
  at("drop").addEventListener(kind, (event) => { event.preventDefault(); panel.classList.add("is-over"); });
}
at("drop").addEventListener("dragleave", (event) => {
  if (!at("drop").contains(event.relatedTarget)) panel.classList.remove("is-over");
});
at("drop").addEventListener("drop", (event) => {
  event.preventDefault();
  panel.classList.remove("is-over");
  const [file] = event.dataTransfer.files;
  if (file) offerFile(file);
});
// A file dropped beside the panel must not carry the browser off this page.
for (const kind of ["dragover", "drop"]) window.addEventListener(kind, (event) => event.preventDefault());

// Recording -----------------------------------------------------------------------------------------------------------

const recorderOffered = canRecord();
at("recorder").hidden = !recorderOffered;
at("file-or").hidden = !recorderOffered;
at("file-only").hidden = recorderOffered;

at("record").addEventListener("click", () => (recorder ? finish() : careSeen ? begin() : showCare()));

// Before the very first recording the cautions of care have been on the screen, to their end.
const care = at("care-first");
let careSeen = care === null;
if (care) {
  const end = new IntersectionObserver((entries) => {
    if (!entries.some((entry) => entry.isIntersecting)) return;
    careSeen = true;
    end.disconnect();
  });
  end.observe(care.querySelector(".care-list > :last-child"));
  at("care-read").addEventListener("click", () => {
    careSeen = true;
    at("care-go").hidden = true;
    begin();
  });
}

function showCare() {
  care.open = true;
  at("care-go").hidden = false;
  care.scrollIntoView({ block: "start" });
  at("care-read").focus({ preventScroll: true });
}

async function begin() {
  showError("");
  at("record").disabled = true;
  at("drop").inert = true;
  const started = new Recorder();
  try {
    await started.start();
  } catch (error) {
    at("drop").inert = false;
    return showError(microphoneTrouble(error));
  } finally {
    at("record").disabled = false;
  }
  recorder = started;
  started.finished.then(() => { if (recorder === started) finish(); });
  showRecording(true);
  watch(started);
}

async function finish() {
  const ended = recorder;
  recorder = null;
  at("record").disabled = true; // a second tap would begin another recording, which nobody sees
  const { blob, seconds, settings } = await ended.stop().finally(() => { at("record").disabled = at("drop").inert = false; });
  showRecording(false);
  if (blob.size === 0) return showError("Nothing was recorded. Start again and wait for the time to run.");
  const suffix = blob.type.includes("mp4") ? "m4a" : blob.type.includes("ogg") ? "ogg" : "webm";
  offer(blob, { file: `recording.${suffix}`, shown: `Recorded just now, ${clock(seconds)}`, settings });
}

function showRecording(on) {
  at("record").textContent = on ? "Stop" : "Start recording";
  for (const id of ["record", "record-panel"]) at(id).classList.toggle("is-recording", on);
  if (on) at("music").scrollIntoView({ block: "start" });
  at("record-state").textContent = on ? "Recording." : "Recording stopped.";
  if (!on) {
    at("record-time").textContent = "0:00";
    showLevel(0, "");
    at("level-words").textContent = "Nothing is being recorded.";
  }
}

function watch(running) {
  let hold = 0; // the level falls slowly, or nobody could read it
  let wordsAt = 0;
  const look = (now) => {
    if (recorder !== running) return;
    const { peak, loud } = running.level();
    hold = Math.max(peak, hold - 0.01);
    const kind = loud ? "loud" : hold > 0.45 ? "good" : "quiet";
    showLevel(hold, kind);
    if (now - wordsAt > 700) {
      wordsAt = now;
      at("level-words").textContent = { loud: "Too loud: move the microphone away.", good: "Good level.", quiet: "Quiet: play, or move the microphone nearer." }[kind];
    }
    at("record-time").textContent = clock(running.seconds);
    if (running.seconds > maxSeconds - 5) return finish();
    requestAnimationFrame(look);
  };
  requestAnimationFrame(look);
}

function showLevel(share, kind) {
  at("level-bar").style.setProperty("--level", share.toFixed(3));
  at("level").dataset.level = kind;
  at("level").setAttribute("aria-valuenow", Math.round(share * 100));
}

function size(bytes) {
  return bytes < 1e6 ? `${Math.ceil(bytes / 1000)} kB` : `${(bytes / 1e6).toFixed(1)} MB`;
}

function clock(seconds) {
  return `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;
}

window.addEventListener("beforeunload", (event) => {
  if (recorder || candidate) event.preventDefault();
});

// Who is quick chooses a file before this script is there to be told.
for (const input of [at("sound"), at("recorded")]) if (input.files[0]) offerFile(input.files[0]);
