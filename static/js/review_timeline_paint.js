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

/** Colours the whole figure as the style sheet says. */
export function paint(figure) {
  const c = colours();
  for (const trace of figure.data) {
    const part = trace.meta?.part ?? "";
    if (part === "beats") trace.line = { color: c.line, width: 1 };
    if (part === "bar-lines") trace.line = { color: c.muted, width: 1.5 };
    const sound = { theme: c.muted, gracenote: c.accent, crossing: c.fault, unwritten: c.unsure }[part.replace("-mark", "")];
    if (sound && trace.fill) trace.fillcolor = sound;
    else if (sound) trace.marker = { ...trace.marker, color: sound, line: { ...trace.marker.line, color: sound } };
    if (part.endsWith("-lengths")) trace.textfont = { color: c.ink, size: 12 };
    if (part === "bars" || part === "beat-names") trace.textfont = { color: c.muted, size: 12 };
    if (part === "pitch") trace.line = { color: c.ink, width: 2 };
    if (part === "pitch-ground") trace.line = { color: c.sheet, width: 7 };
    if (part === "movements") {
      const verdict = { clean: c.clean, fault: c.fault, unsure: c.unsure };
      const color = trace.meta.verdicts.map((name) => verdict[name]);
      trace.textfont = { color, size: 12 };
      trace.marker = { ...trace.marker, color, line: { color, width: 2 } };
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
