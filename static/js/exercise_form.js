// The form of an exercise: shows only the fields that count for the chosen family, and draws the music while it is written.

import { pictureFrom, widthOf } from "./music.js";

const form = document.querySelector("[data-preview]");
const place = document.querySelector("[data-preview-place]");
const note = document.querySelector("[data-preview-note]");
const length = document.querySelector("[data-preview-length]");
const go = document.querySelector("[data-preview-go]");
document.querySelector("[data-preview-section]").hidden = false;

function showFieldsOfFamily() {
  const family = form.elements.family?.value;
  const movement = form.elements.movement?.value.split("/")[0];
  for (const part of form.querySelectorAll("[data-only-for]")) part.hidden = part.dataset.onlyFor !== family;
  for (const part of form.querySelectorAll("[data-only-movement]")) {
    part.hidden = !part.dataset.onlyMovement.split(" ").includes(movement);
  }
}

// Buttons that check all boxes of a group that the movement can be played from, or none.
function addAllAndNone(group) {
  const boxes = [...group.querySelectorAll("input[type=checkbox]")];
  const row = document.createElement("p");
  row.className = "all-and-none";
  const comesFrom = JSON.parse(document.getElementById("comes-from").textContent);
  const possible = () => comesFrom[form.elements.movement.value] ?? [];
  for (const [text, chosen] of [["Every note it can come from", possible], ["None", () => []]]) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "link-button";
    button.textContent = text;
    button.addEventListener("click", () => {
      const values = chosen();
      for (const box of boxes) box.checked = values.includes(box.value);
      form.dispatchEvent(new Event("input"));
    });
    row.append(button);
  }
  group.querySelector(".choices").after(row);
}

// Puts the cursor at a line and column of the music, both counted from 1.
function goTo([line, column]) {
  const box = form.elements.abc;
  const start = box.value.split("\n").slice(0, line - 1).reduce((sum, text) => sum + text.length + 1, 0) + column - 1;
  box.focus();
  box.setSelectionRange(start, Math.min(start + 1, box.value.length));
  box.scrollTop = (line - 3) * parseFloat(getComputedStyle(box).lineHeight);
}

function say(text, isWrong) {
  note.textContent = text;
  note.classList.toggle("wrong", isWrong);
  note.classList.toggle("muted", !isWrong);
}

// The studio's answer: {svg, length, hints}, or {problems, place}; hints and problems are sentences.
async function drawn(data) {
  let response;
  try {
    response = await fetch(form.dataset.preview, { method: "POST", body: data });
  } catch {
    return { problems: ["The studio cannot be reached; the music is not up to date."] };
  }
  if (response.redirected) return { problems: ["You have been logged out. Log in in another tab, then go on writing here."] };
  try {
    if (response.ok) return await response.json();
  } catch {
    // An answer that broke off is none.
  }
  return { problems: ["The music could not be drawn. Change something, or load the page again."] };
}

let asked = 0;
async function draw() {
  const mine = ++asked;
  const data = new FormData(form);
  data.set("width", String(widthOf(place)));
  const answer = await drawn(data);
  if (mine !== asked) return; // a later change has asked again
  place.classList.toggle("outdated", Boolean(answer.problems));
  length.hidden = Boolean(answer.problems);
  wrongPlace = answer.place ?? null;
  go.hidden = !wrongPlace;
  if (answer.problems) {
    say(answer.problems.join("\n"), true);
  } else {
    place.replaceChildren(pictureFrom(answer.svg));
    length.textContent = answer.length;
    say([...answer.hints.map((hint) => `Is this meant? ${hint}`), "The small wedges mark where each beat falls."].join("\n"), false);
  }
}

let wrongPlace = null;
go.addEventListener("click", () => goTo(wrongPlace));

let waiting = 0;
form.addEventListener("input", () => {
  showFieldsOfFamily();
  clearTimeout(waiting);
  waiting = setTimeout(draw, 350);
});
for (const group of form.querySelectorAll("[data-all-of]")) addAllAndNone(group);
showFieldsOfFamily();
if (form.dataset.place) goTo(form.dataset.place.split(" ").map(Number)); // the form came back with what is wrong
draw();
