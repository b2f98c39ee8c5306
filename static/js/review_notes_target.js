// What a note is pinned to: the chosen movement, all that share its approach or fault, a spot, a stretch, another note.

import { selection } from "./review_selection.js";

const shown = (seconds) => seconds.toFixed(1);

export function startTarget(root, movements) {
  const choice = root.querySelector("#note-target");
  const stretch = root.querySelector("#note-stretch");
  const from = root.querySelector("#note-from");
  const to = root.querySelector("#note-to");
  let kind = "movement";
  let answered = null; // the note that a recording answers
  const changed = new Set();

  const chosen = () => movements.find((movement) => movement.index === selection.movement);

  // Movements that go with the chosen one, by the kind of target.
  function groups() {
    const movement = chosen();
    if (!movement) return new Map();
    const found = new Map([["movement", { label: movement.name, of: [movement] }]]);
    const alike = movements.filter((other) => other.approach === movement.approach);
    const place = movement.approach === "start" ? "the start" : movement.approach;
    if (alike.length > 1) found.set("from", { label: `all ${alike.length} from ${place}`, of: alike });
    for (const flag of movement.flags) {
      const faulty = movements.filter((other) => other.flags.some((entry) => entry.code === flag.code));
      if (faulty.length > 1) found.set(`flag:${flag.code}`, { label: `all ${faulty.length} with “${flag.word}”`, of: faulty });
    }
    return found;
  }

  function option(value, label) {
    return Object.assign(document.createElement("option"), { value, textContent: label });
  }

  const spotLabel = () => `the spot at ${shown(selection.time)} s`;

  function draw() {
    const found = groups();
    const options = [...found].map(([value, { label }]) => option(value, label));
    if (answered) options.push(option("answer", `an answer to ${answered.author}`));
    options.push(option("spot", spotLabel()), option("stretch", "a stretch of the take"));
    choice.replaceChildren(...options);
    if (!options.some((entry) => entry.value === kind)) kind = found.has("movement") ? "movement" : "spot";
    choice.value = kind;
    stretch.hidden = kind !== "stretch";
  }

  function choose(wanted) {
    if (wanted === "stretch" && kind !== "stretch") {
      const movement = chosen();
      const start = movement?.start_s ?? selection.time;
      from.value = shown(start);
      to.value = shown(Math.min(Number(to.max), (movement?.end_s ?? start) + 0.5));
    }
    kind = wanted;
    draw();
    for (const tell of changed) tell();
  }

  choice.addEventListener("change", () => choose(choice.value));
  root.querySelector("#note-from-here").addEventListener("click", () => { from.value = selection.time.toFixed(2); });
  root.querySelector("#note-to-here").addEventListener("click", () => { to.value = selection.time.toFixed(2); });
  selection.onMovement(() => {
    if (kind !== "stretch") kind = "movement"; // its ends are sought in music and timeline
    answered = null;
    draw();
  });
  selection.onTime(() => {
    const spot = choice.querySelector('[value="spot"]');
    if (spot && spot.textContent !== spotLabel()) spot.textContent = spotLabel();
  });
  document.addEventListener("movement-ruled", draw);
  draw();

  return {
    // As the studio takes it.
    get sent() {
      if (kind === "spot") return { start_s: selection.time };
      if (kind === "stretch") return { start_s: Number(from.value), end_s: Number(to.value) };
      if (kind === "answer") return { answer_to: answered.id };
      return { movement_indexes: groups().get(kind).of.map((movement) => movement.index) };
    },
    // As a draft keeps it, and how it comes back.
    get kept() { return JSON.stringify({ kind, movement: selection.movement, from: from.value, to: to.value, at: selection.time }); },
    bringBack(kept, player) {
      try {
        const { kind: before, movement, from: start, to: end, at } = JSON.parse(kept);
        if (movement !== null) selection.choose(movement, "notes");
        if (before === "spot") player.go(at);
        from.value = start;
        to.value = end;
        kind = before;
        draw();
      } catch { /* of an older page, or not there */ }
    },
    answer(note) {
      answered = note;
      choose("answer");
    },
    reset() {
      answered = null;
      kind = chosen() ? "movement" : "spot";
      draw();
    },
    onChange: (tell) => changed.add(tell),
  };
}
