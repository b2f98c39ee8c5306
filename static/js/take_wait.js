// The page that waits for a take: asks how far it is and shows it, so that nobody has to load it again.

const take = document.getElementById("take");
const at = (id) => document.getElementById(id);

const SOON_MS = 1000;
const LATEST_MS = 5000;
// About a second at first, then slower: a long queue is not emptied by asking.
const PATIENCE_MS = 30000;

let timer = 0;
let pause = SOON_MS;
let changedAt = performance.now();
let shown = "";

function show(status) {
  at("words").textContent = status.words;
  for (const item of at("stages").children) {
    const stage = Number(item.dataset.stage);
    item.toggleAttribute("data-done", status.stage !== null && stage < status.stage);
    if (stage === status.stage) item.setAttribute("aria-current", "step");
    else item.removeAttribute("aria-current");
  }
  trouble("");
}

function trouble(sentence) {
  at("trouble").textContent = sentence;
  at("trouble").hidden = !sentence;
}

async function ask() {
  let status;
  try {
    const answer = await fetch(take.dataset.status, { headers: { Accept: "application/json" }, cache: "no-store" });
    if (answer.redirected) return trouble("You have been logged out. Log in again to see your take; it is safe.");
    if (answer.status === 404) return trouble("This take was deleted.");
    if (!answer.ok) throw new Error(String(answer.status));
    status = await answer.json();
  } catch {
    trouble("No connection at the moment. Your take is safe; this page keeps asking.");
    pause = LATEST_MS;
    return next();
  }
  if (status.state === "ready") return location.replace(status.address);
  // The failed take's page has buttons and sound of its own.
  if (status.state === "failed") return location.reload();
  const told = JSON.stringify(status);
  if (told !== shown) {
    shown = told;
    changedAt = performance.now();
    show(status);
  }
  pause = performance.now() - changedAt < PATIENCE_MS ? SOON_MS : Math.min(LATEST_MS, pause * 1.5);
  next();
}

function next() {
  clearTimeout(timer);
  if (document.visibilityState === "visible") timer = setTimeout(ask, pause);
}

if (take.dataset.state !== "failed") {
  document.addEventListener("visibilitychange", () => {
    clearTimeout(timer);
    if (document.visibilityState === "visible") ask();
  });
  ask();
}
