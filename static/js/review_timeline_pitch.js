// The pitch of what is on the screen, drawn into the lanes of the notes when somebody asks for it.

const LONGEST_S = 12;
const HALF_LANE_CENTS = 30;
const WAIT_MS = 250;

/** `draw(x, y)` shows a line; `range()` is what is on the screen, in seconds; `lanes` are the notes, low to high. */
export function startPitch(root, address, { draw, range, duration, lanes }) {
  const button = root.querySelector("#pitch");
  const words = root.querySelector("#pitch-words");
  let asked = 0;
  let soon = 0;
  let shown = [0, 0];

  const on = () => button.getAttribute("aria-pressed") === "true";

  async function fetchIt() {
    const mine = (asked += 1);
    const [left, right] = range();
    const [from, to] = [Math.max(0, left), Math.min(duration, right)];
    if (to - from > LONGEST_S) {
      words.textContent = `Zoom in to ${LONGEST_S} s or less to see the pitch.`;
      return draw([], []);
    }
    if (from >= shown[0] && to <= shown[1]) return;
    words.textContent = "Following the pitch …";
    try {
      const answer = await fetch(`${address}?start=${from.toFixed(2)}&end=${to.toFixed(2)}`);
      if (!answer.ok) throw new Error("");
      const { times_s: x, cents, notes } = await answer.json();
      if (mine !== asked || !on()) return;
      shown = [from, to];
      words.textContent = `The line in a note’s lane is its pitch; the lane’s edges are ${HALF_LANE_CENTS} cents off.`;
      draw(x, cents.map((value, number) => (value === null ? null : lanes.indexOf(notes[number]) + (0.5 * Math.max(-HALF_LANE_CENTS, Math.min(HALF_LANE_CENTS, value))) / HALF_LANE_CENTS)));
    } catch {
      if (mine === asked) words.textContent = "The pitch could not be had. Check the connection and try again.";
    }
  }

  function look() {
    if (!on()) return;
    clearTimeout(soon);
    soon = setTimeout(fetchIt, WAIT_MS);
  }

  button.addEventListener("click", () => {
    button.setAttribute("aria-pressed", String(!on()));
    shown = [0, 0];
    if (on()) return fetchIt();
    asked += 1;
    words.textContent = "";
    draw([], []);
  });
  return { look };
}
