// Fills every [data-music] place with the music drawn for its width, when it comes near the screen, and again when the
// width changes for good (a phone that is turned).

const parser = new DOMParser();

/** The SVG text as an element of this page, or null where it is no SVG. */
export function pictureFrom(text) {
  const root = parser.parseFromString(text, "image/svg+xml").documentElement;
  return root.localName === "svg" ? document.importNode(root, true) : null;
}

/** The width that `place` offers, in whole CSS pixels. */
export function widthOf(place) {
  const style = getComputedStyle(place);
  return Math.floor(place.clientWidth - parseFloat(style.paddingLeft) - parseFloat(style.paddingRight));
}

async function fetched(address) {
  try {
    const response = await fetch(address);
    return response.ok ? pictureFrom(await response.text()) : null;
  } catch {
    return null; // no connection
  }
}

async function fill(place) {
  const width = widthOf(place);
  if (width < 1 || place.dataset.drawnFor === String(width)) return;
  place.dataset.drawnFor = String(width);
  const picture = await fetched(`${place.dataset.music}?width=${width}`);
  if (picture) {
    place.replaceChildren(picture);
    place.dispatchEvent(new CustomEvent("music-drawn", { bubbles: true }));
  } else {
    place.dataset.drawnFor = ""; // the next change of width tries again
    if (place.querySelector("svg")) return; // of another width, and better than nothing
    place.textContent = "The music could not be drawn. Load the page again.";
  }
}

const near = new IntersectionObserver(
  (entries) => {
    for (const entry of entries) if (entry.isIntersecting) fill(entry.target);
  },
  { rootMargin: "400px" },
);
for (const place of document.querySelectorAll("[data-music]")) near.observe(place);

let waiting = 0;
addEventListener("resize", () => {
  clearTimeout(waiting);
  waiting = setTimeout(() => {
    for (const place of document.querySelectorAll("[data-music][data-drawn-for]")) fill(place);
  }, 250);
});
