"""Held notes an octave apart, low G and high G, low A and high A, told by their whole spectra.

Every harmonic of the upper note is one of the lower note's, so a single long window over drones, or of a reed with
little at its odd harmonics, is easily mistaken. Frames in the middle of long runs show what each of the two looks like.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from analysis.chanter import Note
from analysis.spectra import Floats

Halves = NDArray[np.float16]
#: Gives the magnitudes (k, bins) of long frames (k,).
Magnitudes = Callable[[NDArray[np.int64]], Floats]

#: Frames worked on at a time, so that they stay in a processor's cache; and enough of them for a median.
CHUNK: Final = 512
_MOST_FOR_MEDIAN: Final = 500
#: Runs of this many frames show what a note looks like; so many frames of them are needed.
CORE_RUN: Final = 6
LEAST_CORE: Final = 8
#: A frame is told to be one of two notes by its likeness to what they look like from here on, if these differ so much.
_RESEMBLES: Final = 0.7
_TELLS_APART: Final = 0.1


def settle(labels: NDArray[np.int8], magnitudes: Magnitudes) -> NDArray[np.int8]:
    """`labels` (frames,) with the notes of each octave told apart by `magnitudes`: every frame is given to the one
    that it resembles."""
    settled = labels.copy()
    for low, high in ((Note.LOW_G, Note.HIGH_G), (Note.LOW_A, Note.HIGH_A)):
        either = np.flatnonzero((labels == low) | (labels == high))
        core = {note: either[_in_runs(labels, int(note))[either]] for note in (low, high)}
        if max(core[low].size, core[high].size) < LEAST_CORE:
            continue
        shape = shapes(magnitudes, either)
        if min(core[low].size, core[high].size) < LEAST_CORE:
            settled[either] = _only(shape, labels[either], either, core)
            continue
        like = [likeness(shape, np.flatnonzero(np.isin(either, core[note]))) for note in (low, high)]
        # What resembles neither, as under a click, tells nothing and stays what it was.
        told = (np.maximum(*like) > _RESEMBLES) & (np.abs(like[1] - like[0]) > _TELLS_APART)
        upper = np.where(told, like[1] > like[0], labels[either] == high)
        settled[either] = np.where(upper, high, low)
    return settled


def shapes(magnitudes: Magnitudes, frames: NDArray[np.int64]) -> Halves:
    """The square roots of the spectra of `frames` (k, bins), each of length 1. Half precision suffices for likeness."""
    result = np.empty((frames.size, magnitudes(frames[:1]).shape[1]), dtype=np.float16)
    for start in range(0, frames.size, CHUNK):
        shape = np.sqrt(magnitudes(frames[start : start + CHUNK]))
        shape /= np.linalg.norm(shape, axis=1, keepdims=True) + 1e-9
        result[start : start + CHUNK] = shape
    return result


def _only(
    shape: Halves, labels: NDArray[np.int8], either: NDArray[np.int64], core: dict[Note, NDArray[np.int64]]
) -> NDArray[np.int64]:
    """Labels of the frames `either` where only one of two notes has long runs: whatever looks like it is it."""
    note = max(core, key=lambda entry: core[entry].size)
    own = np.isin(either, core[note])
    like = likeness(shape, np.flatnonzero(own))
    usual = float(np.median(like[own]))
    spread = 1.4826 * float(np.median(np.abs(like[own] - usual)))
    return np.where(like > usual - max(4.0 * spread, 0.02), int(note), labels)


def likeness(shape: Halves, rows: NDArray[np.int64]) -> NDArray[np.float64]:
    """The cosine (frames,) between each of `shape` (frames, bins) and the median of its `rows` (k,)."""
    typical = middle(shape, rows)
    parts = [shape[start : start + CHUNK].astype(np.float32) @ typical for start in range(0, shape.shape[0], CHUNK)]
    return np.concatenate(parts).astype(np.float64)


def middle(shape: Halves, rows: NDArray[np.int64]) -> Floats:
    """The median (bins,) of enough of the `rows` (k,) of `shape` (frames, bins), of length 1."""
    median = np.median(shape[rows[:: max(1, rows.size // _MOST_FOR_MEDIAN)]].astype(np.float32), axis=0)
    return np.asarray(median / (np.linalg.norm(median) + 1e-9), dtype=np.float32)


def _in_runs(labels: NDArray[np.int8], note: int) -> NDArray[np.bool_]:
    """Frames (frames,) of `note` inside runs of it that are long enough to trust."""
    same = labels == note
    opened = scipy.ndimage.binary_opening(same, structure=np.ones(CORE_RUN, dtype=bool))
    return np.asarray(opened, dtype=bool)
