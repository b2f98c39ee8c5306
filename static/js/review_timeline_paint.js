// The timeline's colours, from the style sheet.

function colours() {
  const style = getComputedStyle(document.documentElement);
  const read = (name) => style.getPropertyValue(name).trim();
  return {
    ink: read("--ink"), muted: read("--muted"), line: read("--line"), accent: read("--accent"), sheet: read("--sheet"),
    clean: read("--clean"), fault: read("--fault"), unsure: read("--unsure"), paper: read("--paper"),
  };
}

// Each word in the colour of its verdict.
function colourWords(trace, c) {
  const { kept = [], verdicts } = trace.meta;
  trace.textfont = { color: kept.map((number) => c[verdicts[number]]), size: 12 };
}

/** Colours the words of movements, which change with the zoom. */
export const paintWords = (trace) => colourWords(trace, colours());

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
    const mark = { clean: c.clean, fault: c.fault, unsure: c.unsure }[trace.meta?.verdict];
    if (mark) Object.assign(trace, { fillcolor: mark, line: { color: mark, width: 2 } });
    if (part === "movements") colourWords(trace, c);
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
