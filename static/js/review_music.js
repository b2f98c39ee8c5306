// The music of the take, line by line: a long one has hundreds of lines, and only those near the eye are drawn. Each
// movement is marked by what happened to it, can be chosen, and is marked while it is heard.

import { pictureFrom, widthOf } from "./music.js";
import { selection } from "./review_selection.js";

const SETTLED_MS = 250;

async function fetched(address) {
  try {
    const answer = await fetch(address, { headers: { Accept: "application/json" } });
    return answer.ok && !answer.redirected ? await answer.json() : null;
  } catch {
    return null; // no connection
  }
}

/** `reveal(part, box)` scrolls a box to a part of it. Gives null where there is no music. */
export function startMusic(root, movements, reveal) {
  const place = root.querySelector("#music");
  if (!place) return null;
  // A written movement may have been played twice; the first playing is the one that is marked.
  const byWritten = new Map(movements.filter(({ written }) => written !== null).reverse().map((movement) => [movement.written, movement]));
  const waiting = new Map(); // box of a line: its picture as text, until it is drawn
  let boxes = [];
  let tops = []; // where each line begins, as a share of the width: known without asking the page
  let boxOf = new Map(); // number of a written movement: the box of its line
  let chosen = null;
  let drawnFor = 0;
  let height = 0;
  let ahead = 0;

  function mark(group, movement) {
    group.classList.remove("fault", "unsure");
    if (movement && movement.verdict !== "clean") group.classList.add(movement.verdict);
  }

  function draw(box) {
    const text = waiting.get(box);
    if (!text) return;
    waiting.delete(box);
    const picture = pictureFrom(text);
    if (!picture) return;
    picture.classList.add("selectable");
    for (const group of picture.querySelectorAll("[data-movement]")) mark(group, byWritten.get(Number(group.dataset.movement)));
    box.append(picture);
    box.dispatchEvent(new CustomEvent("music-drawn", { bubbles: true }));
  }

  // Draws what is to be seen, and `more` of its height above and below.
  function drawNear(more) {
    const [from, to] = [(place.scrollTop - more * height) / drawnFor, (place.scrollTop + (1 + more) * height) / drawnFor];
    boxes.forEach((box, number) => { if (tops[number] <= to && (tops[number + 1] ?? Infinity) >= from) draw(box); });
  }

  function find(written) {
    const box = boxOf.get(written);
    if (!box) return null;
    draw(box);
    return box.querySelector(`[data-movement="${written}"]`);
  }

  function showChosen(index, from) {
    const movement = movements.find((entry) => entry.index === index);
    const group = movement ? find(movement.written) : null;
    chosen?.classList.remove("selected");
    group?.classList.add("selected");
    chosen = group;
    if (group && from !== "music") reveal(group, place);
  }

  function line({ picture, wide, high, movements: numbers }) {
    const box = document.createElement("div");
    box.className = "music-line";
    box.style.aspectRatio = `${wide} / ${high}`;
    waiting.set(box, picture);
    for (const number of numbers) boxOf.set(number, box);
    return box;
  }

  async function fill() {
    const width = widthOf(place);
    if (width < 1 || width === drawnFor) return;
    drawnFor = width;
    const told = await fetched(`${place.dataset.lines}?width=${width}`);
    if (width !== drawnFor) return;
    if (!told) {
      drawnFor = 0; // the next change of width tries again
      if (boxOf.size === 0) place.textContent = "The music could not be drawn. Load the page again.";
      return;
    }
    waiting.clear();
    boxOf = new Map();
    boxes = told.lines.map(line);
    let top = 0;
    tops = told.lines.map(({ wide, high }) => (top += high / wide) - high / wide);
    place.replaceChildren(pictureFrom(told.symbols), ...boxes);
    height = place.clientHeight;
    drawNear(ahead);
    showChosen(selection.movement);
  }

  place.addEventListener("scroll", () => drawNear(1), { passive: true });
  place.addEventListener("click", ({ target }) => {
    const movement = byWritten.get(Number(target.closest("[data-movement]")?.dataset.movement ?? NaN));
    if (movement) selection.choose(movement.index, "music");
  });
  document.addEventListener("movement-ruled", ({ detail }) => {
    const box = boxOf.get(detail.written);
    const group = box && !waiting.has(box) ? find(detail.written) : null;
    if (group) mark(group, detail);
  });
  selection.onMovement(showChosen);
  let soon = 0;
  addEventListener("resize", () => {
    clearTimeout(soon);
    soon = setTimeout(fill, SETTLED_MS);
  });
  fill();
  return {
    place,
    find,
    /** Draws what is next as well: there is time for it now. */
    drawAhead() {
      ahead = 1;
      drawNear(ahead);
    },
  };
}
