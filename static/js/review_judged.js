// What is said of the take may change while its page is open: by the tutor's word, another beat, other tolerances. The page
// says so and shows it when it is asked to, never by itself: what somebody reads or writes is not pulled from under them.

import { selection } from "./review_selection.js";

/** A thing that is told how the take stands at the studio. */
export function startJudged(root) {
  const notice = root.querySelector("#judged");
  let shown = root.dataset.judged; // what this page shows

  // Words and recordings that are not sent yet are kept by what keeps drafts; the address brings back what was chosen.
  notice.querySelector("#judged-show").addEventListener("click", () => {
    if (selection.movement !== null) history.replaceState(null, "", `#movement-${selection.movement}`);
    location.reload();
  });

  return {
    /** How the take stands now. */
    stands(stamp) { notice.hidden = stamp <= shown; },
    /** This page changed it, from what stood before, and shows that already. */
    changed({ before, now }) {
      if (before !== shown) return;
      shown = now;
      notice.hidden = true;
    },
  };
}
