// The sound: the whole take or one movement, once or round and round, at three speeds with the pitch kept.

import { selection } from "./review_selection.js";

const LEAD_S = 0.5;
const TAIL_S = 0.6;
const SPEED_WORDS = { 1: "full speed", 0.5: "half speed", 0.25: "quarter speed" };

export function startPlayer(movements, root) {
  const sound = root.querySelector("#sound");
  const play = root.querySelector("#play");
  const playMovement = root.querySelector("#play-movement");
  const loop = root.querySelector("#loop");
  const seek = root.querySelector("#seek");
  const clock = root.querySelector("#clock");
  const words = root.querySelector("#player-words");
  const speeds = [...root.querySelectorAll("[data-speed]")];
  let stretch = null; // {start, end} while one movement is played
  let wanted = null; // a place asked for before the sound could seek
  let frame = 0;

  sound.preservesPitch = true;

  const looping = () => loop.getAttribute("aria-pressed") === "true";
  const chosen = () => movements.find((movement) => movement.index === selection.movement);

  function span(movement) {
    if (!movement || movement.start_s === null) return null;
    const end = (movement.end_s ?? movement.start_s) + TAIL_S;
    return { start: Math.max(0, movement.start_s - LEAD_S), end };
  }

  function show() {
    clock.textContent = `${sound.currentTime.toFixed(1)} s`;
    seek.value = sound.currentTime;
    seek.setAttribute("aria-valuetext", `${sound.currentTime.toFixed(1)} seconds`);
    selection.at(sound.currentTime, "sound");
  }

  function tick() {
    if (stretch && sound.currentTime >= stretch.end) {
      if (looping()) sound.currentTime = stretch.start;
      else sound.pause();
    }
    show();
    frame = sound.paused ? 0 : requestAnimationFrame(tick);
  }

  function go(seconds) {
    const place = Math.max(0, Math.min(seconds, sound.duration || seconds));
    if (sound.readyState === 0) wanted = place;
    sound.currentTime = place;
    show();
  }

  async function begin() {
    try {
      await sound.play();
    } catch (error) {
      if (error.name === "AbortError") return;
      words.textContent = "The sound could not be played. Check the connection and try again.";
    }
  }

  function tellState() {
    const speed = SPEED_WORDS[sound.playbackRate] ?? "";
    const round = looping() ? ", round and round" : "";
    const what = stretch ? "One movement" : "The take";
    words.textContent = sound.paused ? "" : `${what}, ${speed}${round}.`;
    play.textContent = sound.paused ? "Play" : "Pause";
  }

  function playStretch(movement) {
    stretch = span(movement);
    if (!stretch) return;
    go(stretch.start);
    begin();
  }

  play.addEventListener("click", () => {
    if (!sound.paused) return sound.pause();
    if (!looping()) stretch = null;
    if (stretch && sound.currentTime >= stretch.end) go(stretch.start);
    begin();
  });
  playMovement.addEventListener("click", () => playStretch(chosen()));
  loop.addEventListener("click", () => {
    loop.setAttribute("aria-pressed", String(!looping() && Boolean(span(chosen()))));
    if (looping() && !sound.paused) stretch = span(chosen()) ?? stretch;
    tellState();
  });
  for (const button of speeds) {
    button.addEventListener("click", () => {
      sound.playbackRate = Number(button.dataset.speed);
      for (const other of speeds) other.setAttribute("aria-pressed", String(other === button));
      tellState();
    });
  }
  seek.addEventListener("input", () => {
    stretch = null;
    go(Number(seek.value));
  });
  sound.addEventListener("loadedmetadata", () => {
    if (Number.isFinite(sound.duration)) seek.max = sound.duration;
    if (wanted !== null) sound.currentTime = wanted;
    wanted = null;
  });
  for (const name of ["play", "pause", "ended", "ratechange"]) sound.addEventListener(name, tellState);
  sound.addEventListener("play", () => {
    if (!frame) frame = requestAnimationFrame(tick);
  });
  sound.addEventListener("seeked", show);
  sound.addEventListener("error", () => {
    words.textContent = "The sound of this take cannot be loaded at the moment. Load the page again in a while.";
  });

  selection.onMovement((index, from) => {
    const movement = chosen();
    const there = Boolean(span(movement));
    playMovement.disabled = !there;
    loop.disabled = !there && !looping(); // it can always be switched off
    if (!there) return;
    // Choosing cues the sound; it does not break off what is playing unless a movement is going round.
    if (sound.paused) go(span(movement).start);
    else if (stretch || from === "list") playStretch(movement);
  });

  return {
    playMovement: (index) => playStretch(movements.find((movement) => movement.index === index)),
    playSpot(start, end) {
      stretch = { start: Math.max(0, start - LEAD_S), end: (end ?? start) + TAIL_S + 0.4 };
      go(stretch.start);
      begin();
    },
    go(seconds) {
      stretch = null;
      go(seconds);
    },
    toggle: () => play.click(),
  };
}
