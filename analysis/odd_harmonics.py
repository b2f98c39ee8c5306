"""Low G or high G, low A or high A: told by the odd harmonics of the lower note.

Every harmonic of the upper note of an octave is an even one of the lower. As a sum of templates a frame may be either,
for how strong the harmonics are against each other changes with the blowing and the room more than the odd ones count.
Looked at by themselves these tell: they sound, all of them, or none does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from analysis.chanter import Note
from analysis.spectra import Floats

#: The octaves of a chanter, the lower note of each; the upper one is so many notes above.
LOWER: Final = (Note.LOW_G, Note.LOW_A)
OCTAVE: Final = 7
#: What the odd harmonics say of a frame.
IS_UPPER: Final = 1
IS_OPEN: Final = 0
IS_LOWER: Final = -1

_ODD: Final = (1, 3, 5, 7, 9)
#: As many odd ones as even ones, low enough for both to be strong, are held against each other.
_COMPARED_ODD: Final = (1, 3, 5, 7)
_COMPARED_EVEN: Final = (2, 4, 6, 8)
_REACH_HZ: Final = 50.0
_LEAST_FRAMES: Final = 60
#: A harmonic can be relied on if, in nine frames of ten, it has this part of its usual level, and this part of the
#: note's whole level and of what sounds while nobody plays.
_STEADY: Final = 0.5
_LEAST_OF_NOTE: Final = 0.02
_LEAST_OF_GROUND: Final = 0.5
_LEAST_HARMONICS: Final = 3
#: A frame is looked at if it is mostly one of the two notes and has this much of them.
_MOSTLY: Final = 0.6
_LEAST_AMOUNT: Final = 0.2
#: It is the upper note if no more of the lower one's odd harmonics sounds than this; the lower one if, against the even
#: ones, they are nearly as strong as usual, and each is there: another note that is left over has only some of them.
_NONE: Final = 0.15
_NEARLY: Final = 0.75
_EACH: Final = 0.3
#: And if it is for so long on both sides: of a low note a room keeps the odd harmonics too, into a gracenote.
_AROUND_S: Final = 0.020


@dataclass(frozen=True)
class OddHarmonics:
    """Odd harmonics of the note `low` that can be relied on: their bins, as ones (harmonics, bins), and `usual` level
    (harmonics,); the bins of all odd and even ones (bins,), and the usual `ratio` of the two."""

    low: Note
    lines: Floats
    usual: Floats
    odd: NDArray[np.bool_]
    even: NDArray[np.bool_]
    ratio: float


def learn(
    low: Note, levels: Floats, hz: NDArray[np.float64], low_hz: float, ground: Floats, level: float
) -> OddHarmonics | None:
    """The odd harmonics of `low`, at `low_hz`, from its frames' spectra `levels` (frames, bins) at `hz` (bins,).

    `ground` (bins,) sounds while nobody plays, `level` is the ordinary sum of a spectrum. None where there are too few
    frames or steady harmonics to rely on.
    """
    if levels.shape[0] < _LEAST_FRAMES:
        return None
    own = np.maximum(levels - ground, 0.0)
    sums = _lines(hz, low_hz, _ODD).astype(np.float32)
    each = own @ sums.T
    usual = np.median(each, axis=0)
    steady = np.percentile(each, 10, axis=0) > _STEADY * usual
    keep = steady & (usual > _LEAST_OF_NOTE * level) & (usual > _LEAST_OF_GROUND * (sums @ ground))
    if keep.sum() < _LEAST_HARMONICS:
        return None
    odd = np.logical_or.reduce(_lines(hz, low_hz, _COMPARED_ODD))
    even = np.logical_or.reduce(_lines(hz, low_hz, _COMPARED_EVEN))
    return OddHarmonics(low, sums[keep], usual[keep], odd, even, float(np.median(_ratio(own, odd, even))))


def _lines(hz: NDArray[np.float64], low_hz: float, numbers: Sequence[int]) -> NDArray[np.bool_]:
    """Which bins at `hz` (bins,) belong to the harmonics `numbers` (k,) of `low_hz`: (k, bins)."""
    return np.array([np.abs(hz - number * low_hz) < _REACH_HZ for number in numbers])


def _ratio(own: Floats, odd: NDArray[np.bool_], even: NDArray[np.bool_]) -> Floats:
    """What sounds at the odd harmonics against what does at the even ones, in each of `own` (frames, bins)."""
    return np.asarray(own[:, odd].sum(axis=1) / np.maximum(own[:, even].sum(axis=1), 1e-9))


def candidates(own: Floats, octave: OddHarmonics) -> NDArray[np.int64]:
    """The frames (k,) of which `octave` may tell, from the amounts `own` (frames, 9) of all notes."""
    both = own[:, octave.low] + own[:, octave.low + OCTAVE]
    return np.flatnonzero((both > _MOSTLY * own.sum(axis=1)) & (both > _LEAST_AMOUNT))


def tell(left: Floats, both: Floats, octave: OddHarmonics) -> NDArray[np.int8]:
    """IS_UPPER, IS_LOWER or IS_OPEN for frames (k,) of which `left` (k, bins) is no other note's and `both` (k,) is the
    amount of the two notes."""
    each = np.sort((left @ octave.lines.T) / octave.usual, axis=1) / both[:, None]
    # Of four and more, one may be lost to the room.
    least = each[:, 0 if each.shape[1] <= _LEAST_HARMONICS else 1]
    ratio = _ratio(left, octave.odd, octave.even) / octave.ratio
    result = np.full(both.size, IS_OPEN, dtype=np.int8)
    result[(ratio >= _NEARLY) & (least >= _EACH)] = IS_LOWER
    result[np.median(each, axis=1) <= _NONE] = IS_UPPER
    return result


def settle(own: Floats, told: NDArray[np.int8], hop_s: float) -> Floats:
    """The amounts `own` (frames, 9) with those of both notes of an octave given to the one that `told` (frames, 2)
    says it is; frames are `hop_s` seconds apart."""
    own = own.copy()
    around = 2 * round(_AROUND_S / hop_s) + 1
    for number, low in enumerate(LOWER):
        high = low + OCTAVE
        upper = told[:, number] == IS_UPPER
        lower = scipy.ndimage.minimum_filter1d(told[:, number] == IS_LOWER, around)
        own[upper, high] += own[upper, low]
        own[upper, low] = 0.0
        own[lower, low] += own[lower, high]
        own[lower, high] = 0.0
    return own
