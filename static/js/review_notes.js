// Pinned notes: written on movements, spots and stretches, answered, edited, taken back; other people's appear by
// themselves.

import { startAnswer } from "./review_notes_answer.js";
import { drafts } from "./review_notes_drafts.js";
import { startList } from "./review_notes_list.js";
import { startMarks } from "./review_notes_marks.js";
import { startPhrases } from "./review_notes_phrases.js";
import { sendJson } from "./review_notes_send.js";
import { startTarget } from "./review_notes_target.js";
import { selection } from "./review_selection.js";

const ASK_MS = 5000;
const UNDO_MS = 12000;

export function startNotes(data, root, { player, onChange, onJudged }) {
  const form = root.querySelector("#note-form");
  const text = root.querySelector("#note-text");
  const error = root.querySelector("#note-error");
  const draft = root.querySelector("#note-draft");
  const undo = root.querySelector("#undo");
  const { notes: address, read: readAddress, take, person } = root.dataset;
  const draftKey = `draft:${person}:${take}`;
  const news = new Set(); // what was unread when it came: "new" for as long as the page is open
  const comeBackTo = new Set(); // marked as new by hand
  let notes = data.notes;
  let undoTimer = 0;

  const target = startTarget(root, data.movements);
  const marks = startMarks(root, data.movements);
  const list = startList(root, data.movements, draftKey, {
    spot, hear, remove, unread, submit,
    quiet: () => player.stop?.(),
    record: root.dataset.record ? (note) => answer.answer(note) : null,
  });
  const phrases = startPhrases(root, data.phrases, { text, say, onWritten: keepDraft });
  const answer = startAnswer(root, `${draftKey}:recording`, { text, target, player, onSent: pinned });

  // Where a note is heard: its own place, or its movement's.
  function spot(note) {
    if (note.start_s !== null) return { start: note.start_s, end: note.end_s };
    const movement = data.movements.find((entry) => entry.index === note.movement_index);
    return movement?.start_s == null ? null : { start: movement.start_s, end: movement.end_s };
  }

  function hear(note, movement = null) {
    const index = movement?.index ?? note.movement_index;
    if (index !== null) selection.choose(index, "notes");
    const { start, end } = movement ? { start: movement.start_s, end: movement.end_s } : spot(note);
    player.playSpot(start, end);
  }

  function show(focus) {
    for (const note of notes) if (note.unread) news.add(note.id);
    const told = notes.map((note) => ({ ...note, unread: note.unread || news.has(note.id) }));
    list.show(told, focus);
    marks.show(notes);
    onChange(notes);
  }

  function keep(note) {
    const known = notes.findIndex((entry) => entry.id === note.id);
    notes = known < 0 ? [...notes, note] : notes.map((entry, at) => (at === known ? { ...note, seen: entry.seen && note.text === entry.text } : entry));
    show();
  }

  async function submit(kind, note, words) {
    const told = kind === "edit"
      ? await sendJson(`/notes/${note.id}/`, "POST", { text: words })
      : await sendJson(address, "POST", { text: words, answer_to: note.id });
    if (!told.error) keep(told.note);
    return told;
  }

  async function unread(note) {
    const told = await sendJson(readAddress, "POST", { ids: [note.id], unread: true });
    if (told.error) return say(told.error);
    comeBackTo.add(note.id);
    news.add(note.id);
    show({ key: `answer:${note.answer_to ?? note.id}` });
  }

  async function remove(note) {
    const told = await sendJson(`/notes/${note.id}/`, "DELETE");
    if (told.error) return say(told.error);
    notes = notes.filter((entry) => entry.id !== note.id && entry.answer_to !== note.id);
    show();
    const back = Object.assign(document.createElement("button"), { type: "button", className: "button button-quiet button-small", textContent: "Undo" });
    back.addEventListener("click", async () => {
      const again = await sendJson(`/notes/${note.id}/restore/`, "POST", {});
      if (again.error) return say(again.error);
      undo.hidden = true;
      await ask();
      list.focusOn(`delete:${note.id}`);
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
      const answered = await fetch(address, { headers: { Accept: "application/json" }, cache: "no-store" });
      if (!answered.ok || answered.redirected) return;
      const { notes: told, judged } = await answered.json();
      onJudged(judged);
      if (JSON.stringify(told) === JSON.stringify(notes)) return;
      notes = told;
      show();
      markRead();
    } catch {
      // No connection: the next round asks again.
    }
  }

  // What has been on the screen for a moment counts as read.
  let reading = 0;
  function markRead() {
    clearTimeout(reading);
    const ids = notes.filter((note) => note.unread && !comeBackTo.has(note.id)).map((note) => note.id);
    if (ids.length === 0 || document.visibilityState !== "visible") return;
    reading = setTimeout(() => sendJson(readAddress, "POST", { ids }), 1500);
  }

  function keepDraft() {
    drafts.set(draftKey, text.value);
    drafts.set(`${draftKey}:target`, text.value && target.kept);
    draft.textContent = "";
    say("");
  }

  function pinned(note) {
    text.value = "";
    keepDraft();
    target.reset();
    phrases?.draw();
    draft.textContent = "Pinned.";
    keep(note);
  }

  if (!text.value && drafts.get(draftKey)) {
    text.value = drafts.get(draftKey);
    target.bringBack(drafts.get(`${draftKey}:target`), player);
    draft.textContent = "Your draft from before.";
    phrases?.draw();
  }
  text.addEventListener("input", keepDraft);
  target.onChange(() => { if (text.value) keepDraft(); });
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    say("");
    const told = await sendJson(address, "POST", { text: text.value, ...target.sent });
    if (told.error) return say(told.error);
    pinned(told.note);
  });

  setInterval(() => { if (document.visibilityState === "visible") ask(); }, ASK_MS);
  document.addEventListener("visibilitychange", () => { if (document.visibilityState === "visible") { ask(); markRead(); } });
  window.addEventListener("online", ask);
  form.querySelector("[type=submit]").disabled = false;
  show();
  markRead();

  function point(id) {
    const note = notes.find((entry) => entry.id === id);
    if (note?.movement_index != null) selection.choose(note.movement_index, "notes");
    else if (note?.start_s != null) player.go(note.start_s);
    list.point(id); // last: what is told of the movement pushes the notes down
  }

  // Other pages lead to one note by the address's fragment. The rest of the page has to be in its place before.
  const [, asked] = location.hash.split("#note-");
  if (asked) setTimeout(() => point(asked), 0);
  return { show: point, all: () => notes };
}
