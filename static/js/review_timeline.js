// The plotly timeline: coloured from the style sheet, with a playhead moved over it and clicks turned into choices.

import { startRuler } from "./review_ruler.js";
import { selection } from "./review_selection.js";
import { fitting, paint } from "./review_timeline_paint.js";
import { startPitch } from "./review_timeline_pitch.js";

const CLOSEST_S = 0.25;
const DOUBLE_MS = 350;
const CLOSEST_ZOOM_S = 0.03;
const LENGTHS_FROM = 150; // pixels a second
const CLOSEST_LINES_PX = 6;
const LINES = ["theme", "gracenote", "crossing", "unwritten"];
const LANES = ["low G", "low A", "B", "C", "D", "E", "F", "high G", "high A"];

export async function startTimeline(data, root, { onSpot, onNote, isPlaying }) {
  const { Plotly } = window;
  const place = root.querySelector("#timeline");
  const playhead = root.querySelector("#playhead");
  const ring = root.querySelector("#timeline-ring");
  const { figure, movements, duration_s: duration } = data;
  const narrow = window.matchMedia("(max-width: 40rem)");
  figure.layout.height = narrow.matches ? 300 : 360;
  if (narrow.matches) figure.layout.xaxis.range = [0, Math.min(duration, 9)];
  const config = { displayModeBar: false, scrollZoom: true, responsive: true, doubleClick: false, showTips: false };
  await Plotly.newPlot(place, paint(figure).data, figure.layout, config);
  root.querySelector("#timeline-wait").hidden = true;

  const played = figure.data.find((trace) => trace.meta?.part === "movements");
  const axis = () => place._fullLayout.xaxis;
  const range = () => axis().range.map(Number);

  // The playhead is an element of its own, moved by transform: redrawing the plot sixty times a second would not do.
  function movePlayhead() {
    const x = axis();
    const offset = x._offset + x.l2p(selection.time);
    const inside = selection.time >= range()[0] && selection.time <= range()[1];
    playhead.hidden = !inside;
    playhead.style.transform = `translateX(${offset}px)`;
  }

  const worded = figure.data.filter((trace) => trace.meta?.said);

  // Closer up there is room to say in words what the shapes say: flags, beats, and how long each gracenote is.
  function showWords() {
    const x = axis();
    const [from, to] = range();
    const changed = [];
    for (const trace of worded) {
      const { part, at, y, said } = trace.meta;
      // Lengths are for close zoom; far out they would stand beside some marks and not beside others.
      const near = x._length / (to - from) > (part.endsWith("-lengths") ? LENGTHS_FROM : 0);
      const inside = near ? at.map((_, number) => number).filter((number) => at[number] >= from && at[number] <= to) : [];
      const fit = fitting(inside.map((number) => said[number]), inside.map((number) => x.l2p(at[number])));
      const kept = inside.filter((_, number) => fit[number]);
      const key = kept.join();
      if (key === (trace.meta.shown ?? "")) continue;
      trace.meta.shown = key;
      Object.assign(trace, { x: kept.map((n) => at[n]), y: kept.map((n) => y[n]), text: kept.map((n) => said[n]) });
      changed.push(trace);
    }
    changed.push(...scaled(x._length / (to - from), from, to));
    const text = fitting(played.meta.words, played.x.map((seconds) => x.l2p(seconds)));
    if (text.some((word, number) => word !== played.text[number])) {
      played.text = text;
      changed.push(played);
    }
    if (changed.length === 0) return;
    const all = (key) => changed.map((trace) => trace[key]);
    Plotly.restyle(place, { x: all("x"), y: all("y"), text: all("text") }, changed.map((trace) => figure.data.indexOf(trace)));
  }

  // What is drawn by the scale: lines of beats that would stand too close are left out, marks are two pixels wide.
  function scaled(perSecond, from, to) {
    const changed = [];
    for (const trace of figure.data) {
      const { uprights, middles } = trace.meta ?? {};
      if (uprights) {
        const inside = uprights.filter((seconds) => seconds >= from && seconds <= to);
        const shown = inside.length * CLOSEST_LINES_PX <= perSecond * (to - from) ? inside : [];
        if (shown.join() === (trace.meta.shown ?? "")) continue;
        trace.meta.shown = shown.join();
        trace.x = shown.flatMap((seconds) => [seconds, seconds, null]);
        trace.y = shown.flatMap(() => [trace.meta.from, trace.meta.to, null]);
        changed.push(trace);
      } else if (middles && Math.abs(Math.log2(perSecond / (trace.meta.perSecond ?? 1e-9))) > 0.2) {
        trace.meta.perSecond = perSecond;
        const half = 1 / perSecond;
        trace.x = middles.flatMap((at) => [at - half, at + half, at + half, at - half, at - half, null]);
        changed.push(trace);
      }
    }
    return changed;
  }

  function look(from, to) {
    const width = Math.min(to - from, duration + 1);
    const start = Math.max(-0.5, Math.min(from, duration + 0.5 - width));
    return Plotly.relayout(place, { "xaxis.range": [start, start + width] });
  }

  function zoom(factor) {
    const [from, to] = range();
    const middle = selection.time > from && selection.time < to ? selection.time : (from + to) / 2;
    const width = Math.max(CLOSEST_ZOOM_S, (to - from) * factor);
    return look(middle - width / 2, middle + width / 2);
  }

  const at = (index) => movements.find((movement) => movement.index === index);

  function zoomMovement() {
    const movement = at(selection.movement);
    if (movement?.start_s == null) return;
    look(movement.start_s - 0.35, (movement.end_s ?? movement.start_s) + 0.45);
  }

  const secondsAt = (clientX) => axis().p2l(clientX - place.getBoundingClientRect().left - axis()._offset);
  const chart = {
    xOf: (seconds) => axis()._offset + axis().l2p(seconds),
    left: () => axis()._offset,
    right: () => axis()._offset + axis()._length,
    secondsAcross: (pixels) => ((range()[1] - range()[0]) * pixels) / axis()._length,
  };
  const sounds = figure.data.filter((trace) => LINES.includes(trace.meta?.part));
  const edges = sounds.flatMap((trace) => trace.x.filter((seconds) => seconds !== null));
  const ruler = startRuler(root, chart, { beats: data.beats_s, edges });
  const pitched = figure.data.filter((trace) => trace.meta?.part.startsWith("pitch"));
  const pitch = startPitch(root, root.dataset.pitch, {
    draw(x, y) {
      for (const trace of pitched) Object.assign(trace, { x, y });
      Plotly.restyle(place, { x: [x, x], y: [y, y] }, pitched.map((trace) => figure.data.indexOf(trace)));
    },
    range,
    duration,
    lanes: LANES,
  });

  let handled = 0;
  let onPoint = 0;
  place.on("plotly_click", (event) => {
    // Some browsers send one tap twice.
    if (performance.now() - handled < DOUBLE_MS) return;
    handled = onPoint = performance.now();
    if (ruler.on) return ruler.mark(secondsAt(event.event.clientX));
    const point = event.points.find((entry) => ["movements", "pinned"].includes(entry.data.meta?.part)) ?? event.points[0];
    const part = point.data.meta?.part;
    if (part === "movements") return selection.choose(point.customdata, "timeline");
    if (part === "pinned") return onNote(point.customdata);
    nearest(secondsAt(event.event.clientX));
  });

  // A sound belongs to the movement it is part of; a click on it chooses that, and puts the playhead there.
  function nearest(seconds) {
    const near = movements
      .filter((movement) => movement.start_s !== null)
      .find((movement) => seconds >= movement.start_s - CLOSEST_S / 5 && seconds <= (movement.end_s ?? movement.start_s) + CLOSEST_S / 5);
    if (near) selection.choose(near.index, "timeline");
    else onSpot(seconds);
  }

  let down = null;
  place.addEventListener("pointerdown", (event) => { down = { x: event.clientX, y: event.clientY, range: range()[0] }; }, true);
  place.addEventListener("click", (event) => {
    const moved = down && (Math.hypot(event.clientX - down.x, event.clientY - down.y) > 5 || down.range !== range()[0]);
    if (moved) return;
    // Plotly tells of a click on a point just before or after this one; only an empty spot is ours.
    setTimeout(() => {
      if (performance.now() - onPoint < DOUBLE_MS) return;
      const seconds = secondsAt(event.clientX);
      if (seconds < 0 || seconds > duration) return;
      if (ruler.on) ruler.mark(seconds);
      else nearest(seconds);
    }, 60);
  });

  place.on("plotly_relayout", () => {
    moved();
    showWords();
    pitch.look();
  });
  place.on("plotly_relayouting", moved);
  function moved() {
    movePlayhead();
    moveRing();
    ruler.draw();
  }

  // Round the chosen movement. An element of its own as well: a press is to be answered at once, however long the take.
  function moveRing() {
    const number = played.customdata.indexOf(selection.movement);
    const { _offset: top } = place._fullLayout.yaxis;
    const inside = number >= 0 && played.x[number] >= range()[0] && played.x[number] <= range()[1];
    ring.hidden = !inside;
    if (!inside) return;
    const y = top + place._fullLayout.yaxis.l2p(played.y[number]);
    ring.style.transform = `translate(${chart.xOf(played.x[number])}px, ${y}px)`;
  }
  new ResizeObserver(moved).observe(place);
  selection.onTime((seconds, from) => {
    const [start, end] = range();
    // While it plays, the page turns when the playhead leaves it.
    if (from === "sound" && isPlaying() && (seconds > end || seconds < start)) {
      look(seconds - (end - start) * 0.1, seconds + (end - start) * 0.9);
    }
    movePlayhead();
  });

  function repaint() {
    paint(figure);
    Plotly.react(place, figure.data, { ...figure.layout, xaxis: { ...figure.layout.xaxis, range: range() } }, config);
  }
  selection.onMovement((index) => {
    moveRing();
    const movement = at(index);
    const [start, end] = range();
    if (movement?.start_s != null && (movement.start_s < start || movement.start_s > end)) {
      look(movement.start_s - (end - start) / 2, movement.start_s + (end - start) / 2);
    }
  });
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", repaint);

  root.querySelector("#zoom-in").addEventListener("click", () => zoom(0.5));
  root.querySelector("#zoom-out").addEventListener("click", () => zoom(2));
  root.querySelector("#zoom-all").addEventListener("click", () => look(0, duration));
  root.querySelector("#zoom-movement").addEventListener("click", zoomMovement);
  moved();
  showWords();

  return {
    // Draws the pinned notes anew.
    pinned(notes) {
      const starts = new Map(played.customdata.map((index, number) => [index, played.x[number]]));
      const first = notes.filter((note) => !note.answer_to);
      const places = (note) => (note.movement_indexes.length > 1
        ? note.movement_indexes.map((index) => starts.get(index)) : [note.start_s ?? starts.get(note.movement_index)]);
      const placed = first.flatMap((note) => places(note).filter((at) => at != null).map((at) => ({ at, id: note.id })));
      const stretches = first.filter((note) => note.movement_index === null && note.end_s !== null);
      const lines = figure.data.find((entry) => entry.meta?.part === "pinned-stretch");
      lines.x = stretches.flatMap((note) => [note.start_s, note.end_s, null]);
      lines.y = stretches.flatMap(() => [lines.meta.lane, lines.meta.lane, null]);
      const trace = figure.data.find((entry) => entry.meta?.part === "pinned");
      trace.x = placed.map((note) => note.at);
      trace.y = placed.map(() => trace.meta.lane);
      trace.customdata = placed.map((note) => note.id);
      repaint();
    },
    // Draws a movement anew that the tutor spoke about.
    ruled(movement) {
      const number = played.customdata.indexOf(movement.index);
      if (number < 0) return;
      played.meta.verdicts[number] = movement.verdict;
      played.meta.words[number] = movement.verdict === "fault" ? movement.flags.map((flag) => flag.word).join(", ") : movement.verdict_word;
      played.marker.symbol[number] = played.meta.symbols[movement.verdict];
      played.hovertemplate[number] = `${movement.name}<br>${played.meta.words[number]}<extra></extra>`;
      repaint();
      showWords();
    },
    zoom,
    zoomMovement,
    measure: () => ruler.markAt(selection.time),
    all: () => look(0, duration),
  };
}
