// What is drawn of the timeline: of everything that stands in the traces' meta, what is near the stretch on the screen, as
// large as its zoom wants it, and of the words those that have room. A long take has thousands of sounds.

const LENGTHS_FROM = 150; // pixels a second
const CLOSEST_LINES_PX = 6;
const MOST_TOLD = 400; // more sounds than this on the screen are too small to be pointed at one by one
const MARK_PX = 6.5;
const LEAST_MARK_PX = 1.5;
const CROWDED_PX = 3; // marks narrower than this: those of faults then stand out of the row
const WORDS_OVER_MARK_PX = 12;
const LETTER_PX = 7;

// Corners of a movement's mark, the last the first again.
const OUTLINES = {
  clean: [[1, 0.41], [0.41, 1], [-0.41, 1], [-1, 0.41], [-1, -0.41], [-0.41, -1], [0.41, -1], [1, -0.41], [1, 0.41]],
  fault: [[-1, -0.8], [1, -0.8], [0, 1], [-1, -0.8]],
  unsure: [[0, 1], [1, 0], [0, -1], [-1, 0], [0, 1]],
};

/** Outlines as pieces of their own. `words`: what is said at each of them, or nothing. */
function apart(outlines, words) {
  return {
    x: outlines.flatMap((outline) => [...outline.map(([across]) => across), null]),
    y: outlines.flatMap((outline) => [...outline.map(([, up]) => up), null]),
    text: words.flatMap((word, number) => [...outlines[number].map(() => word), ""]),
  };
}

/** Closed outlines as one line that goes from each to the next and back the same way, so that nothing is filled between
 * them: of each piece that stands alone plotly makes an element, thousands of them, and throws them away again. */
function asOne(outlines, words) {
  const there = outlines.flat();
  const back = outlines.slice(0, -1).reverse().map(([first]) => first);
  const points = [...there, ...back];
  return {
    x: points.map(([across]) => across),
    y: points.map(([, up]) => up),
    text: words.length ? [...words.flatMap((word, number) => outlines[number].map(() => word)), ...words.slice(0, -1).reverse()] : [],
  };
}

/** The words that have room beside each other, the others empty. `at` are their places in pixels, in order. */
export function fitting(words, at) {
  return words.map((word, number) => {
    const half = (word.length * LETTER_PX) / 2;
    const left = number ? at[number] - at[number - 1] : Infinity;
    const right = number + 1 < at.length ? at[number + 1] - at[number] : Infinity;
    const room = (space, other) => space > half + (other.length * LETTER_PX) / 2 + 8;
    return room(left, words[number - 1] ?? "") && room(right, words[number + 1] ?? "") ? word : "";
  });
}

/** The drawing of `figure`. `nameOf(index)` is a movement's name. */
export function drawing(figure, nameOf) {
  const byPart = new Map(figure.data.map((trace) => [trace.meta?.part, trace]));
  const played = byPart.get("movements");
  const { layout } = figure;
  const [bottom, top] = layout.yaxis.range;
  const lanePx = (layout.height - layout.margin.t - layout.margin.b) / (top - bottom);
  let covered = null; // the stretch and zoom that shapes were drawn for

  const numbersIn = (times, from, to) => times.map((_, number) => number).filter((number) => times[number] >= from && times[number] <= to);

  function boxes(trace, { from, to, perSecond }) {
    const { starts, ms, lanes, high, least_px: least } = trace.meta;
    const inside = starts.map((_, number) => number).filter((number) => starts[number] <= to && starts[number] + ms[number] / 1000 >= from);
    const told = inside.length <= MOST_TOLD;
    const outlines = inside.map((number) => {
      const wide = ms[number] / 1000;
      const more = Math.max(0, least / perSecond - wide) / 2;
      const [start, end] = [starts[number] - more, starts[number] + wide + more];
      const [low, top] = [lanes[number] - high / 2, lanes[number] + high / 2];
      return [[start, low], [end, low], [end, top], [start, top], [start, low]];
    });
    const words = told ? inside.map((number) => soundWords(trace, trace.meta, number)) : [];
    Object.assign(trace, asOne(outlines, words), { hoverinfo: told ? "all" : "skip" });
  }

  const soundWords = ({ name }, { ms, lanes }, number) => `${layout.yaxis.ticktext[lanes[number]]}, ${name}, ${Math.round(ms[number])} ms`;

  function soundMarks(trace, { from, to }) {
    const { meta } = byPart.get(trace.meta.of);
    const { starts, ms, lanes } = meta;
    const inside = numbersIn(starts, from, to);
    trace.x = inside.map((number) => starts[number] + ms[number] / 2000);
    trace.y = inside.map((number) => lanes[number]);
    trace.text = inside.map((number) => soundWords(trace, meta, number));
  }

  // Where there are many beside each other they are narrow, down to a line.
  function movementMarks(trace, { from, to, perSecond }) {
    const { at, verdicts, said, indexes, y: lane } = played.meta;
    const inside = numbersIn(at, from, to);
    const room = inside.length > 1 ? (perSecond * (at[inside.at(-1)] - at[inside[0]])) / (inside.length - 1) : Infinity;
    const outline = OUTLINES[trace.meta.verdict];
    const clean = trace.meta.verdict === "clean";
    const halfPx = Math.max(clean ? LEAST_MARK_PX : 2 * LEAST_MARK_PX, Math.min(MARK_PX, 0.42 * room));
    const half = halfPx / perSecond;
    const high = (clean && halfPx < CROWDED_PX ? CROWDED_PX : MARK_PX) / lanePx;
    const mine = inside.filter((number) => verdicts[number] === trace.meta.verdict);
    const outlines = mine.map((number) => outline.map(([across, up]) => [at[number] + across * half, lane + up * high]));
    const words = mine.map((number) => `${nameOf(indexes[number])}<br>${said[number]}`);
    Object.assign(trace, trace.fill === "none" ? apart(outlines, words) : asOne(outlines, words));
  }

  // A screen to each side is drawn as well, so that there is something to see while the timeline is pulled.
  function shapes(view) {
    const { from, to, perSecond } = view;
    const enough = covered && from >= covered.from && to <= covered.to && Math.abs(Math.log2(perSecond / covered.perSecond)) < 0.2;
    if (enough) return [];
    covered = { from: from - (to - from), to: to + (to - from), perSecond };
    const changed = [];
    for (const trace of figure.data) {
      const { starts, of, part, verdict } = trace.meta ?? {};
      if (starts) boxes(trace, covered);
      else if (of && part.endsWith("-mark")) soundMarks(trace, covered);
      else if (verdict) movementMarks(trace, covered);
      else continue;
      changed.push(trace);
    }
    return changed;
  }

  // Lines of beats that would stand too close are left out.
  function lines(trace, { from, to, perSecond }) {
    const { uprights, from: low, to: top } = trace.meta;
    const inside = uprights.filter((seconds) => seconds >= from && seconds <= to);
    const shown = inside.length * CLOSEST_LINES_PX <= perSecond * (to - from) ? inside : [];
    if (!changes(trace, shown.join())) return false;
    trace.x = shown.flatMap((seconds) => [seconds, seconds, null]);
    trace.y = shown.flatMap(() => [low, top, null]);
    return true;
  }

  function changes(trace, shown) {
    if (shown === (trace.meta.shown ?? "")) return false;
    trace.meta.shown = shown;
    return true;
  }

  // In the middle of what is to be seen of each: at close zoom one may be longer than the screen is wide.
  function lengthsOf({ starts, ms, lanes }, from, to) {
    const middle = (start, end) => (end < from || start > to ? (start + end) / 2 : (Math.max(start, from) + Math.min(end, to)) / 2);
    return { at: starts.map((start, number) => middle(start, start + ms[number] / 1000)), said: ms.map((length) => `${Math.round(length)} ms`), lanes };
  }

  // A beat so close to the beginning of a bar that the bar's number needs its room.
  function besideBar(seconds, perSecond) {
    const { at, said } = byPart.get("bars").meta;
    const number = at.findLastIndex((start) => start <= seconds);
    return number >= 0 && (seconds - at[number]) * perSecond < said[number].length * LETTER_PX + 4;
  }

  // Closer up there is room to say in words what the shapes say: flags, beats, and how long each gracenote is.
  function words(trace, { from, to, perSecond }) {
    const { part, of, y } = trace.meta;
    // Lengths are for close zoom; far out they would stand beside some marks and not beside others.
    if (of && perSecond <= LENGTHS_FROM) {
      if (!changes(trace, "")) return false;
      Object.assign(trace, { x: [], y: [], text: [] });
      return true;
    }
    const { at, said, lanes } = of ? lengthsOf(byPart.get(of).meta, from, to) : trace.meta;
    const inside = numbersIn(at, from, to).filter((number) => part !== "beat-names" || !besideBar(at[number], perSecond));
    const fit = fitting(inside.map((number) => said[number]), inside.map((number) => (at[number] - from) * perSecond));
    const kept = inside.filter((_, number) => fit[number]);
    if (!changes(trace, kept.map((number) => `${number}${said[number]}${of ? at[number] : ""}`).join())) return false;
    const over = part === "movements" ? WORDS_OVER_MARK_PX / lanePx : 0;
    trace.x = kept.map((number) => at[number]);
    trace.y = kept.map((number) => (lanes ? lanes[number] + 0.35 : y + over));
    trace.text = kept.map((number) => said[number]);
    trace.meta.kept = kept;
    return true;
  }

  return {
    /** Fills the traces for what is on the screen, as {from, to, perSecond}: those that have changed. */
    fill(view) {
      const changed = shapes(view);
      for (const trace of figure.data) {
        if (trace.meta?.uprights ? lines(trace, view) : trace.mode === "text" && words(trace, view)) changed.push(trace);
      }
      return changed;
    },
    /** To be filled anew whatever is on the screen: something was judged otherwise. */
    forget() { covered = null; },
  };
}
