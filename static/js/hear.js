// The choices of a model take: tempo and clicks. A change loads the sound anew and goes on from the start. The music
// follows it.

import { startFollowing } from "./music_follow.js";

const LEAD_S = 0.15; // the silence before a model (analysis/model_player.py)

for (const form of document.querySelectorAll("[data-hear]")) {
  const sound = document.querySelector("[data-hear-sound]");
  const files = document.querySelectorAll("[data-hear-file]");
  const place = document.querySelector("[data-music]");
  const countIn = () => (form.elements.sound.value ? Number(form.dataset.countIn) : 0);
  let loaded = { tempo: Number(form.elements.tempo.value), countIn: countIn() };

  const change = () => {
    if (!form.elements.tempo.reportValidity() || !form.elements.tempo.value) return;
    loaded = { tempo: Number(form.elements.tempo.value), countIn: countIn() };
    const query = new URLSearchParams({ tempo: form.elements.tempo.value });
    if (form.elements.sound.value) query.set("count_in", form.dataset.countIn);
    if (form.elements.sound.value === "clicks") query.set("clicks", "1");
    const address = `${form.dataset.hear}?${query}`;
    const wasPlaying = !sound.paused;
    sound.src = address;
    for (const file of files) file.href = `${address}&as=${file.dataset.hearFile}`;
    if (wasPlaying) sound.play();
  };
  const follow = startFollowing(place, () =>
    sound.paused || sound.ended ? null : ((sound.currentTime - LEAD_S) * loaded.tempo) / 60 - loaded.countIn,
  );
  for (const name of ["playing", "seeked", "pause", "ended"]) sound.addEventListener(name, follow);
  form.addEventListener("change", change);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    change();
  });
}
