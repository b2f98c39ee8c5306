// The form of an exercise: shows only the fields that count for the chosen family, and draws the music while it is written.

import { pictureFrom, widthOf } from "./music.js";

const form = document.querySelector("[data-preview]");
const place = document.querySelector("[data-preview-place]");
const note = document.querySelector("[data-preview-note]");
document.querySelector("[data-preview-section]").hidden = false;

function showFieldsOfFamily() {
  const family = form.elements.family?.value;
  for (const part of form.querySelectorAll("[data-only-for]")) part.hidden = part.dataset.onlyFor !== family;
}

function say(text, isWrong) {
  note.textContent = text;
  note.classList.toggle("wrong", isWrong);
  note.classList.toggle("muted", !isWrong);
}

// The studio's answer: {svg}, or {problems}, each a sentence.
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
  if (answer.problems) {
    say(answer.problems.join("\n"), true);
  } else {
    place.replaceChildren(pictureFrom(answer.svg));
    say("The small wedges mark where each beat falls.", false);
  }
}

let waiting = 0;
form.addEventListener("input", () => {
  showFieldsOfFamily();
  clearTimeout(waiting);
  waiting = setTimeout(draw, 350);
});
showFieldsOfFamily();
draw();
