// The tutor's form for the beat: fills in how far the grid has to move for its nearest beat to fall on the playhead.

import { selection } from "./review_selection.js";

/** `beats` are those of the page as it is, so what is found is added to how far they are moved already. */
export function startBeatForm(root, beats) {
  const button = root.querySelector("#beat-here");
  if (!button || beats.length === 0) return;
  const shift = root.querySelector("#beat-shift");
  const most = Number(shift.max);
  const moved = Number(shift.value);
  button.hidden = false;
  button.addEventListener("click", () => {
    const nearest = beats.reduce((best, beat) => (Math.abs(beat - selection.time) < Math.abs(best - selection.time) ? beat : best));
    const wanted = Math.round(moved + 1000 * (selection.time - nearest));
    shift.value = Math.max(-most, Math.min(most, wanted));
  });
}
