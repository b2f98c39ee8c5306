// The timeline's colours, from the style sheet, and which of its words there is room for.

const LETTER_PX = 7;

function colours() {
  const style = getComputedStyle(document.documentElement);
  const read = (name) => style.getPropertyValue(name).trim();
  return {
    ink: read("--ink"), muted: read("--muted"), line: read("--line"), accent: read("--accent"), sheet: read("--sheet"),
    clean: read("--clean"), fault: read("--fault"), unsure: read("--unsure"), paper: read("--paper"),
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

/** The marker of the movements, the chosen one larger and with an edge of ink. */
export function movementMarker(trace, chosen) {
  const c = colours();
  const verdict = { clean: c.clean, fault: c.fault, unsure: c.unsure };
  const colour = trace.meta.verdicts.map((name) => verdict[name]);
  return {
    color: colour,
    size: trace.customdata.map((index) => (index === chosen ? 20 : 12)),
    edge: trace.customdata.map((index, place) => (index === chosen ? c.ink : colour[place])),
  };
}

/** Colours the whole figure as the style sheet says. */
export function paint(figure, chosen) {
  const c = colours();
  const bar = (colour, edge) => ({ color: colour, line: { color: edge, width: 1 } });
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
      trace.textfont = { color: c.ink, size: 12 };
    }
    if (part === "bars" || part === "beat-names") trace.textfont = { color: c.muted, size: 12 };
    if (part === "pitch") trace.line = { color: c.ink, width: 2 };
    if (part === "pitch-ground") trace.line = { color: c.sheet, width: 7 };
    if (part === "movements") {
      const { color, size, edge } = movementMarker(trace, chosen);
      trace.textfont = { color, size: 12 };
      trace.marker = { ...trace.marker, color, size, opacity: 1, line: { color: edge, width: 2 } };
    }
    if (part === "pinned-stretch") trace.line = { color: c.accent, width: 5 };
    if (part === "pinned") trace.marker = { ...trace.marker, color: c.accent, line: { color: c.sheet, width: 1 } };
    trace.hoverlabel = { bgcolor: c.sheet, bordercolor: c.line, font: { color: c.ink } };
  }
  const font = { color: c.ink, family: getComputedStyle(document.body).fontFamily, size: 12 };
  Object.assign(figure.layout, { paper_bgcolor: c.sheet, plot_bgcolor: c.sheet, font });
  Object.assign(figure.layout.xaxis, { linecolor: c.line, tickcolor: c.line });
  Object.assign(figure.layout.yaxis, { gridcolor: c.line, linecolor: c.line });
  return figure;
}
