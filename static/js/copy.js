// A button with data-copy="<id>" copies the value of that field. It stays hidden where there is no clipboard.

for (const button of document.querySelectorAll("[data-copy]")) {
  const field = document.getElementById(button.dataset.copy);
  const status = document.querySelector("[data-copy-status]");
  field.addEventListener("focus", () => field.select());
  if (!navigator.clipboard) continue; // plain http from another machine: the field is there to copy by hand
  button.hidden = false;
  button.addEventListener("click", async () => {
    try {
      await navigator.clipboard.writeText(field.value);
      status.textContent = "Copied.";
    } catch {
      field.focus();
      status.textContent = "The browser would not copy. The link is marked; copy it by hand.";
    }
  });
}
