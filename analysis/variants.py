"""One note that shows two spectra: a reed's sound is not steady.

The odd harmonics of low G may come and go, and without them it passes for high G.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from analysis.spectra import Floats

#: Two spectra are told from so many frames on, each in this share of them, this far apart as shapes of length 1.
_LEAST_FRAMES: Final = 60
_LEAST_SHARE: Final = 0.15
_APART: Final = 0.3
_ROUNDS: Final = 6


def two(levels: Floats, others: Sequence[Floats]) -> list[Floats]:
    """The two spectra (bins,) that a note shows in its frames (k, bins), the commoner first; none where it shows one.

    `others` are the spectra (bins,) of the other notes, but for its octave, which the rarer one may well resemble. If
    it is more like one of them than like the commoner, it is not the note's own: a long window over a grip hears its
    two low Gs as one that is held, with the D in the middle.
    """
    if levels.shape[0] < _LEAST_FRAMES:
        return []
    shape = levels / np.linalg.norm(levels, axis=1, keepdims=True)
    away = shape - shape.mean(axis=0)
    one = away @ away[int(np.linalg.norm(away, axis=1).argmax())] > 0.0
    for _ in range(_ROUNDS):
        if min(one.mean(), 1.0 - one.mean()) < _LEAST_SHARE:
            return []
        means = [shape[one].mean(axis=0), shape[~one].mean(axis=0)]
        one = np.linalg.norm(shape - means[0], axis=1) < np.linalg.norm(shape - means[1], axis=1)
    if np.linalg.norm(means[0] - means[1]) < _APART or not 0 < one.sum() < one.size:
        return []
    found = [levels[one].mean(axis=0), levels[~one].mean(axis=0)]
    common, rare = found if one.mean() >= 0.5 else found[::-1]
    strange = any(likeness(rare, other) > likeness(rare, common) for other in others)
    return [] if strange else [common, rare]


def likeness(one: Floats, other: Floats) -> float:
    """How alike two spectra (bins,) are whatever their levels: the cosine of the angle between them."""
    return float(one @ other / (np.linalg.norm(one) * np.linalg.norm(other) + 1e-9))
