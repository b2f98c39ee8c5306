// The threads of notes as they stand on the page. Only what changed is made anew: nothing that is heard or written in
// is pulled from under anyone.

import { bringOut } from "./review_bring_out.js";
import { drafts } from "./review_notes_drafts.js";

const MOST_PLACES = 12;

function element(name, properties = {}, ...children) {
  const made = Object.assign(document.createElement(name), properties);
  made.append(...children);
  return made;
}

// `key` finds the same button again after its thread was made anew.
function button(label, act, { extra = "", key = "" } = {}) {
  const made = element("button", { type: "button", className: `button button-quiet button-small ${extra}`, textContent: label });
  made.dataset.key = key;
  made.addEventListener("click", act);
  return made;
}

// `acts`: hear(note, movement), remove, unread, record, submit(kind, note, words), each for one note.
export function startList(root, movements, draftKey, acts) {
  const list = root.querySelector("#notes");
  const none = root.querySelector("#no-notes");
  const longest = Number(root.dataset.longest);
  const named = new Map(movements.map((movement) => [movement.index, movement]));
  const drawn = new Map(); // by the note's id: {item, told}
  let notes = [];
  let editing = null; // {kind, note, words}: the note being edited or answered, whose form stands in the list

  function place(note) {
    if (note.place) return note.place;
    if (note.movement_index !== null) return named.get(note.movement_index)?.name ?? "a movement";
    if (note.start_s === null) return "";
    return note.end_s === null ? `at ${note.start_s.toFixed(1)} s` : `from ${note.start_s.toFixed(1)} to ${note.end_s.toFixed(1)} s`;
  }

  function head(note) {
    const line = element("p", { className: "note-head small" }, element("strong", { textContent: note.author }));
    const seen = note.mine ? (note.seen ? ", read" : ", not read yet") : "";
    const when = `${note.tutor ? " tutor," : ""} ${note.created}${note.edited ? ", edited" : ""}${seen}`;
    line.append(element("span", { className: "muted", textContent: when }));
    if (note.unread) line.append(" ", element("span", { className: "chip chip-new", textContent: "new" }));
    return line;
  }

  function tools(note) {
    if (!note.mine) return note.unread ? [] : [button("Mark as new", () => acts.unread(note), { key: `unread:${note.id}` })];
    const edit = note.editable ? [button("Edit", () => open("edit", note), { key: `edit:${note.id}` })] : [];
    return [...edit, button("Delete", () => acts.remove(note), { key: `delete:${note.id}` })];
  }

  // The movements of a note on several, each to be heard.
  function places(note) {
    if (note.movement_indexes.length < 2) return [];
    const box = element("div", { className: "note-places", role: "group" });
    box.setAttribute("aria-label", "Play one of them");
    for (const index of note.movement_indexes.slice(0, MOST_PLACES)) {
      const movement = named.get(index);
      if (!movement || movement.start_s === null) continue;
      const label = movement.bar === null ? `${movement.start_s.toFixed(1)} s` : `bar ${movement.bar}, beat ${Number(movement.beat.toFixed(2))}`;
      const one = button(label, () => acts.hear(note, movement), { key: `place:${note.id}:${index}` });
      one.setAttribute("aria-label", `${label}: play ${movement.name}`);
      box.append(one);
    }
    if (note.movement_indexes.length > MOST_PLACES) box.append(element("span", { className: "muted small", textContent: `and ${note.movement_indexes.length - MOST_PLACES} more` }));
    return [box];
  }

  function recorded(note) {
    const { recording } = note;
    if (!recording) return [];
    const parts = [];
    if (recording.sound) {
      const sound = element("audio", { controls: true, preload: "none", src: recording.sound });
      sound.setAttribute("aria-label", `${note.author}’s recorded answer`);
      sound.addEventListener("play", acts.quiet);
      parts.push(sound);
    }
    if (recording.words) parts.push(element("p", { className: "small muted", textContent: recording.words }));
    if (recording.beside) parts.push(beside(note, recording.beside));
    return [element("div", { className: "note-recording" }, ...parts)];
  }

  function beside(note, address) {
    const box = element("div", { className: "note-beside" });
    const toggle = button("Show it under the take", async () => {
      const shown = box.querySelector(".beside");
      if (shown) shown.hidden = !shown.hidden;
      else box.append(await fetched(address));
      const on = !box.querySelector(".beside, .field-error:last-child")?.hidden;
      toggle.setAttribute("aria-expanded", String(on));
      toggle.textContent = on ? "Hide it" : "Show it under the take";
    }, { key: `beside:${note.id}` });
    toggle.setAttribute("aria-expanded", "false");
    box.append(toggle);
    return box;
  }

  async function fetched(address) {
    try {
      const answer = await fetch(address);
      const part = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("#beside");
      if (answer.ok && part) {
        part.removeAttribute("id");
        return document.importNode(part, true);
      }
    } catch { /* said below */ }
    return element("p", { className: "field-error", textContent: "It cannot be shown at the moment. Load the page again." });
  }

  function words(note) {
    return note.text ? [element("p", { className: "note-text", textContent: note.text })] : [];
  }

  function answerBlock(answer) {
    const block = element("div", { className: "note-answer" }, head(answer), ...words(answer), ...recorded(answer));
    block.dataset.note = answer.id;
    const own = tools(answer);
    if (own.length) block.append(element("div", { className: "note-tools" }, ...own));
    if (editing?.kind === "edit" && editing.note.id === answer.id) block.append(inlineForm());
    return block;
  }

  function thread(note, answers) {
    const item = element("li", { className: "note" }, head(note));
    item.dataset.note = note.id;
    const where = place(note);
    if (where) item.append(element("p", { className: "note-place small", textContent: where }));
    item.append(...words(note), ...recorded(note), ...places(note));
    const line = element("div", { className: "note-tools" });
    if (acts.spot(note) !== null) {
      const label = note.movement_indexes.length > 1 ? "Play the first" : "Play this spot";
      const play = button(label, () => acts.hear(note), { extra: "note-play", key: `play:${note.id}` });
      play.setAttribute("aria-label", `${label}: ${where}`);
      line.append(play);
    }
    line.append(button("Answer", () => open("answer", note), { key: `answer:${note.id}` }), ...tools(note));
    item.append(line, ...answers.map(answerBlock));
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
    if (!part || part === document.activeElement) return;
    part.focus({ preventScroll: true });
    if (start != null) part.setSelectionRange?.(start, end);
  }

  // Brings the list up to date. The focus stays where it is in it, or goes to `focus`.
  function draw(focus = focusInList()) {
    const first = notes.filter((note) => !note.answer_to);
    const kept = new Set(first.map((note) => note.id));
    for (const [id, { item }] of drawn) {
      if (kept.has(id)) continue;
      item.remove();
      drawn.delete(id);
    }
    // What the server wrote for browsers without scripts.
    for (const item of [...list.children]) if (![...drawn.values()].some((entry) => entry.item === item)) item.remove();
    first.forEach((note, number) => {
      const answers = notes.filter((answer) => answer.answer_to === note.id);
      const here = editing && [note.id, ...answers.map((answer) => answer.id)].includes(editing.note.id) ? `${editing.kind}:${editing.note.id}` : "";
      const told = JSON.stringify([note, answers, here]);
      const before = drawn.get(note.id);
      if (before?.told !== told) {
        const item = thread(note, answers);
        if (before) before.item.replaceWith(item);
        drawn.set(note.id, { item, told });
      }
      const { item } = drawn.get(note.id);
      if (list.children[number] !== item) list.insertBefore(item, list.children[number] ?? null);
    });
    if (focus) putFocus(focus);
    none.hidden = notes.length > 0;
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
        const left = drafts.get(draftOf(kind, note));
        if (left) return { kind, note, words: left };
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
    const field = element("textarea", { rows: 3, maxLength: longest, value: mine.words });
    field.dataset.key = `words:${note.id}`;
    field.addEventListener("input", () => {
      mine.words = field.value;
      drafts.set(draftOf(kind, note), kind === "edit" && field.value === note.text ? "" : field.value);
    });
    field.setAttribute("aria-label", kind === "edit" ? "The note’s text" : `Answer to ${note.author}`);
    const trouble = element("p", { className: "field-error", hidden: !mine.trouble, textContent: mine.trouble ?? "" });
    trouble.setAttribute("role", "alert");
    const submit = element("button", { type: "submit", className: "button button-small", textContent: kind === "edit" ? "Save" : "Send answer" });
    submit.dataset.key = `send:${note.id}`;
    const line = element("div", { className: "note-tools" }, submit, button("Cancel", () => close(mine), { key: `cancel:${note.id}` }));
    if (kind === "answer" && acts.record) line.append(button("Play or say it", () => { close(mine); acts.record(note); }, { key: `record:${note.id}` }));
    const box = element("form", { className: "note-inline" }, field, trouble, line);
    box.addEventListener("submit", async (event) => {
      event.preventDefault();
      const told = await acts.submit(kind, note, field.value);
      if (!told.error) return close(mine);
      trouble.textContent = mine.trouble = told.error;
      trouble.hidden = false;
    });
    return box;
  }

  let begun = false;
  return {
    show(told, focus) {
      notes = told;
      if (!begun) editing = unfinished();
      begun = true;
      draw(focus);
    },
    focusOn: (key) => putFocus({ key }),
    point(id) {
      const find = () => list.querySelector(`[data-note="${CSS.escape(id)}"]`);
      bringOut(find);
      const item = find();
      item?.classList.add("pointed");
      setTimeout(() => item?.classList.remove("pointed"), 2000);
    },
  };
}
