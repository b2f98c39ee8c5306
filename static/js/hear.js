// The choices of a model take: tempo and clicks. A change loads the sound anew and goes on from the start.

for (const form of document.querySelectorAll("[data-hear]")) {
  const sound = document.querySelector("[data-hear-sound]");
  const file = document.querySelector("[data-hear-file]");

  const change = () => {
    if (!form.elements.tempo.reportValidity() || !form.elements.tempo.value) return;
    const query = new URLSearchParams({ tempo: form.elements.tempo.value });
    if (form.elements.sound.value) query.set("count_in", form.dataset.countIn);
    if (form.elements.sound.value === "clicks") query.set("clicks", "1");
    const address = `${form.dataset.hear}?${query}`;
    const wasPlaying = !sound.paused;
    sound.src = address;
    file.href = address;
    file.download = `${form.dataset.fileName}-${query.get("tempo")}.flac`;
    if (wasPlaying) sound.play();
  };
  form.addEventListener("change", change);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    change();
  });
}
