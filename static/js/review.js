// The review page: brings its views together around one selection. The list works before, and without, the timeline.

import { keepClearOf } from "./review_bring_out.js";
import { startJudged } from "./review_judged.js";
import { startMeasured } from "./review_measured.js";
import { startMusic } from "./review_music.js";
import { startNotes } from "./review_notes.js";
import { startOverruling } from "./review_overrule.js";
import { startPlayer } from "./review_player.js";
import { startFollowing } from "./review_player_follow.js";
import { selection } from "./review_selection.js";
import { startTimeline } from "./review_timeline.js";
import { startBeatForm } from "./review_timeline_beat.js";

const root = document.getElementById("review");
const list = root.querySelector("#movements");
const rows = [...list.querySelectorAll("li[data-movement]")];
const narrow = window.matchMedia("(max-width: 56rem)");
const quick = window.matchMedia("(prefers-reduced-motion: reduce)");

// Scrolls `box` so that `part` of it is to be seen, and never the page: that would pull it from under the finger.
function reveal(part, box) {
  const inner = part.getBoundingClientRect();
  const outer = box.getBoundingClientRect();
  const behavior = quick.matches ? "auto" : "smooth";
  const hidden = inner.top < outer.top || inner.bottom > outer.bottom || inner.left < outer.left || inner.right > outer.right;
  if (!hidden) return;
  const top = inner.top - outer.top - (outer.height - inner.height) / 2;
  const left = inner.left - outer.left - (outer.width - inner.width) / 2;
  box.scrollBy({ top: box.scrollHeight > box.clientHeight ? top : 0, left, behavior });
}

// Scrolls the list for as much of an opened row as it has room for.
function uncover(row) {
  const [inner, outer] = [row.getBoundingClientRect(), list.getBoundingClientRect()];
  const under = Math.min(inner.bottom - outer.bottom, inner.top - outer.top);
  if (under > 0) list.scrollBy({ top: under, behavior: quick.matches ? "auto" : "smooth" });
}

const indexOf = (row) => Number(row.dataset.movement);

function startList(movements, player) {
  const byIndex = new Map(rows.map((row) => [indexOf(row), row]));
  const words = root.querySelector("#note-text");
  let marked = null; // the row of the chosen movement
  list.addEventListener("click", (event) => {
    const row = event.target.closest("li[data-movement]");
    if (row) selection.choose(indexOf(row), "list");
  });
  list.addEventListener("dblclick", (event) => {
    const row = event.target.closest("li[data-movement]");
    if (row) player.playMovement(indexOf(row));
  });
  list.addEventListener("keydown", (event) => {
    const shown = rows.filter((row) => !row.hidden);
    const at = shown.findIndex((row) => row.contains(document.activeElement));
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (step && at >= 0) {
      event.preventDefault();
      const next = shown[Math.max(0, Math.min(shown.length - 1, at + step))];
      next.querySelector("button").focus();
      selection.choose(indexOf(next), "list");
    }
    if (at < 0 || event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key.toLowerCase() === "p") player.playMovement(indexOf(shown[at]));
    if (event.key.toLowerCase() === "n") {
      event.preventDefault(); // else it is the first letter of the note
      selection.choose(indexOf(shown[at]), "list");
      words.focus();
    }
  });
  // The way back: of hundreds of rows, it would else be a long one.
  words.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && marked && !marked.hidden) marked.querySelector("button").focus();
  });
  const show = root.querySelector("#show");
  show.addEventListener("change", () => {
    const [kind, note] = show.value.split(":");
    for (const row of rows) {
      row.hidden = (kind === "faults" && row.dataset.verdict !== "fault") || (kind === "from" && row.dataset.approach !== note);
    }
    root.querySelector("#none-shown").hidden = rows.length === 0 || rows.some((row) => !row.hidden);
  });
  selection.onMovement((index, from) => {
    if (marked) press(marked, false);
    marked = byIndex.get(index) ?? null;
    if (!marked) return;
    press(marked, true);
    if (from !== "list") reveal(marked, list);
  });
  function press(row, chosen) {
    row.classList.toggle("is-chosen", chosen);
    row.querySelector("button").setAttribute("aria-pressed", String(chosen));
  }
  // On a narrow screen what was measured opens under its movement; where there is room it stands beside the list.
  const beside = root.querySelector("#chosen");
  const measured = startMeasured(root, movements, (index) => (narrow.matches && byIndex.get(index)) || beside);
  narrow.addEventListener("change", measured.settle);
  // What opens under a row at the edge of the list is to be seen at once.
  selection.onMovement((index, from) => {
    if (from === "list" && narrow.matches && marked) requestAnimationFrame(() => uncover(marked));
  });
}

// What was chosen in music or timeline is said beside the player for as long as what was measured is out of sight.
function startChosenLine(movements) {
  const line = root.querySelector("#player-chosen");
  const player = root.querySelector(".player");
  const measured = root.querySelector(".chosen-one");
  let watch = null;
  function tell(movement) {
    const came = movement.flags.map((flag) => flag.word).join(", ") || movement.verdict_word;
    line.textContent = `${movement.name}: ${came}`;
  }
  document.addEventListener("movement-ruled", ({ detail }) => { if (detail.index === selection.movement) tell(detail); });
  selection.onMovement((index) => {
    watch?.disconnect();
    line.hidden = true;
    const movement = movements.find((entry) => entry.index === index);
    if (!movement) return;
    tell(movement);
    watch = new IntersectionObserver((entries) => { line.hidden = entries.at(-1).intersectionRatio > 0.5; },
      { threshold: [0, 0.5, 0.6], rootMargin: `0px 0px -${player.offsetHeight}px 0px` });
    watch.observe(measured);
  });
}

// Opens or closes the sheet of keys; the focus stays where it was.
function showKeys() {
  const sheet = root.querySelector("#keys");
  sheet.open = !sheet.open;
  if (sheet.open) sheet.scrollIntoView({ block: "nearest", behavior: quick.matches ? "auto" : "smooth" });
}

// Single keys count only while the focus is in the timeline or the player: anywhere else they may be somebody's words.
function startKeys(player, timeline) {
  function press(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.target.closest("select, summary, input:not([type=range])")) return; // they need every key themselves
    if (event.key === " " && event.target.closest("button, a")) return;
    const step = event.shiftKey ? 0.001 : 0.01;
    const by = (seconds) => () => { player.go(selection.time + seconds); };
    const onTimeline = event.currentTarget.classList.contains("review-timeline") && event.target.id === "timeline";
    const moves = onTimeline ? { arrowleft: by(-step), arrowright: by(step), m: () => timeline()?.measure() } : {};
    const act = { ...moves, " ": player.toggle, "+": () => timeline()?.zoom(0.5), "-": () => timeline()?.zoom(2), 0: () => timeline()?.all(), "?": showKeys }[event.key.toLowerCase()];
    if (!act) return;
    event.preventDefault();
    act();
  }
  for (const place of root.querySelectorAll(".review-timeline, .player")) place.addEventListener("keydown", press);
}

// Resolves to the timeline, or to null where it cannot be had: the page says so in its place and does without.
async function drawTimeline(acts) {
  const scriptsDone = new Promise((go) => { document.addEventListener("DOMContentLoaded", go, { once: true }); });
  try {
    const answer = await fetch(root.dataset.timeline, { headers: { Accept: "application/json" } });
    if (!answer.ok || answer.redirected) throw new Error(`the timeline's data came with status ${answer.status}`);
    const data = await answer.json();
    await scriptsDone; // plotly is the last of them
    startBeatForm(root, data.beats_s);
    return await startTimeline(data, root, acts);
  } catch (error) {
    console.warn(error);
    const wait = root.querySelector("#timeline-wait");
    wait.textContent = "The timeline could not be drawn. Check the connection and load the page again; the list of movements is complete.";
    wait.hidden = false;
    return null;
  }
}

// An address may end in the number of a movement, as those of the page that compares takes do.
function chooseByAddress(movements) {
  const asked = /^#movement-(\d+)$/.exec(location.hash);
  if (asked && movements.some((movement) => movement.index === Number(asked[1]))) selection.choose(Number(asked[1]), "address");
}

// While it plays, list and music mark the movement that is heard.
function follow(movements, player, music) {
  const places = [{ box: list, find: (movement) => rows.find((row) => indexOf(row) === movement.index) }];
  if (music) places.push({ box: music.place, find: (movement) => music.find(movement.written) });
  startFollowing(movements, places, { reveal, isPlaying: () => player.busy });
}

const told = (id) => JSON.parse(document.getElementById(id).textContent);

async function start() {
  const movements = told("movements-data");
  const player = startPlayer(movements, root);
  keepClearOf(root.querySelector(".player"));
  startList(movements, player);
  const music = startMusic(root, movements, reveal);
  startChosenLine(movements);
  follow(movements, player, music);
  let timeline = null;
  const judged = startJudged(root);
  const notes = startNotes({ movements, notes: told("notes-data"), phrases: root.dataset.phrases ? told("phrases-data") : [] }, root, { player, onChange: (all) => timeline?.pinned(all), onJudged: judged.stands });
  startOverruling(root, movements, judged.changed);
  document.addEventListener("movement-ruled", ({ detail }) => timeline?.ruled(detail));
  startKeys(player, () => timeline);
  root.dataset.usable = ""; // all but the timeline
  timeline = await drawTimeline({ movements, notes: notes.all(), onSpot: (seconds) => player.go(seconds), onNote: (id) => notes.show(id), isPlaying: () => player.busy });
  chooseByAddress(movements);
  root.dataset.ready = "";
  setTimeout(() => music?.drawAhead(), 300);
  root.querySelector("#sound").preload = "auto"; // the page comes first
}

start();
