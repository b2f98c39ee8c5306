// What the player covers: nothing that is scrolled to lies under it, and a part that was asked for is kept in sight while
// what stands above it is still on its way.

const calm = window.matchMedia("(prefers-reduced-motion: reduce)");
const SETTLED_MS = 8000;
const ROOM = 12; // between what is scrolled to and the player
const HANDS = ["wheel", "touchstart", "pointerdown", "keydown"];

let letGo = () => {};

/** From now on whatever is scrolled to stops above the player, however many lines it has. */
export function keepClearOf(player) {
  new ResizeObserver(() => {
    document.documentElement.style.scrollPaddingBottom = `${player.offsetHeight + ROOM}px`;
  }).observe(player);
}

// In the middle of what the player leaves free; what is taller than that is read from its beginning.
function scrollTo(part, behavior) {
  const paddings = getComputedStyle(document.documentElement);
  const free = window.innerHeight - parseFloat(paddings.scrollPaddingTop) - parseFloat(paddings.scrollPaddingBottom);
  part?.scrollIntoView({ block: part.offsetHeight > free ? "start" : "center", behavior });
}

/** `find()` gives the part, or null. It is kept in sight while the page grows, until somebody moves or time is up. */
export function bringOut(find) {
  letGo();
  scrollTo(find(), calm.matches ? "auto" : "smooth");
  const root = document.getElementById("review");
  let height = root.offsetHeight;
  const watch = new ResizeObserver(() => {
    if (root.offsetHeight === height) return; // it tells of the beginning too
    height = root.offsetHeight;
    scrollTo(find(), "auto");
  });
  watch.observe(root);
  const timer = setTimeout(() => letGo(), SETTLED_MS);
  letGo = () => {
    watch.disconnect();
    clearTimeout(timer);
    for (const act of HANDS) window.removeEventListener(act, letGo);
  };
  for (const act of HANDS) window.addEventListener(act, letGo, { passive: true });
}
