// Pinned notes: written on a movement or a spot, answered, edited, taken back; other people's appear by themselves.

import { csrfToken } from "./csrf.js";
import { selection } from "./review_selection.js";

const ASK_MS = 5000;
const UNDO_MS = 12000;

// What is half written outlives the page, where the browser keeps anything at all.
const drafts = {
  get(key) {
    try { return localStorage.getItem(key) ?? ""; } catch { return ""; }
  },
  set(key, words) {
    try {
      if (words) localStorage.setItem(key, words);
      else localStorage.removeItem(key);
    } catch { /* full, or forbidden */ }
  },
};

export function startNotes(data, root, { player, onChange }) {
  const list = root.querySelector("#notes");
  const none = root.querySelector("#no-notes");
  const form = root.querySelector("#note-form");
  const text = root.querySelector("#note-text");
  const target = root.querySelector("#note-target");
  const error = root.querySelector("#note-error");
  const draft = root.querySelector("#note-draft");
  const undo = root.querySelector("#undo");
  const { notes: address, read: readAddress, take, person, longest } = root.dataset;
  const draftKey = `draft:${person}:${take}`;
  const names = new Map(data.movements.map((movement) => [movement.index, movement.name]));
  let notes = data.notes;
  let onSpot = false; // the playhead's spot rather than the chosen movement
  let editing = null; // {kind, note, words}: the note being edited or answered, whose form stands in the list
  let undoTimer = 0;

  async function send(url, method, body) {
    let answer;
    try {
      answer = await fetch(url, {
        method,
        headers: { "Content-Type": "application/json", "X-CSRFToken": csrfToken(), Accept: "application/json" },
        body: body === undefined ? undefined : JSON.stringify(body),
      });
    } catch {
      return { error: "No connection at the moment. What you wrote is kept on this device; try again in a while." };
    }
    if (answer.redirected) return { error: "You have been logged out. Log in again; what you wrote is kept on this device." };
    try {
      const told = await answer.json();
      return answer.ok ? told : { error: told.error ?? "That could not be kept. Load the page again and try once more." };
    } catch {
      return { error: "That could not be kept. Load the page again and try once more." };
    }
  }

  function element(name, properties = {}, ...children) {
    const made = Object.assign(document.createElement(name), properties);
    made.append(...children);
    return made;
  }

  function place(note) {
    if (note.movement_index !== null) return names.get(note.movement_index) ?? "a movement";
    return note.start_s === null ? "" : `at ${note.start_s.toFixed(1)} s`;
  }

  // Where a note is heard: its own place, or its movement's.
  function spot(note) {
    if (note.start_s !== null) return { start: note.start_s, end: note.end_s };
    const movement = data.movements.find((entry) => entry.index === note.movement_index);
    return movement?.start_s == null ? null : { start: movement.start_s, end: movement.end_s };
  }

  function head(note) {
    const line = element("p", { className: "note-head small" }, element("strong", { textContent: note.author }));
    const when = `${note.tutor ? " tutor," : ""} ${note.created}${note.edited ? ", edited" : ""}`;
    line.append(element("span", { className: "muted", textContent: when }));
    if (note.unread) line.append(" ", element("span", { className: "chip chip-new", textContent: "new" }));
    return line;
  }

  // `key` finds the same button again after the list was made anew.
  function button(label, act, { extra = "", key = "" } = {}) {
    const made = element("button", { type: "button", className: `button button-quiet button-small ${extra}`, textContent: label });
    made.dataset.key = key;
    made.addEventListener("click", act);
    return made;
  }

  function ownTools(note) {
    if (!note.mine) return [];
    return [
      button("Edit", () => open("edit", note), { key: `edit:${note.id}` }),
      button("Delete", () => remove(note), { key: `delete:${note.id}` }),
    ];
  }

  function small(note, answers) {
    const item = element("li", { className: "note" });
    item.dataset.note = note.id;
    item.append(head(note));
    const where = place(note);
    if (where) item.append(element("p", { className: "note-place small", textContent: where }));
    item.append(element("p", { className: "note-text", textContent: note.text }));
    const tools = element("div", { className: "note-tools" });
    if (spot(note) !== null) {
      const play = button("Play this spot", () => hear(note), { extra: "note-play", key: `play:${note.id}` });
      play.setAttribute("aria-label", `Play this spot: ${where}`);
      tools.append(play);
    }
    tools.append(button("Answer", () => open("answer", note), { key: `answer:${note.id}` }), ...ownTools(note));
    item.append(tools);
    for (const answer of answers) {
      const block = element("div", { className: "note-answer" }, head(answer), element("p", { className: "note-text", textContent: answer.text }));
      if (answer.mine) block.append(element("div", { className: "note-tools" }, ...ownTools(answer)));
      if (editing?.kind === "edit" && editing.note.id === answer.id) block.append(inlineForm());
      item.append(block);
    }
    if (editing && editing.note.id === note.id) item.append(inlineForm());
    return item;
  }

  // Where the focus is in the list: {key, start, end}, the latter two in a text; null when it is elsewhere.
  function focusInList() {
    const at = document.activeElement;
    return list.contains(at) ? { key: at.dataset.key, start: at.selectionStart, end: at.selectionEnd } : null;
  }

  function putFocus({ key, start, end }) {
    const part = list.querySelector(`[data-key="${CSS.escape(key ?? "")}"]`);
    part?.focus({ preventScroll: true });
    if (start != null) part?.setSelectionRange(start, end);
  }

  // Makes the list anew. The focus stays where it is in it, or goes to `focus`.
  function draw(focus = focusInList()) {
    const answers = Map.groupBy
      ? Map.groupBy(notes.filter((note) => note.answer_to), (note) => note.answer_to)
      : notes.reduce((map, note) => (note.answer_to ? map.set(note.answer_to, [...(map.get(note.answer_to) ?? []), note]) : map), new Map());
    list.replaceChildren(...notes.filter((note) => !note.answer_to).map((note) => small(note, answers.get(note.id) ?? [])));
    if (focus) putFocus(focus);
    none.hidden = notes.length > 0;
    onChange(notes);
  }

  function hear(note) {
    if (note.movement_index !== null) selection.choose(note.movement_index, "notes");
    const { start, end } = spot(note);
    player.playSpot(start, end);
  }

  const draftOf = (kind, note) => `${draftKey}:${kind}:${note.id}`;

  function open(kind, note) {
    editing = { kind, note, words: drafts.get(draftOf(kind, note)) || (kind === "edit" ? note.text : "") };
    draw(null);
    const field = list.querySelector(".note-inline textarea");
    field?.focus();
    field?.form.scrollIntoView({ block: "nearest" }); // its buttons too, and clear of the player
  }

  // What was left half written when the page was last closed, or null.
  function unfinished() {
    for (const note of notes) {
      for (const kind of ["answer", "edit"]) {
        const words = drafts.get(draftOf(kind, note));
        if (words) return { kind, note, words };
      }
    }
    return null;
  }

  // Takes the form off the list. The focus goes to the button that had opened it.
  function close(mine) {
    const { kind, note } = mine;
    drafts.set(draftOf(kind, note), "");
    if (editing === mine) editing = null;
    draw(focusInList() && { key: `${kind}:${note.id}` });
  }

  function inlineForm() {
    const mine = editing;
    const { kind, note } = mine;
    const field = element("textarea", { rows: 3, maxLength: Number(longest), value: mine.words });
    field.dataset.key = `words:${note.id}`;
    field.addEventListener("input", () => {
      mine.words = field.value;
      drafts.set(draftOf(kind, note), kind === "edit" && field.value === note.text ? "" : field.value);
    });
    field.setAttribute("aria-label", kind === "edit" ? "The note’s text" : `Answer to ${note.author}`);
    const trouble = element("p", { className: "field-error", hidden: !mine.trouble, textContent: mine.trouble ?? "" });
    trouble.setAttribute("role", "alert");
    const box = element("form", { className: "note-inline" }, field, trouble,
      element("div", { className: "note-tools" },
        element("button", { type: "submit", className: "button button-small", textContent: kind === "edit" ? "Save" : "Send answer" }),
        button("Cancel", () => close(mine), { key: `cancel:${note.id}` })));
    box.querySelector("[type=submit]").dataset.key = `send:${note.id}`;
    box.addEventListener("submit", async (event) => {
      event.preventDefault();
      const told = kind === "edit"
        ? await send(`/notes/${note.id}/`, "POST", { text: field.value })
        : await send(address, "POST", { text: field.value, answer_to: note.id });
      if (told.error) {
        trouble.textContent = mine.trouble = told.error;
        trouble.hidden = false;
        return;
      }
      keep(told.note);
      close(mine);
    });
    return box;
  }

  function keep(note) {
    const known = notes.findIndex((entry) => entry.id === note.id);
    notes = known < 0 ? [...notes, note] : notes.with ? notes.with(known, note) : notes.map((entry, at) => (at === known ? note : entry));
    draw();
  }

  async function remove(note) {
    const told = await send(`/notes/${note.id}/`, "DELETE");
    if (told.error) return say(told.error);
    notes = notes.filter((entry) => entry.id !== note.id && entry.answer_to !== note.id);
    draw();
    const back = button("Undo", async () => {
      const again = await send(`/notes/${note.id}/restore/`, "POST", {});
      if (again.error) return say(again.error);
      undo.hidden = true;
      await ask();
      putFocus({ key: `delete:${note.id}` });
    });
    undo.replaceChildren("The note is deleted. ", back);
    undo.hidden = false;
    clearTimeout(undoTimer);
    undoTimer = setTimeout(hideUndo, UNDO_MS);
    back.focus();
  }

  // Not from under the focus.
  function hideUndo() {
    if (undo.contains(document.activeElement)) undoTimer = setTimeout(hideUndo, UNDO_MS);
    else undo.hidden = true;
  }

  function say(sentence) {
    error.textContent = sentence;
    error.hidden = !sentence;
  }

  async function ask() {
    try {
      const answer = await fetch(address, { headers: { Accept: "application/json" }, cache: "no-store" });
      if (!answer.ok || answer.redirected) return;
      const told = (await answer.json()).notes;
      // While somebody writes in the list it is left as it is; the next round brings the news.
      if (list.querySelector(".note-inline")?.contains(document.activeElement) || JSON.stringify(told) === JSON.stringify(notes)) return;
      notes = told;
      draw();
      markRead();
    } catch {
      // No connection: the next round asks again.
    }
  }

  // What has been on the screen for a moment counts as read; the word "new" stays until the page is opened again.
  let reading = 0;
  function markRead() {
    clearTimeout(reading);
    const unread = notes.filter((note) => note.unread).map((note) => note.id);
    if (unread.length === 0 || document.visibilityState !== "visible") return;
    reading = setTimeout(() => send(readAddress, "POST", { ids: unread }), 1500);
  }

  function showTarget() {
    const movement = data.movements.find((entry) => entry.index === selection.movement);
    const spot = onSpot || !movement;
    target.textContent = spot ? `the spot at ${selection.time.toFixed(1)} s` : movement.name;
    root.querySelector("#note-here").hidden = !movement;
    root.querySelector("#note-here").textContent = onSpot ? "To the movement instead" : "To the playhead’s spot instead";
    return spot ? { start_s: selection.time } : { movement_index: movement.index };
  }

  root.querySelector("#note-here").addEventListener("click", () => { onSpot = !onSpot; showTarget(); });
  selection.onMovement(() => { onSpot = false; showTarget(); });
  selection.onTime(() => showTarget());

  if (!text.value && drafts.get(draftKey)) {
    text.value = drafts.get(draftKey);
    draft.textContent = "Your draft from before.";
  }
  text.addEventListener("input", () => {
    drafts.set(draftKey, text.value);
    draft.textContent = "";
    say("");
  });
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    say("");
    const told = await send(address, "POST", { text: text.value, ...showTarget() });
    if (told.error) return say(told.error);
    text.value = "";
    drafts.set(draftKey, "");
    draft.textContent = "Pinned.";
    keep(told.note);
  });

  setInterval(() => { if (document.visibilityState === "visible") ask(); }, ASK_MS);
  document.addEventListener("visibilitychange", () => { if (document.visibilityState === "visible") { ask(); markRead(); } });
  form.querySelector("[type=submit]").disabled = false;
  showTarget();
  editing = unfinished();
  draw();
  markRead();

  function show(id) {
    const item = list.querySelector(`[data-note="${CSS.escape(id)}"]`);
    item?.scrollIntoView({ block: "nearest", behavior: "smooth" });
    item?.classList.add("pointed");
    setTimeout(() => item?.classList.remove("pointed"), 2000);
    const note = notes.find((entry) => entry.id === id);
    if (note?.movement_index != null) selection.choose(note.movement_index, "notes");
    else if (note?.start_s != null) player.go(note.start_s);
  }

  // Other pages lead to one note by the address's fragment. The rest of the page has to be in its place before.
  const [, asked] = location.hash.split("#note-");
  if (asked) setTimeout(() => show(asked), 0);
  return { show, all: () => notes };
}
