// The ruler: two points on the timeline, and what lies between them in milliseconds and in parts of a beat. Points snap
// to where a sound begins or ends, since that is what is measured.

const SNAP_PX = 9;
const DOUBLE_MS = 250;
const PARTS = [2, 3, 4, 6, 8, 12, 16, 24, 32];

/** The place of `seconds` in beats from the first beat, carried on beyond both ends; null without a beat. */
function placeIn(beats, seconds) {
  if (beats.length < 2) return null;
  let at = beats.findIndex((beat) => beat > seconds);
  at = at < 0 ? beats.length - 1 : Math.max(1, at);
  return at - 1 + (seconds - beats[at - 1]) / (beats[at] - beats[at - 1]);
}

function ofABeat(share) {
  const near = PARTS.find((part) => Math.abs(share * part - 1) < 0.08);
  const words = share >= 0.995 ? `${share.toFixed(2)} beats` : `${share.toFixed(share < 0.1 ? 3 : 2)} of a beat`;
  return near ? `${words}, about 1/${near}` : words;
}

/** `chart`: {xOf(seconds), secondsAcross(pixels), left(), right()}; `edges`: where sounds begin and end, in order. */
export function startRuler(root, chart, { beats, edges }) {
  const button = root.querySelector("#ruler");
  const band = root.querySelector("#ruler-band");
  const words = root.querySelector("#ruler-words");
  let points = [];
  let marked = 0;

  const on = () => button.getAttribute("aria-pressed") === "true";

  function snapped(seconds) {
    const reach = chart.secondsAcross(SNAP_PX);
    let best = seconds;
    let away = reach;
    for (const edge of edges) {
      const distance = Math.abs(edge - seconds);
      if (distance < away && edge !== points.at(-1)) {
        best = edge;
        away = distance;
      }
    }
    return best;
  }

  function draw() {
    band.hidden = !on() || points.length === 0;
    if (band.hidden) return;
    const [from, to] = [chart.xOf(points[0]), chart.xOf(points.at(-1))];
    const [left, right] = [Math.max(Math.min(from, to), chart.left()), Math.min(Math.max(from, to), chart.right())];
    band.hidden = right < left;
    band.style.transform = `translateX(${left}px)`;
    band.style.width = `${Math.max(0, right - left)}px`;
  }

  function tell() {
    if (!on()) words.textContent = "";
    else if (points.length === 0) words.textContent = "Choose the first point in the timeline, or press M for the playhead’s place.";
    else if (points.length === 1) words.textContent = `From ${points[0].toFixed(3)} s: choose the second point.`;
    else {
      const [from, to] = [...points].sort((one, two) => one - two);
      const [first, last] = [placeIn(beats, from), placeIn(beats, to)];
      const beat = first === null ? "" : `, ${ofABeat(last - first)}`;
      words.textContent = `${Math.round(1000 * (to - from))} ms${beat} (${from.toFixed(3)} to ${to.toFixed(3)} s).`;
    }
  }

  function mark(seconds) {
    // Some browsers send one tap twice.
    if (performance.now() - marked < DOUBLE_MS) return;
    marked = performance.now();
    points = points.length === 1 ? [points[0], snapped(seconds)] : [snapped(seconds)];
    draw();
    tell();
  }

  button.addEventListener("click", () => {
    button.setAttribute("aria-pressed", String(!on()));
    points = [];
    draw();
    tell();
  });

  return {
    get on() { return on(); },
    mark,
    draw,
    markAt(seconds) {
      if (!on()) button.click();
      mark(seconds);
    },
  };
}
