// The plotly timeline: coloured from the style sheet, with a playhead moved over it and clicks turned into choices.

import { selection } from "./review_selection.js";

const CLOSEST_S = 0.25;
const DOUBLE_MS = 350;
const LETTER_PX = 7;

function colours() {
  const style = getComputedStyle(document.documentElement);
  const read = (name) => style.getPropertyValue(name).trim();
  return {
    ink: read("--ink"), muted: read("--muted"), line: read("--line"), accent: read("--accent"), sheet: read("--sheet"),
    clean: read("--clean"), fault: read("--fault"), unsure: read("--unsure"), paper: read("--paper"),
  };
}

// The words of the movements that have room for them, the others empty. `at` are their places in pixels.
function fitting(words, at) {
  return words.map((word, number) => {
    const half = (word.length * LETTER_PX) / 2;
    const left = number ? at[number] - at[number - 1] : Infinity;
    const right = number + 1 < at.length ? at[number + 1] - at[number] : Infinity;
    const room = (space, other) => space > half + (other.length * LETTER_PX) / 2 + 8;
    return room(left, words[number - 1] ?? "") && room(right, words[number + 1] ?? "") ? word : "";
  });
}

function paint(figure, chosen) {
  const c = colours();
  const bar = (colour, edge) => ({ color: colour, line: { color: edge, width: 1 } });
  const verdict = { clean: c.clean, fault: c.fault, unsure: c.unsure };
  for (const trace of figure.data) {
    const part = trace.meta?.part ?? "";
    if (part === "beats") trace.line = { color: c.line, width: 1 };
    if (part === "bar-lines") trace.line = { color: c.muted, width: 1.5 };
    if (part === "theme") trace.marker = bar(c.muted, c.muted);
    if (part === "gracenote") trace.marker = bar(c.accent, c.accent);
    if (part === "crossing") trace.marker = bar(c.fault, c.fault);
    if (part === "unwritten") trace.marker = bar(c.unsure, c.unsure);
    if (part.endsWith("-mark")) {
      const colour = { "gracenote-mark": c.accent, "crossing-mark": c.fault, "unwritten-mark": c.unsure }[part];
      trace.marker = { ...trace.marker, color: colour, line: { ...trace.marker.line, color: colour } };
    }
    if (part === "bars") trace.textfont = { color: c.muted, size: 12 };
    if (part === "movements") {
      const colour = trace.meta.verdicts.map((name) => verdict[name]);
      trace.textfont = { color: colour, size: 12 };
      const wide = trace.customdata.map((index) => (index === chosen ? 20 : 12));
      const edge = trace.customdata.map((index, place) => (index === chosen ? c.ink : colour[place]));
      trace.marker = { ...trace.marker, color: colour, size: wide, opacity: 1, line: { color: edge, width: 2 } };
    }
    if (part === "pinned") trace.marker = { ...trace.marker, color: c.accent, line: { color: c.sheet, width: 1 } };
    trace.hoverlabel = { bgcolor: c.sheet, bordercolor: c.line, font: { color: c.ink } };
  }
  const font = { color: c.ink, family: getComputedStyle(document.body).fontFamily, size: 12 };
  Object.assign(figure.layout, { paper_bgcolor: c.sheet, plot_bgcolor: c.sheet, font });
  Object.assign(figure.layout.xaxis, { linecolor: c.line, tickcolor: c.line });
  Object.assign(figure.layout.yaxis, { gridcolor: c.line, linecolor: c.line });
  return figure;
}

export async function startTimeline(data, root, { onSpot, onNote }) {
  const { Plotly } = window;
  const place = root.querySelector("#timeline");
  const playhead = root.querySelector("#playhead");
  const { figure, movements, duration_s: duration } = data;
  const narrow = window.matchMedia("(max-width: 40rem)");
  figure.layout.height = narrow.matches ? 300 : 360;
  if (narrow.matches) figure.layout.xaxis.range = [0, Math.min(duration, 9)];
  const config = { displayModeBar: false, scrollZoom: true, responsive: true, doubleClick: false, showTips: false };
  await Plotly.newPlot(place, paint(figure, selection.movement).data, figure.layout, config);
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

  // Closer up there is room to say in words what the shapes say.
  function showWords() {
    const x = axis();
    const text = fitting(played.meta.words, played.x.map((seconds) => x.l2p(seconds)));
    if (text.every((word, number) => word === played.text[number])) return;
    played.text = text;
    Plotly.restyle(place, { text: [text] }, [figure.data.indexOf(played)]);
  }

  function look(from, to) {
    const width = Math.min(to - from, duration + 1);
    const start = Math.max(-0.5, Math.min(from, duration + 0.5 - width));
    return Plotly.relayout(place, { "xaxis.range": [start, start + width] });
  }

  function zoom(factor) {
    const [from, to] = range();
    const middle = selection.time > from && selection.time < to ? selection.time : (from + to) / 2;
    const width = Math.max(0.2, (to - from) * factor);
    return look(middle - width / 2, middle + width / 2);
  }

  const at = (index) => movements.find((movement) => movement.index === index);

  function zoomMovement() {
    const movement = at(selection.movement);
    if (movement?.start_s == null) return;
    look(movement.start_s - 0.35, (movement.end_s ?? movement.start_s) + 0.45);
  }

  let handled = 0;
  let onPoint = 0;
  place.on("plotly_click", (event) => {
    // Some browsers send one tap twice.
    if (performance.now() - handled < DOUBLE_MS) return;
    handled = onPoint = performance.now();
    const point = event.points.find((entry) => ["movements", "pinned"].includes(entry.data.meta?.part)) ?? event.points[0];
    const part = point.data.meta?.part;
    if (part === "movements") return selection.choose(point.customdata, "timeline");
    if (part === "pinned") return onNote(point.customdata);
    const seconds = Array.isArray(point.data.base) ? point.data.base[point.pointNumber] : Number(point.x);
    nearest(seconds);
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
      const box = place.getBoundingClientRect();
      const seconds = axis().p2l(event.clientX - box.left - axis()._offset);
      if (seconds >= 0 && seconds <= duration) onSpot(seconds);
    }, 60);
  });

  place.on("plotly_relayout", () => {
    movePlayhead();
    showWords();
  });
  new ResizeObserver(movePlayhead).observe(place);
  selection.onTime((seconds, from) => {
    const [start, end] = range();
    // While it plays, the page turns when the playhead leaves it.
    if (from === "sound" && !root.querySelector("#sound").paused && (seconds > end || seconds < start)) {
      look(seconds - (end - start) * 0.1, seconds + (end - start) * 0.9);
    }
    movePlayhead();
  });

  function repaint() {
    paint(figure, selection.movement);
    Plotly.react(place, figure.data, { ...figure.layout, xaxis: { ...figure.layout.xaxis, range: range() } }, config);
  }
  selection.onMovement((index) => {
    repaint();
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
  movePlayhead();
  showWords();

  return {
    // Draws the pinned notes anew.
    pinned(notes) {
      const starts = new Map(played.customdata.map((index, number) => [index, played.x[number]]));
      const placed = notes
        .filter((note) => !note.answer_to)
        .map((note) => ({ at: note.start_s ?? starts.get(note.movement_index), id: note.id }))
        .filter((note) => note.at != null);
      const trace = figure.data.find((entry) => entry.meta?.part === "pinned");
      trace.x = placed.map((note) => note.at);
      trace.y = placed.map(() => trace.meta.lane);
      trace.customdata = placed.map((note) => note.id);
      repaint();
    },
    zoom,
    zoomMovement,
    all: () => look(0, duration),
  };
}
