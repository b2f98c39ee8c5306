// The tutor overrules the analysis on the chosen movement. What changes comes back from the studio, drawn by it.

import { sendJson } from "./review_notes_send.js";
import { selection } from "./review_selection.js";

const STEP_S = 0.01;

/** The choices of what the list shows count what is clean; they count by the tutor's word too. */
function recount(root, movements) {
  for (const option of root.querySelectorAll('#show option[value^="from:"]')) {
    const [, note] = option.value.split(":");
    const alike = movements.filter((movement) => movement.approach === note);
    const clean = alike.filter((movement) => movement.verdict === "clean").length;
    option.textContent = `from ${note}: ${clean} of ${alike.length}`;
  }
}

/** `onChanged` is told how the take stood before and stands now. */
export function startOverruling(root, movements, onChanged) {
  const box = root.querySelector("#overrule");
  if (!box) return;
  const at = (id) => box.querySelector(`#overrule-${id}`);
  const flags = at("flags");
  const codes = new Map([...at("add").options].map((option) => [option.value, option.textContent]));
  const chosen = () => movements.find((movement) => movement.index === selection.movement);
  const back = box.querySelector('[data-say="back"]');

  function say(sentence) {
    at("error").textContent = sentence;
    at("error").hidden = !sentence;
  }

  function toggle(code, holds, label, pressed) {
    const made = Object.assign(document.createElement("button"), { type: "button", className: "button button-quiet button-small", textContent: label });
    made.setAttribute("aria-pressed", String(pressed));
    made.setAttribute("aria-label", `${codes.get(code)}: ${label}`);
    made.dataset.key = `${code}:${holds}`;
    made.addEventListener("click", () => tell({ flags: { [code]: holds } }));
    return made;
  }

  // One line a fault that the analysis or the tutor named: whether it is so.
  function line(flag, struck, movement) {
    const item = document.createElement("li");
    const added = movement.added.includes(flag.code);
    item.append(Object.assign(document.createElement("span"), { textContent: flag.word }));
    if (added) item.append(toggle(flag.code, null, "Take it back", false));
    else item.append(toggle(flag.code, true, "It is so", !struck && movement.ruled), toggle(flag.code, false, "Not so", struck));
    return item;
  }

  function fill() {
    const movement = chosen();
    box.hidden = !movement;
    if (!movement) return;
    say("");
    at("told").textContent = "";
    root.querySelector(".chosen-one").append(box);
    const focus = flags.contains(document.activeElement) ? document.activeElement.dataset.key : null;
    flags.replaceChildren(...movement.flags.map((flag) => line(flag, false, movement)), ...movement.struck.map((flag) => line(flag, true, movement)));
    if (focus) flags.querySelector(`[data-key="${focus}"]`)?.focus();
    at("sure").hidden = movement.verdict !== "unsure";
    for (const option of at("add").options) option.disabled = movement.flags.some((flag) => flag.code === option.value);
    if (at("add").selectedOptions[0]?.disabled) at("add").value = [...at("add").options].find((option) => !option.disabled)?.value ?? "";
    at("kind").value = movement.kind;
    at("form").value = movement.form;
    at("on").value = movement.on;
    at("beat").hidden = movement.beat_s === null;
    at("beat-at").textContent = movement.beat_s === null ? "" : `at ${movement.beat_s.toFixed(2)} s`;
    back.hidden = !movement.ruled;
  }

  async function tell(said, method = "POST") {
    const movement = chosen();
    if (!movement) return;
    say("");
    const told = await sendJson(root.dataset.ruling.replace("/movements/0/", `/movements/${movement.index}/`), method, said);
    if (told.error) return say(told.error);
    onChanged(told.judged);
    show(movement, told);
    if (document.activeElement === document.body) box.querySelector("summary").focus();
    at("told").textContent = `Kept. ${told.clean} of ${told.movements} clean now.`;
  }

  function show(movement, told) {
    Object.assign(movement, told.movement);
    const row = root.querySelector(`#movements li[data-movement="${movement.index}"]`);
    row.dataset.verdict = movement.verdict;
    row.querySelector(".movement-row").innerHTML = told.row;
    root.querySelector("#approaches").innerHTML = told.approaches;
    recount(root, movements);
    root.querySelector("#clean-count").textContent = `${told.clean} of ${told.movements}`;
    root.querySelector("#summary-words").textContent = told.words;
    if (movement === chosen()) fill();
    document.dispatchEvent(new CustomEvent("movement-ruled", { detail: movement }));
  }

  const acts = {
    heard: () => tell({ heard: true }),
    add: () => at("add").value && tell({ flags: { [at("add").value]: true } }),
    name: () => tell({ name: [at("kind").value, at("form").value, at("on").value] }),
    "beat-earlier": () => tell({ beat_s: chosen().beat_s - STEP_S }),
    "beat-later": () => tell({ beat_s: chosen().beat_s + STEP_S }),
    "beat-here": () => tell({ beat_s: selection.time }),
    back: () => tell(undefined, "DELETE"),
  };
  box.addEventListener("click", (event) => acts[event.target.closest("[data-say]")?.dataset.say]?.());
  // The list that this stands in on a narrow screen has keys and double clicks of its own.
  for (const kind of ["keydown", "dblclick"]) box.addEventListener(kind, (event) => event.stopPropagation());
  selection.onMovement(fill);
  fill();
}
