// A tutor's quick phrases: one press writes one into the note; kept from what was written, removed again.

import { sendJson } from "./review_notes_send.js";

export function startPhrases(root, first, { text, say, onWritten }) {
  const place = root.querySelector("#phrases");
  if (!place) return;
  const address = root.dataset.phrases;
  let phrases = first;
  let removing = false;

  function button(label, className, act) {
    const made = Object.assign(document.createElement("button"), { type: "button", className: `button button-quiet button-small ${className}`, textContent: label });
    made.addEventListener("click", act);
    return made;
  }

  function write(words) {
    const before = text.value.slice(0, text.selectionStart);
    const gap = before && !/\s$/.test(before) ? " " : "";
    text.setRangeText(gap + words, text.selectionStart, text.selectionEnd, "end");
    text.focus();
    onWritten();
  }

  async function change(url, method, body) {
    const told = await sendJson(url, method, body);
    if (told.error) return say(told.error);
    phrases = told.phrases;
    if (phrases.length === 0) removing = false;
    draw();
  }

  function one(phrase) {
    if (!removing) return button(phrase.text, "phrase", () => write(phrase.text));
    const made = button(`× ${phrase.text}`, "phrase", async () => {
      await change(`${address}${phrase.id}/`, "DELETE");
      place.querySelector("button")?.focus();
    });
    made.setAttribute("aria-label", `Remove “${phrase.text}”`);
    return made;
  }

  function draw() {
    const tools = [];
    const words = text.value.trim();
    if (words && !removing && words.length <= 200 && !phrases.some((phrase) => phrase.text === words)) {
      tools.push(button("Keep as a quick phrase", "phrase-tool", async () => {
        await change(address, "POST", { text: words });
        text.focus();
      }));
    }
    if (phrases.length) {
      const toggle = button(removing ? "Done" : "Remove phrases", "phrase-tool", () => {
        removing = !removing;
        draw();
        place.querySelector(".phrase-toggle").focus();
      });
      toggle.classList.add("phrase-toggle");
      tools.push(toggle);
    }
    place.replaceChildren(...phrases.map(one), ...tools);
    place.hidden = !place.children.length;
  }

  text.addEventListener("input", draw);
  draw();
  return { draw };
}
