// The sound: the whole take, or one movement (with its model or the last clean one after it), once or round and round, at
// four speeds with the pitch kept. The take plays through its audio element; movements and stretches are clips, slowed
// where they are made, so that they go round without a gap.

import { movementSounds, partOfStretch, partsOf, readied } from "./review_player_clips.js";
import { selection } from "./review_selection.js";
import { SaidError, openSound } from "./review_sound.js";

const LEAD_S = 0.5;
const TAIL_S = 0.6;
const LONGEST_CLIP_S = 12;
const LOOK_AHEAD_MS = 350;
const SPEED_WORDS = { 1: "full speed", 0.5: "half speed", 0.25: "quarter speed", 0.125: "an eighth of the speed" };
const WHAT_WORDS = { own: "This one", model: "The model", clean: "The last clean one" };

export function startPlayer(movements, root) {
  const element = root.querySelector("#sound");
  const bar = root.querySelector(".player");
  const find = (name) => root.querySelector(`#${name}`);
  const [play, playMovement, loop, seek, clock, words, then] =
    ["play", "play-movement", "loop", "seek", "clock", "player-words", "then"].map(find);
  const speeds = [...root.querySelectorAll("[data-speed]")];
  const { clip: clipAddress, sounds: soundsAddress } = root.dataset;
  const soundsOf = movementSounds((index) => soundsAddress.replace("/0/", `/${index}/`));
  const sound = openSound(element, { meter: find("level"), meterModule: root.dataset.meter, loudness: root.dataset.loudness });
  let speed = 1;
  let clip = null; // what is going on: {playing, buffer, places, start, end, index}
  let last = null; // what "Play" would go on with after a clip: {index} or {start, end}
  let asked = 0; // counts up, so that a clip that comes too late is not played
  let wanted = null; // a place asked for before the sound could seek
  let frame = 0;

  element.preservesPitch = true;

  const looping = () => loop.getAttribute("aria-pressed") === "true";
  const chosen = () => movements.find((movement) => movement.index === selection.movement);
  const busy = () => Boolean(clip) || !element.paused;

  function span(movement) {
    if (!movement || movement.start_s === null) return null;
    return { start: Math.max(0, movement.start_s - LEAD_S), end: (movement.end_s ?? movement.start_s) + TAIL_S };
  }

  // Where in the take the sound is: of a model or of another take's movement, the like place in this one.
  function now() {
    if (!clip?.playing) return element.currentTime;
    const place = clip.playing.place;
    const part = clip.places.findLast((entry) => entry.from <= place) ?? clip.places[0];
    return Math.min(clip.start + (Math.min(place, part.to) - part.from) * speed, clip.end);
  }

  function part() {
    const place = clip?.playing?.place ?? 0;
    return clip?.places?.findLast((entry) => entry.from <= place)?.what ?? "own";
  }

  function show() {
    const seconds = now();
    clock.dataset.seconds = seconds.toFixed(3);
    const words = `${seconds.toFixed(1)} s`;
    // Ten times a second is enough to be read, and what is not touched need not be drawn.
    if (clock.textContent !== words) {
      clock.textContent = words;
      seek.value = seconds;
      seek.setAttribute("aria-valuetext", `${seconds.toFixed(1)} seconds`);
    }
    selection.at(seconds, "sound");
  }

  function tick() {
    show();
    if (clip?.playing) {
      bar.dataset.rounds = String(clip.playing.rounds);
      if (clip.part !== part()) tellState();
    }
    frame = busy() ? requestAnimationFrame(tick) : 0;
  }

  function tellState() {
    const round = looping() && clip ? ", round and round" : "";
    if (clip) clip.part = part();
    const what = clip ? (clip.index === undefined ? "A stretch" : WHAT_WORDS[clip.part]) : "The take";
    const says = clip && !clip.playing ? "The sound is being made …" : busy() ? `${what}, ${SPEED_WORDS[speed]}${round}.` : "";
    if (words.textContent !== says) words.textContent = says;
    play.textContent = busy() ? "Pause" : "Play";
    bar.dataset.playing = clip ? (clip.playing ? "clip" : "making") : element.paused ? "" : "take";
    if (busy() && !frame) frame = requestAnimationFrame(tick);
  }

  // Ends what is going on; the place stays where it was.
  function stop() {
    asked += 1;
    const place = clip?.playing ? now() : null;
    clip?.playing?.stop();
    clip = null;
    element.pause();
    if (place !== null) element.currentTime = place;
    tellState();
  }

  function go(seconds) {
    const place = Math.max(0, Math.min(seconds, element.duration || seconds));
    if (element.readyState === 0) wanted = place;
    element.currentTime = place;
    show();
  }

  async function playTake() {
    stop();
    sound.start();
    last = null;
    try {
      await element.play();
    } catch (error) {
      if (error.name !== "AbortError") words.textContent = "The sound could not be played. Check the connection and try again.";
    }
  }

  // Plays a clip; `at` is where in the take to begin, where that is not its beginning.
  async function playClip(what, at = null) {
    stop();
    const mine = (asked += 1);
    sound.start();
    last = what;
    clip = { ...what, places: [] };
    tellState();
    try {
      const told = what.index === undefined ? null : await soundsOf(what.index);
      const parts = told ? partsOf(told, then.value, speed) : partOfStretch(clipAddress, what.start, what.end, speed);
      const ready = await readied(sound, parts, looping());
      if (mine !== asked) return;
      Object.assign(clip, ready, told?.own ? { start: told.start_s, end: told.end_s } : {});
      const offset = at === null ? 0 : Math.max(0, at - clip.start) / speed;
      clip.playing = sound.play(ready.buffer, { loop: looping(), offset, onEnd: ended });
      tellState();
    } catch (error) {
      if (mine !== asked) return;
      clip = null;
      tellState();
      words.textContent = error instanceof SaidError ? error.message : "The sound could not be loaded. Check the connection and try again.";
    }
  }

  function ended() {
    const start = clip?.start ?? 0;
    clip = null;
    go(start); // to hear it again from its beginning
    tellState();
  }

  function playMovementOf(movement) {
    if (!movement) return;
    const there = span(movement) ?? { start: selection.time, end: selection.time + 1 };
    playClip({ ...there, index: movement.index });
  }

  // Once more with another speed, order or loop, from where it is.
  function again() {
    if (clip) playClip(last, part() === "own" ? now() : null);
    else tellState();
  }

  play.addEventListener("click", () => {
    if (busy()) return stop();
    if (last && looping()) return playClip(last);
    playTake();
  });
  playMovement.addEventListener("click", () => playMovementOf(chosen()));
  loop.addEventListener("click", () => {
    // With nothing to go round it can only be switched off.
    loop.setAttribute("aria-pressed", String(!looping() && (Boolean(last) || !playMovement.disabled)));
    if (looping() && !clip && !element.paused && span(chosen())) return playMovementOf(chosen());
    again();
  });
  for (const button of speeds) {
    button.addEventListener("click", () => {
      const at = clip && part() === "own" ? now() : null;
      speed = Number(button.dataset.speed);
      element.playbackRate = speed;
      for (const other of speeds) other.setAttribute("aria-pressed", String(other === button));
      if (clip) playClip(last, at);
      else tellState();
    });
  }
  then.addEventListener("change", () => {
    offer();
    if (clip && clip.index !== undefined) playClip(last);
  });
  seek.addEventListener("input", () => {
    if (clip) stop();
    last = null;
    go(Number(seek.value));
  });
  element.addEventListener("loadedmetadata", () => {
    if (Number.isFinite(element.duration)) seek.max = element.duration;
    if (wanted !== null) element.currentTime = wanted;
    wanted = null;
  });
  for (const name of ["play", "pause", "ended"]) element.addEventListener(name, tellState);
  element.addEventListener("seeked", () => { if (!busy()) show(); });
  element.addEventListener("error", () => {
    words.textContent = "The sound of this take cannot be loaded at the moment. Load the page again in a while.";
  });

  // What can be heard of the chosen movement: choices that there are not cannot be chosen.
  function offer(told = null) {
    const movement = chosen();
    const there = Boolean(span(movement));
    if (told) {
      for (const [value, has] of [["model", told.model], ["clean", told.clean], ["only-model", told.model]]) {
        then.querySelector(`[value=${value}]`).disabled = !has;
      }
      then.querySelector("[value=clean]").textContent = told.clean
        ? `then the last clean one (${told.clean.words})`
        : "no clean one yet";
    }
    const model = !then.querySelector("[value=only-model]").disabled && then.value === "only-model";
    playMovement.disabled = !movement || !(there || model);
    then.disabled = !movement;
    loop.disabled = playMovement.disabled && !looping() && !last; // it can always be switched off
  }

  let soon = 0;
  selection.onMovement((index, from) => {
    clearTimeout(soon);
    offer();
    const movement = chosen();
    if (!movement) return;
    // Asked for a little later: arrow keys run through a list.
    soon = setTimeout(async () => {
      try {
        const told = await soundsOf(index);
        if (selection.movement !== index) return;
        offer(told);
        for (const entry of partsOf(told, then.value, speed)) sound.load(entry.address).catch(() => {});
      } catch {
        // Said when it is to be played.
      }
    }, LOOK_AHEAD_MS);
    if (!span(movement)) return;
    // Choosing cues the sound; the take goes on playing, while a movement that plays gives way to the new one.
    if (!busy()) {
      last = null;
      go(span(movement).start);
    } else if (clip || from === "list") playMovementOf(movement);
  });
  offer();

  return {
    playMovement: (index) => playMovementOf(movements.find((movement) => movement.index === index)),
    playSpot(start, end) {
      const stretch = { start: Math.max(0, start - LEAD_S), end: (end ?? start) + TAIL_S + 0.4 };
      if (stretch.end - stretch.start <= LONGEST_CLIP_S) return playClip(stretch);
      go(stretch.start);
      playTake();
    },
    go(seconds) {
      const going = clip !== null;
      if (going) stop();
      last = null;
      go(seconds);
    },
    get busy() { return busy(); },
    toggle: () => play.click(),
    stop,
  };
}
