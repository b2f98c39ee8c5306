// The one chosen movement and the one place in time. Views listen; none owns another.

const listeners = { movement: new Set(), time: new Set() };
let chosen = null;
let now = 0;

export const selection = {
  get movement() { return chosen; },
  get time() { return now; },

  // Chooses a movement (null: none). `from` is the view that asked: it does not scroll itself about under the finger.
  choose(index, from = "") {
    if (index === chosen) return;
    chosen = index;
    for (const tell of listeners.movement) tell(index, from);
  },

  // Where the sound is, in seconds.
  at(seconds, from = "") {
    now = seconds;
    for (const tell of listeners.time) tell(seconds, from);
  },

  onMovement(tell) { listeners.movement.add(tell); },
  onTime(tell) { listeners.time.add(tell); },
};
