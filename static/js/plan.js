// The rows of a plan: added, moved and removed without a round trip; a chosen exercise brings its own tempo. The page works
// without this: rows are then added by the button's own answer and ordered by their numbers.

const form = document.querySelector("[data-plan]");
const list = form.querySelector("[data-rows]");
const pattern = form.querySelector("[data-empty-row]");
const total = form.querySelector("[name=rows-TOTAL_FORMS]");
const most = Number(form.querySelector("[name=rows-MAX_NUM_FORMS]").value);
const addButton = form.querySelector("[data-add-row]");
const tempos = JSON.parse(document.getElementById("exercise-tempos").textContent);

const rows = () => [...list.querySelectorAll("[data-row]")];
const field = (row, name) => row.querySelector(`[name$="-${name}"]`);

function prepare(row) {
  row.querySelector("[data-row-buttons]").hidden = false;
  row.querySelector("[data-order]").hidden = true;
}

function number() {
  rows().forEach((row, index, all) => {
    field(row, "position").value = index + 1;
    row.querySelector("[data-move=up]").disabled = index === 0;
    row.querySelector("[data-move=down]").disabled = index === all.length - 1;
  });
  addButton.disabled = Number(total.value) >= most;
}

function add() {
  const index = Number(total.value);
  const holder = document.createElement("div");
  holder.append(pattern.content.cloneNode(true));
  holder.innerHTML = holder.innerHTML.replaceAll("__prefix__", String(index));
  const row = holder.firstElementChild;
  list.append(row);
  total.value = String(index + 1);
  prepare(row);
  number();
  field(row, "exercise").focus();
}

function remove(row) {
  // The row stays in the form, empty, so that the numbering of the others holds: the studio drops it.
  const next = row.nextElementSibling ?? row.previousElementSibling;
  for (const name of ["exercise", "tempo_bpm", "clean_days", "note"]) field(row, name).value = "";
  row.hidden = true;
  row.removeAttribute("data-row");
  form.append(row);
  number();
  (next ? field(next, "exercise") : addButton).focus();
}

addButton.addEventListener("click", (event) => {
  event.preventDefault();
  add();
});

list.addEventListener("click", (event) => {
  const button = event.target.closest("button");
  const row = button?.closest("[data-row]");
  if (!row) return;
  if ("remove" in button.dataset) return remove(row);
  if (button.dataset.move === "up") row.previousElementSibling.before(row);
  else row.nextElementSibling.after(row);
  number();
  button.disabled ? row.querySelector("[data-move]:enabled").focus() : button.focus();
});

list.addEventListener("change", (event) => {
  if (!event.target.name?.endsWith("-exercise")) return;
  const tempo = tempos[event.target.value];
  if (tempo) field(event.target.closest("[data-row]"), "tempo_bpm").value = tempo;
});

for (const row of rows()) prepare(row);
number();
