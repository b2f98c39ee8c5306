// Music follows its sound: the note that is heard, with its movement, is marked and brought into sight.

const AHEAD_BEATS = 0.06; // a movement is seen as it begins, a little before its beat
const HANDS_OFF_MS = 3000;
const AIR = 90; // round a note without a movement, in the picture's units

/** `beatNow` says where the sound is, in beats from the music's first, or null while nothing sounds. */
export function startFollowing(place, beatNow) {
  let notes = []; // of the picture that is there, in order: {beat, part}
  let picture = null;
  let heard = null;
  let touched = -Infinity;
  for (const name of ["wheel", "touchmove", "keydown"]) {
    addEventListener(name, () => (touched = performance.now()), { passive: true });
  }

  function look() {
    picture = place.querySelector("svg");
    heard = null;
    notes = [...place.querySelectorAll("[data-onset]")].map((note) => ({
      beat: Number(note.dataset.onset),
      part: note.closest(".movement") ?? note,
    }));
    notes.sort((one, two) => one.beat - two.beat);
  }

  function mark(part) {
    place.querySelector(".heard-ground")?.remove();
    heard = part;
    if (!part) return;
    const box = part.getBBox();
    const air = part.matches(".movement") ? 0 : AIR;
    const ground = document.createElementNS("http://www.w3.org/2000/svg", "rect");
    const measures = { x: box.x - air, y: box.y - air, width: box.width + 2 * air, height: box.height + 2 * air, rx: 90 };
    for (const [name, value] of Object.entries({ class: "heard-ground", ...measures })) ground.setAttribute(name, value);
    part.before(ground);
    reveal(ground);
  }

  // Whoever scrolls about while it plays is looking for something.
  function reveal(ground) {
    const seen = ground.getBoundingClientRect();
    const hidden = seen.top < 0 || seen.bottom > innerHeight - 80;
    if (!hidden || performance.now() - touched < HANDS_OFF_MS) return;
    const calm = matchMedia("(prefers-reduced-motion: reduce)").matches;
    ground.scrollIntoView({ block: "center", behavior: calm ? "auto" : "smooth" });
  }

  function follow() {
    const beat = beatNow();
    if (picture !== place.querySelector("svg")) look();
    const part = beat === null ? null : (notes.findLast((note) => note.beat <= beat + AHEAD_BEATS)?.part ?? null);
    if (part !== heard) mark(part);
    return beat !== null;
  }

  let running = false;
  function step() {
    running = follow();
    if (running) requestAnimationFrame(step);
  }
  /** To be called when a sound begins, and when it has been moved or has stopped. */
  return () => {
    if (!running) step();
  };
}
