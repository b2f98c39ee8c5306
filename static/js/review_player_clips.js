// Clips of movements and stretches: which sounds there are of a movement, and in what order they are heard.

const PAUSE_S = 0.35;

/** What the choice "then" means: which of a movement's sounds are heard, in order. */
const ORDERS = { alone: ["own"], model: ["own", "model"], clean: ["own", "clean"], "only-model": ["model"] };

const slow = (address, speed) => `${address}&slower=${Math.round(1 / speed)}`;

/** The sounds of movements, asked for once each. */
export function movementSounds(addressOf) {
  const known = new Map();
  return function soundsOf(index) {
    if (!known.has(index)) {
      const asked = fetch(addressOf(index), { headers: { Accept: "application/json" } }).then((answer) => {
        if (!answer.ok) throw new Error("");
        return answer.json();
      });
      asked.catch(() => known.delete(index));
      known.set(index, asked);
    }
    return known.get(index);
  };
}

/** The parts of a movement to be heard, as {what, address}, for a choice; those that there are. */
export function partsOf(sounds, order, speed) {
  const address = { own: sounds.own, model: sounds.model, clean: sounds.clean?.address };
  const parts = ORDERS[order].filter((what) => address[what]).map((what) => ({ what, address: slow(address[what], speed) }));
  return parts.length || !sounds.own ? parts : [{ what: "own", address: slow(sounds.own, speed) }];
}

/** A stretch of the take as the one part to be heard. */
export function partOfStretch(clip, start, end, speed) {
  return [{ what: "own", address: slow(`${clip}?start=${start.toFixed(3)}&end=${end.toFixed(3)}`, speed) }];
}

/** All parts loaded and joined: the buffer, and where in it each part begins and ends. */
export async function readied(sound, parts, ring) {
  const buffers = await Promise.all(parts.map((part) => sound.buffer(part.address)));
  const buffer = sound.joined(buffers, PAUSE_S, ring);
  let place = 0;
  const places = parts.map((part, number) => {
    const from = place;
    place += buffers[number].duration + PAUSE_S;
    return { what: part.what, from, to: from + buffers[number].duration };
  });
  return { buffer, places };
}
