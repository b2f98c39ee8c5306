// What was measured of the chosen movement, in one box for all of them. What else stands in it, the tutor's corrections,
// stays where it is.

import { selection } from "./review_selection.js";

const made = (name, entries) => Object.assign(document.createElement(name), entries);

function list(sentences, entries = {}) {
  const found = made("ul", entries);
  found.append(...sentences.map((textContent) => made("li", { textContent })));
  return found;
}

/** `placeOf(index)`: where the box stands for a movement, asked for again by `settle()`. */
export function startMeasured(root, movements, placeOf) {
  const box = root.querySelector(".chosen-one");
  const none = root.querySelector("#chosen-none");

  function fill(movement) {
    for (const part of box.querySelectorAll(":scope > h3, :scope > ul")) part.remove();
    const parts = [made("h3", { textContent: movement.name }), list(movement.sentences)];
    if (movement.ruled) parts.push(list(movement.said, { className: "tutors-word", ariaLabel: "The tutor’s word" }));
    box.prepend(...parts);
  }

  function settle() {
    const place = placeOf(selection.movement);
    if (box.parentElement !== place) place.append(box);
  }

  selection.onMovement((index) => {
    const movement = movements.find((entry) => entry.index === index);
    none.hidden = movement !== undefined;
    box.hidden = movement === undefined;
    if (movement) {
      box.dataset.movement = index;
      fill(movement);
    } else delete box.dataset.movement;
    settle();
  });
  document.addEventListener("movement-ruled", ({ detail }) => {
    if (detail.index === selection.movement) fill(detail);
  });
  return { settle };
}
