// The plotly timeline: coloured from the style sheet, with a playhead moved over it and clicks turned into choices.

import { startRuler } from "./review_ruler.js";
import { selection } from "./review_selection.js";
import { drawing } from "./review_timeline_marks.js";
import { paint, paintWords } from "./review_timeline_paint.js";
import { startPitch } from "./review_timeline_pitch.js";

const CLOSEST_S = 0.25;
const DOUBLE_MS = 350;
const CLOSEST_ZOOM_S = 0.03;
const MARK_REACH_PX = 14;
const LANES = ["low G", "low A", "B", "C", "D", "E", "F", "high G", "high A"];

// Plotly works a good while even on a trace without a point in it.
const isThere = (trace) => trace.x.length > 0;

export async function startTimeline(data, root, { movements, notes, onSpot, onNote, isPlaying }) {
  const { Plotly } = window;
  const place = root.querySelector("#timeline");
  const playhead = root.querySelector("#playhead");
  const ring = root.querySelector("#timeline-ring");
  const { figure, duration_s: duration } = data;
  const { layout } = figure;
  const narrow = window.matchMedia("(max-width: 40rem)");
  layout.height = narrow.matches ? 300 : 360;
  layout.width = place.clientWidth;
  if (narrow.matches) layout.xaxis.range = [0, Math.min(duration, 9)];
  const at = (index) => movements.find((movement) => movement.index === index);
  const part = (name) => figure.data.find((trace) => trace.meta?.part === name);
  const played = part("movements");
  const marks = drawing(figure, (index) => at(index)?.name ?? "");
  const pins = [part("pinned"), part("pinned-stretch")];
  const config = { displayModeBar: false, scrollZoom: true, doubleClick: false, showTips: false };

  // All is in its place before anything is drawn: each drawing of a long take costs a slow phone half a second.
  const across = layout.width - layout.margin.l - layout.margin.r;
  const [first, last] = layout.xaxis.range;
  marks.fill({ from: first, to: last, perSecond: across / (last - first) });
  pin(notes);
  for (const trace of figure.data) trace.visible = isThere(trace);
  await Plotly.newPlot(place, paint(figure).data, layout, config);
  root.querySelector("#timeline-wait").hidden = true;

  const axis = () => place._fullLayout.xaxis;
  const range = () => axis().range.map(Number);

  // The playhead is an element of its own, moved by transform: redrawing the plot sixty times a second would not do.
  // Only as far as can be seen: with a whole take on the screen it goes a pixel in a few pictures.
  function movePlayhead() {
    const x = axis();
    const [from, to] = x.range;
    const inside = selection.time >= from && selection.time <= to;
    if (playhead.hidden === inside) playhead.hidden = !inside;
    const transform = `translateX(${Math.round(2 * (x._offset + x.l2p(selection.time))) / 2}px)`;
    if (inside && playhead.style.transform !== transform) playhead.style.transform = transform;
  }

  const restyled = (traces) => [
    { x: traces.map((trace) => trace.x), visible: traces.map(isThere) },
    traces.map((trace) => figure.data.indexOf(trace)),
  ];

  function redraw(traces) {
    Plotly.restyle(place, ...restyled(traces));
  }

  function filled(from, to) {
    const changed = marks.fill({ from, to, perSecond: axis()._length / (to - from) });
    if (changed.includes(played)) paintWords(played);
    return changed;
  }

  function fillView() {
    const changed = filled(...range());
    if (changed.length) redraw(changed);
  }

  function look(from, to) {
    const width = Math.min(to - from, duration + 1);
    const start = Math.max(-0.5, Math.min(from, duration + 0.5 - width));
    Plotly.Fx.unhover(place); // what a finger pointed at last is elsewhere now
    // What is to be seen there and the place itself in one drawing.
    const changed = filled(start, start + width);
    const range = { "xaxis.range": [start, start + width] };
    if (changed.length === 0) return Plotly.relayout(place, range);
    const [values, numbers] = restyled(changed);
    Plotly.update(place, values, range, numbers);
    settled();
  }

  function zoom(factor) {
    const [from, to] = range();
    const middle = selection.time > from && selection.time < to ? selection.time : (from + to) / 2;
    const width = Math.max(CLOSEST_ZOOM_S, (to - from) * factor);
    return look(middle - width / 2, middle + width / 2);
  }

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
  const sounds = figure.data.filter((trace) => trace.meta?.starts);
  const edges = sounds.flatMap(({ meta: { starts, ms } }) => starts.flatMap((start, number) => [start, start + ms[number] / 1000]));
  const ruler = startRuler(root, chart, { beats: data.beats_s, edges });
  const pitched = figure.data.filter((trace) => trace.meta?.part.startsWith("pitch"));
  const pitch = startPitch(root, root.dataset.pitch, {
    draw(x, y) {
      for (const trace of pitched) Object.assign(trace, { x, y });
      redraw(pitched);
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
    const pinned = event.points.find((entry) => entry.data.meta?.part === "pinned");
    if (pinned) onNote(pinned.customdata);
    else chooseAt(event.event);
  });

  // A mark above the lanes is its movement's, wherever a finger met it.
  function chooseAt({ clientX, clientY }) {
    const { meta } = played;
    const box = place.getBoundingClientRect();
    const { yaxis } = place._fullLayout;
    const lane = yaxis.p2l(clientY - box.top - yaxis._offset);
    const seconds = axis().p2l(clientX - box.left - axis()._offset);
    const away = meta.at.map((time) => Math.abs(time - seconds));
    const number = away.indexOf(Math.min(...away));
    const onMark = Math.abs(lane - meta.y) < 0.9 && number >= 0 && away[number] <= chart.secondsAcross(MARK_REACH_PX);
    if (onMark) selection.choose(meta.indexes[number], "timeline");
    else nearest(seconds);
  }

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
      else chooseAt(event);
    }, 60);
  });

  place.on("plotly_relayout", () => {
    fillView();
    settled();
  });
  function settled() {
    moved();
    pitch.look();
  }
  place.on("plotly_relayouting", moved);
  function moved() {
    movePlayhead();
    moveRing();
    ruler.draw();
  }

  // Round the chosen movement. An element of its own as well: a press is to be answered at once, however long the take.
  function moveRing() {
    const { at: times, indexes, y: lane } = played.meta;
    const number = indexes.indexOf(selection.movement);
    const inside = number >= 0 && times[number] >= range()[0] && times[number] <= range()[1];
    ring.hidden = !inside;
    if (!inside) return;
    const { yaxis } = place._fullLayout;
    ring.style.transform = `translate(${chart.xOf(times[number])}px, ${yaxis._offset + yaxis.l2p(lane)}px)`;
  }
  // Its width is given, so that plotly need not ask for it: another width is for us to tell.
  new ResizeObserver(() => {
    if (place.clientWidth > 0 && place.clientWidth !== place._fullLayout.width) Plotly.relayout(place, { width: place.clientWidth });
  }).observe(place.parentElement);
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
  // The list marks a press at once; the timeline turns to it once that is to be seen.
  selection.onMovement((index) => {
    moveRing();
    requestAnimationFrame(() => setTimeout(turnTo, 0, index));
  });
  function turnTo(index) {
    const movement = at(index);
    const [start, end] = range();
    if (index !== selection.movement || movement?.start_s == null) return;
    if (movement.start_s < start || movement.start_s > end) look(movement.start_s - (end - start) / 2, movement.start_s + (end - start) / 2);
  }
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", repaint);

  for (const tool of root.querySelectorAll(".timeline-tools button")) tool.disabled = false;
  root.querySelector("#zoom-in").addEventListener("click", () => zoom(0.5));
  root.querySelector("#zoom-out").addEventListener("click", () => zoom(2));
  root.querySelector("#zoom-all").addEventListener("click", () => look(0, duration));
  const zoomChosen = root.querySelector("#zoom-movement");
  zoomChosen.addEventListener("click", zoomMovement);
  const offerZoom = () => { zoomChosen.disabled = at(selection.movement)?.start_s == null; };
  selection.onMovement(offerZoom);
  offerZoom();
  moved();

  // Puts the pinned notes into their traces.
  function pin(all) {
    const starts = new Map(played.meta.indexes.map((index, number) => [index, played.meta.at[number]]));
    const asked = all.filter((note) => !note.answer_to);
    const places = (note) => (note.movement_indexes.length > 1
      ? note.movement_indexes.map((index) => starts.get(index)) : [note.start_s ?? starts.get(note.movement_index)]);
    const placed = asked.flatMap((note) => places(note).filter((time) => time != null).map((time) => ({ time, id: note.id })));
    const stretches = asked.filter((note) => note.movement_index === null && note.end_s !== null);
    const [points, spans] = pins;
    points.x = placed.map((note) => note.time);
    points.y = placed.map(() => points.meta.lane);
    points.customdata = placed.map((note) => note.id);
    spans.x = stretches.flatMap((note) => [note.start_s, note.end_s, null]);
    spans.y = stretches.flatMap(() => [spans.meta.lane, spans.meta.lane, null]);
  }

  return {
    // Draws the pinned notes anew.
    pinned(all) {
      pin(all);
      redraw(pins);
    },
    // Draws a movement anew that the tutor spoke about.
    ruled(movement) {
      const number = played.meta.indexes.indexOf(movement.index);
      if (number < 0) return;
      played.meta.verdicts[number] = movement.verdict;
      played.meta.said[number] = movement.verdict === "fault" ? movement.flags.map((flag) => flag.word).join(", ") : movement.verdict_word;
      marks.forget();
      fillView();
    },
    zoom,
    zoomMovement,
    measure: () => ruler.markAt(selection.time),
    all: () => look(0, duration),
  };
}
