// Music and list follow the sound: the movement that is heard is marked, and scrolled into its box while it plays.

import { selection } from "./review_selection.js";

const AFTER_S = 0.4;
const HANDS_OFF_MS = 3000;

/** `places`: the boxes to mark in, as {box, find}: where to scroll, and what stands there for a movement. */
export function startFollowing(movements, places, { reveal, isPlaying }) {
  const played = movements.filter((movement) => movement.start_s !== null).sort((one, two) => one.start_s - two.start_s);
  const touched = new Map();
  const marked = new Map(); // box: what is marked in it
  let heard = null;
  for (const { box } of places) {
    for (const name of ["wheel", "pointerdown", "touchmove", "keydown"]) {
      box.addEventListener(name, () => touched.set(box, performance.now()), { passive: true });
    }
  }

  function at(seconds) {
    let low = 0;
    let high = played.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (played[middle].start_s <= seconds) low = middle + 1;
      else high = middle;
    }
    const movement = played[low - 1];
    return movement && seconds <= (movement.end_s ?? movement.start_s) + AFTER_S ? movement : null;
  }

  function mark(movement) {
    for (const { box, find } of places) {
      marked.get(box)?.classList.remove("is-heard");
      const part = (movement && find(movement)) || null;
      marked.set(box, part);
      if (!part) continue;
      part.classList.add("is-heard");
      // Whoever scrolls about in a box while it plays is looking for something.
      if (performance.now() - (touched.get(box) ?? -Infinity) > HANDS_OFF_MS) reveal(part, box);
    }
  }

  selection.onTime(() => {
    const movement = isPlaying() ? at(selection.time) : null;
    if (movement === heard) return;
    heard = movement;
    mark(movement);
  });
}
