// Where notes are pinned, drawn on the list of movements and on the music. The timeline draws its own.

const SVG = "http://www.w3.org/2000/svg";

// How many notes stand on each movement, by its index. A spot or stretch counts for what is heard in it.
function counted(notes, movements) {
  const counts = new Map();
  for (const note of notes) {
    if (note.answer_to) continue;
    let indexes = note.movement_indexes;
    if (!indexes.length && note.start_s !== null) {
      const end = note.end_s ?? note.start_s;
      indexes = movements
        .filter((movement) => movement.start_s !== null && movement.start_s <= end && (movement.end_s ?? movement.start_s) >= note.start_s)
        .map((movement) => movement.index);
    }
    for (const index of indexes) counts.set(index, (counts.get(index) ?? 0) + 1);
  }
  return counts;
}

function markList(list, counts) {
  for (const mark of list.querySelectorAll(".noted")) mark.remove();
  for (const [index, count] of counts) {
    const mark = Object.assign(document.createElement("span"), { className: "noted", textContent: count > 1 ? `${count} notes` : "note" });
    list.querySelector(`li[data-movement="${index}"] .verdicts`)?.prepend(mark, " ");
  }
}

// A triangle as on the timeline, at the foot of the ground behind the movement: above the staff triangles mark the beats.
function triangle(ground) {
  const box = ground.getBBox();
  const half = box.height * 0.065;
  const [x, y] = [box.x + 1.5 * half, box.y + box.height - 0.5 * half];
  const mark = document.createElementNS(SVG, "path");
  mark.setAttribute("d", `M${x - half} ${y - 1.6 * half} L${x + half} ${y - 1.6 * half} L${x} ${y} Z`);
  mark.setAttribute("class", "note-mark");
  const title = document.createElementNS(SVG, "title");
  title.textContent = "a note is pinned here";
  mark.append(title);
  return mark;
}

function markMusic(music, counts, movements) {
  for (const mark of music.querySelectorAll(".note-mark")) mark.remove();
  const written = new Set(movements.filter((movement) => counts.has(movement.index)).map((movement) => movement.written));
  for (const group of music.querySelectorAll("[data-movement]")) {
    const ground = group.querySelector(".movement-ground");
    if (ground && written.has(Number(group.dataset.movement))) group.append(triangle(ground));
  }
}

export function startMarks(root, movements) {
  const list = root.querySelector("#movements");
  const music = root.querySelector("#music");
  let counts = new Map();
  const markAll = () => {
    markList(list, counts);
    if (music) markMusic(music, counts, movements);
  };
  // Drawn line by line, as they come near.
  music?.addEventListener("music-drawn", ({ target }) => markMusic(target, counts, movements));
  document.addEventListener("movement-ruled", markAll);
  return {
    show(notes) {
      counts = counted(notes, movements);
      markAll();
    },
  };
}
