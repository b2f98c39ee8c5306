// The review page: brings its views together around one selection. The list works before, and without, the timeline.

import { startNotes } from "./review_notes.js";
import { startPlayer } from "./review_player.js";
import { selection } from "./review_selection.js";
import { startTimeline } from "./review_timeline.js";

const root = document.getElementById("review");
const list = root.querySelector("#movements");
const rows = [...list.querySelectorAll("li[data-movement]")];
const music = root.querySelector("#music svg");
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

const indexOf = (row) => Number(row.dataset.movement);

function startList(player) {
  const measured = [...root.querySelectorAll(".chosen-one")];
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
    if (event.key === "p" && at >= 0) player.playMovement(indexOf(shown[at]));
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
    for (const row of rows) {
      const chosen = indexOf(row) === index;
      row.classList.toggle("is-chosen", chosen);
      row.querySelector("button").setAttribute("aria-pressed", String(chosen));
      if (chosen && from !== "list") reveal(row, list);
    }
    root.querySelector("#chosen-none").hidden = index !== null;
    for (const one of measured) one.hidden = Number(one.dataset.movement) !== index;
  });
  // On a narrow screen what was measured opens under its movement; where there is room it stands beside the list.
  function settle() {
    for (const one of measured) {
      const row = rows.find((entry) => entry.dataset.movement === one.dataset.movement);
      (narrow.matches && row ? row : root.querySelector("#chosen")).append(one);
    }
  }
  narrow.addEventListener("change", settle);
  settle();
}

function startMusic(movements) {
  if (!music) return;
  music.classList.add("selectable");
  // A written movement may have been played twice; the first playing is the one that is marked.
  const groups = [...music.querySelectorAll("[data-movement]")];
  for (const group of groups) {
    const movement = movements.find((entry) => entry.written === Number(group.dataset.movement));
    if (movement && movement.verdict !== "clean") group.classList.add(movement.verdict);
    if (movement) group.addEventListener("click", () => selection.choose(movement.index, "music"));
  }
  selection.onMovement((index, from) => {
    const movement = movements.find((entry) => entry.index === index);
    for (const group of groups) {
      const chosen = movement !== undefined && Number(group.dataset.movement) === movement.written;
      group.classList.toggle("selected", chosen);
      if (chosen && from !== "music") reveal(group, root.querySelector("#music"));
    }
  });
}

function startKeys(player, timeline) {
  document.addEventListener("keydown", (event) => {
    if (event.target.closest("input, textarea, select, button, a") || event.ctrlKey || event.metaKey || event.altKey) return;
    const act = { " ": player.toggle, "+": () => timeline?.zoom(0.5), "-": () => timeline?.zoom(2), 0: timeline?.all }[event.key];
    if (!act) return;
    event.preventDefault();
    act();
  });
}

async function start() {
  let data;
  try {
    const answer = await fetch(root.dataset.timeline, { headers: { Accept: "application/json" } });
    if (!answer.ok || answer.redirected) throw new Error(String(answer.status));
    data = await answer.json();
  } catch {
    root.querySelector("#timeline-wait").textContent =
      "The timeline could not be loaded. Check the connection and load the page again; the list below is complete.";
    return;
  }
  const player = startPlayer(data.movements, root);
  startList(player);
  startMusic(data.movements);
  let timeline = null;
  const notes = startNotes(data, root, { player, onChange: (all) => timeline?.pinned(all) });
  timeline = await startTimeline(data, root, { onSpot: (seconds) => player.go(seconds), onNote: (id) => notes.show(id) });
  startKeys(player, timeline);
  root.dataset.ready = "";
}

start();
