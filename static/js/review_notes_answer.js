// A recorded answer: played or said into the microphone, or from a file; heard again, then pinned and measured.

import { csrfToken } from "./csrf.js";
import { Recorder, canRecord, microphoneTrouble } from "./recorder.js";
import { recordings } from "./review_notes_drafts.js";
import { send } from "./sending.js";

const LONGEST_S = 180;
const MOST_BYTES = 60 * 1024 * 1024;
const TOO_LONG = "An answer lasts up to 3 minutes; choose a shorter recording.";

const minutes = (seconds) => `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;

export function startAnswer(root, key, { text, target, player, onSent }) {
  const at = (id) => root.querySelector(`#answer${id}`);
  const open = at("-open");
  if (!open) return null;
  const heard = at("-hear");
  let recorder = null;
  let candidate = null; // {blob, file, settings}
  let ticking = 0;
  let sending = false;

  function say(sentence) {
    at("-error").textContent = sentence;
    at("-error").hidden = !sentence;
  }

  function show(on) {
    at("").hidden = !on;
    open.setAttribute("aria-expanded", String(on));
  }

  function offer(recording, words = "") {
    candidate = recording;
    heard.src = URL.createObjectURL(recording.blob);
    at("-ways").hidden = true;
    at("-candidate").hidden = false;
    at("-words").textContent = words;
    recordings.set(key, recording);
  }

  function discard() {
    heard.pause();
    URL.revokeObjectURL(heard.src);
    heard.removeAttribute("src");
    candidate = null;
    at("-ways").hidden = false;
    at("-candidate").hidden = true;
    at("-words").textContent = "";
    at("-sound").value = "";
    say("");
    recordings.remove(key);
  }

  // A file's length is known once the browser has looked into it; one that it cannot read the studio may still be able to.
  heard.addEventListener("loadedmetadata", () => {
    if (!Number.isFinite(heard.duration) || heard.duration <= LONGEST_S + 3) return;
    discard();
    say(TOO_LONG);
  });

  function tick() {
    const { peak } = recorder.level();
    at("-level").value = peak;
    at("-clock").textContent = `${minutes(recorder.seconds)} of 3:00`;
    if (recorder.seconds >= LONGEST_S) stop();
  }

  async function start() {
    say("");
    player.stop?.();
    const mine = new Recorder();
    at("-record").disabled = true;
    try {
      await mine.start();
    } catch (error) {
      return say(microphoneTrouble(error));
    } finally {
      at("-record").disabled = false;
    }
    recorder = mine;
    at("-record").textContent = "Stop";
    at("-level").hidden = false;
    ticking = setInterval(tick, 100);
    mine.finished.then(() => { if (recorder === mine) stop(); }); // unplugged, or taken by a call
  }

  async function stop() {
    const mine = recorder;
    if (!mine) return;
    recorder = null;
    clearInterval(ticking);
    const { blob, settings } = await mine.stop();
    at("-record").textContent = "Record";
    at("-level").hidden = true;
    at("-clock").textContent = "";
    if (blob.size) offer({ blob, file: "answer", settings });
    at("-send").focus();
  }

  async function sendIt() {
    if (sending) return;
    sending = true;
    say("");
    heard.pause();
    const form = new FormData();
    form.set("sound", candidate.blob, candidate.file);
    form.set("text", text.value);
    form.set("target", JSON.stringify(target.sent));
    form.set("whole", at("-whole")?.checked ? "yes" : "no");
    form.set("csrfmiddlewaretoken", csrfToken());
    if (candidate.settings) form.set("recorder_settings", JSON.stringify(candidate.settings));
    at("-send").disabled = true;
    try {
      const told = await send(root.dataset.record, form, {
        onProgress: (share) => { at("-words").textContent = share < 1 ? `Sending: ${Math.floor(share * 100)} %` : "Sent; being stored"; },
        signal: new AbortController().signal,
      });
      discard();
      show(false);
      onSent(told.note);
    } catch (error) {
      at("-words").textContent = "The recording is kept on this device until it is pinned or discarded.";
      say(error.message.replace("Your take is", "Your recording is"));
    } finally {
      sending = false;
      at("-send").disabled = false;
    }
  }

  open.addEventListener("click", () => {
    show(at("").hidden);
    if (!at("").hidden) at("").scrollIntoView({ block: "nearest" });
  });
  at("-record").addEventListener("click", () => (recorder ? stop() : start()));
  at("-send").addEventListener("click", sendIt);
  at("-discard").addEventListener("click", () => { discard(); at("-record").focus(); });
  at("-sound").addEventListener("change", () => {
    const [file] = at("-sound").files;
    if (!file) return;
    if (file.size > MOST_BYTES) return say("This file is larger than 60 MB; an answer lasts up to 3 minutes, as m4a or mp3 it is far smaller.");
    if (/^(text|image)\//.test(file.type)) return say(`“${file.name}” is no recording. Choose a sound file, such as m4a, mp3 or wav.`);
    say("");
    offer({ blob: file, file: file.name, settings: null }, file.name);
  });
  if (!canRecord()) {
    at("-record").hidden = true;
    at("-words").textContent = "This browser cannot record here; choose a file.";
  }
  open.disabled = false;
  recordings.get(key).then((kept) => {
    if (!kept?.blob || candidate || recorder) return;
    offer(kept, "Your recording from before.");
    show(true);
  });

  return {
    // Opens for an answer to `note`.
    answer(note) {
      target.answer(note);
      show(true);
      at("").scrollIntoView({ block: "center" });
      (candidate ? at("-send") : at("-record")).focus({ preventScroll: true });
    },
  };
}
