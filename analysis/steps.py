"""Where the sound changes at once: a finger opens or closes a hole, and the direct sound of one note gives way to the
next in an instant, whatever the room does.

Neither templates nor tuning come into this. What is looked for is the place of one step in all bins together, both
levels left free; what a room adds changes slowly, but for early reflections, whose steps are smaller and later.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from analysis import spectra, templates
from analysis.spectra import Floats
from analysis.templates import Listening

Offsets = NDArray[np.floating]

#: In samples; for the exact place of a step that is known to be there.
WINDOW: Final = 176
#: For finding steps: a little longer, since low G and low A of a low chanter are hardly two notes to a shorter one. So
#: short a window tells frequencies apart so coarsely that no longer transform shows more.
SEARCH_WINDOW: Final = 220
SEARCH_SIZE: Final = 256
#: Half of its bins hold all that there is.
_EVERY: Final = 2
#: Frames count in full up to the first of these from the step, and less and less up to the second.
_BESIDE_S: Final = (0.004, 0.014)
#: Nothing further away than this counts.
REACH_S: Final = _BESIDE_S[1]
#: Frames worked on at a time.
_CHUNK: Final = 4096
#: A step as high as this is a change of note more often than not. Of changes of note in made takes, 99 of 100 are steps
#: of 0.35 and more and half of them of more than 0.6; of moments soon after one, while a room still builds up, 5 of 100
#: are of 0.31, and later on in a note none.
PLAIN_STEP: Final = 0.48
#: What a change of note costs in log likelihood at such a step, how much less for e times its energy, and the bounds.
_COST: Final = 12.0
_COST_PER_E: Final = 10.0
_LEAST_COST: Final = 2.0
_MOST_COST: Final = 40.0
#: Where it costs this much, a step of less than 0.2, nothing changes at once.
NO_STEP: Final = 30.0
#: Where it costs this much, at a step of less than a third, hardly ever does a note change, however breathy the sound.
FAINT_STEP: Final = 19.0


def beside(offsets_s: Offsets) -> NDArray[np.float64]:
    """How much what lies `offsets_s` from a step counts, 0 to 1: further away other notes and the room come in."""
    full, none = _BESIDE_S
    return np.asarray(np.clip((none - np.abs(offsets_s)) / (none - full), 0.0, 1.0), dtype=np.float64)


def shape(offsets_s: Offsets, window: int = WINDOW) -> NDArray[np.float64]:
    """The share of a Hann window of `window` samples that lies after a step, for windows centred `offsets_s` after
    it."""
    place = np.clip(offsets_s * spectra.RATE_HZ / window + 0.5, 0.0, 1.0)
    return np.asarray(place - np.sin(2.0 * np.pi * place) / (2.0 * np.pi), dtype=np.float64)


def heights(levels: Floats, hop_s: float, window: int = WINDOW) -> Floats:
    """How high a step at each frame is, as a share of the sound around it (frames,), from compressed spectra (frames,
    bins) of windows of `window` samples every `hop_s` seconds. Least squares, both levels free.

    0 where nothing changes, more than 1 from or into silence; what lies beyond both ends is taken to be as at the ends.
    """
    reach = round(REACH_S / hop_s)
    offsets_s = np.arange(-reach, reach + 1) * hop_s
    weight = beside(offsets_s)
    weight /= weight.sum()
    rising = shape(offsets_s, window)
    rising -= weight @ rising
    fitted = weight * rising / (weight @ rising**2)
    change = scipy.ndimage.correlate1d(levels, fitted, axis=0, mode="nearest")
    around = scipy.ndimage.correlate1d(levels, weight, axis=0, mode="nearest")
    return np.asarray(np.linalg.norm(change, axis=1) / np.maximum(np.linalg.norm(around, axis=1), 1e-9))


def throughout(sound: Listening) -> Floats:
    """The :func:`heights` of steps at every frame of `sound` (frames,), whatever its window is.

    What clicks that were taken out may have left behind is not doubted here: a step too many makes a change cheap,
    and a moment whose harmonics come and go is then not told to be none.
    """
    short = templates.Listening(sound.samples, SEARCH_WINDOW, sound.hop, SEARCH_SIZE, sound.floor)
    reach = round(REACH_S / short.hop_s)
    result = np.empty(short.count, dtype=np.float32)
    for start in range(0, short.count, _CHUNK):
        stop = min(short.count, start + _CHUNK)
        first, last = max(0, start - reach), min(short.count, stop + reach)
        levels = short.levels(np.arange(first, last))[:, ::_EVERY]
        found = heights(levels, short.hop_s, SEARCH_WINDOW)
        result[start:stop] = found[start - first : stop - first]
    return result


def change_costs(height: Floats) -> Floats:
    """What a change of note costs in log likelihood at each frame (frames,), by the :func:`heights` of steps there."""
    over = 2.0 * np.log(np.maximum(height, 1e-6) / PLAIN_STEP)
    return np.asarray(np.clip(_COST - _COST_PER_E * over, _LEAST_COST, _MOST_COST), dtype=np.float32)
