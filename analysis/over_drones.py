"""Low A, E and high A over drones: told by what sounds at their harmonics beyond what the drones leave there.

The harmonics of low A, and the even ones of E, are drones' harmonics too. Against a floor that holds the drones they
hardly stand out, so these notes are missed though they are held, or low A is left with its even harmonics and passes
for high A. But the drones sound the same under every note: where others are held, the lines show what is theirs. What
they have beyond it is the note's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from analysis import held_octaves
from analysis.chanter import Note
from analysis.held_octaves import Halves, Magnitudes
from analysis.spectra import Floats

_MOST_HARMONICS: Final = 10
_TOP_HZ: Final = 5500.0
#: A line is the loudest bin so near to its place; harmonics may be a little further off the higher they are.
_NEAR_BINS: Final = 2
_WIDER_EVERY_HZ: Final = 1900.0
#: So many frames of a note show what sounds under it; so many are enough.
_LEAST_OTHERS: Final = 4
_MOST_OTHERS: Final = 60
#: In nepers: a line counts for no less and no more than this.
_LEAST_EXCESS: Final = -0.5
_MOST_EXCESS: Final = 3.0
#: A frame in which no note was found is low A, or E, if its odd and its even harmonics both exceed the drones by this
#: (by made takes: drones alone hardly reach 0.1, and more than nine in ten such frames of either note exceed it).
_IS_NOTE: Final[Mapping[Note, float]] = {Note.LOW_A: 0.4, Note.E: 0.7}
#: What was found there was not it if they exceed them by so much, and its own harmonics by so much less.
_IS_NOT_ANOTHER: Final = 1.1
_LESS_OF_ANOTHER: Final = 0.5
#: The drones do not sound where their lines are weaker than usual by this.
_DRONES_MISSING: Final = -1.2
_LEAST_RUN: Final = 6
_SMOOTH: Final = 5
#: Of what passes for high A, two kinds are told apart if the odd harmonics of low A differ by this and their spectra
#: are so unlike; the one with more of them is low A if the other has as little as high A leaves, or far less.
_LEAST_GAP: Final = 0.4
_WIDE_GAP: Final = 0.8
_LEAST_UNLIKE: Final = 0.04
_HIGH_A_LEAVES: Final = 0.4
_LOW_A_HAS: Final = 0.35
_FEWEST: Final = 4
_ROUNDS: Final = 5
#: One kind is low A if its odd harmonics are as strong as this and where low A is known they are not far stronger; or
#: as strong as this, where low A is written and hardly any high A.
_PLAINLY_LOW_A: Final = 0.8
_FAR_STRONGER: Final = 0.5
_MAY_BE_LOW_A: Final = 0.45
_FAR_MORE_WRITTEN: Final = 4.0


@dataclass(frozen=True)
class Pipes:
    """What is known of the pipes: `hz`, each note's frequency (9,), and the bass drone's `drone_hz`; and how to look:
    `magnitudes` of long frames, with bins `bin_hz` apart."""

    hz: tuple[float, ...]
    drone_hz: float
    magnitudes: Magnitudes
    bin_hz: float


def settle(
    labels: NDArray[np.int8], audible: NDArray[np.bool_], pipes: Pipes, expected: Mapping[Note, float] | None
) -> NDArray[np.int8]:
    """`labels` (frames,) with low A and E where, though `audible` (frames,), they were not found over the drones, or
    were taken for another note, and low A where it was taken for high A.

    `expected` is each written note's share of the written time.
    """
    settled = _found(labels, np.flatnonzero(audible), pipes)
    either = np.flatnonzero((settled == Note.LOW_A) | (settled == Note.HIGH_A))
    if (settled[either] == Note.HIGH_A).sum() >= _FEWEST:
        odd = _smooth(_excess(Note.LOW_A, either, labels, pipes)[:, 0], either)
        shape = held_octaves.shapes(pipes.magnitudes, either)
        settled[either] = _low_a_or_high_a(settled[either], odd, shape, expected)
    return settled


def _found(labels: NDArray[np.int8], frames: NDArray[np.int64], pipes: Pipes) -> NDArray[np.int8]:
    """`labels` (frames,) with low A and E where they sound in `frames` (k,) and nothing or another note was found."""
    settled = labels.copy()
    if not np.any(labels >= 0):
        return settled  # nothing shows what the drones leave
    frames = frames[_drones_sound(frames, labels, pipes)]
    if not frames.size:
        return settled
    excess = {note: _smooth(_excess(note, frames, labels, pipes).min(axis=1), frames) for note in (Note.LOW_A, Note.E)}
    for note, other in ((Note.LOW_A, Note.E), (Note.E, Note.LOW_A)):
        found = np.zeros(labels.size, dtype=bool)
        found[frames] = (excess[note] > _IS_NOTE[note]) & (excess[note] > excess[other]) & (labels[frames] < 0)
        wrong = (excess[note] > _IS_NOT_ANOTHER) & (excess[note] > excess[other]) & (labels[frames] >= 0)
        for label in set(labels[frames[wrong]].tolist()) - {int(note), int(Note.LOW_A), int(Note.HIGH_A)}:
            rows = np.flatnonzero(wrong & (labels[frames] == label))
            own = _excess(Note(label), frames[rows], labels, pipes).min(axis=1)
            found[frames[rows]] = own < _LESS_OF_ANOTHER * excess[note][rows]
        settled[scipy.ndimage.binary_opening(found, structure=np.ones(_LEAST_RUN, dtype=bool))] = note
    return settled


def _drones_sound(frames: NDArray[np.int64], labels: NDArray[np.int8], pipes: Pipes) -> NDArray[np.bool_]:
    """In which of `frames` (k,) the drones sound as they do under held notes: not where somebody talks."""
    numbers = [number for number in range(2, 16) if number % 4 and number % 6]
    hz = np.array(numbers) * pipes.drone_hz
    held = np.flatnonzero(labels >= 0)
    usual = np.percentile(_lines(held[:: max(1, held.size // _MOST_OTHERS)], pipes, hz), 25, axis=0)
    over = np.log((_lines(frames, pipes, hz) + 1e-9) / (usual + 1e-9))
    return np.asarray(np.median(over, axis=1) > _DRONES_MISSING)


def _excess(note: Note, frames: NDArray[np.int64], labels: NDArray[np.int8], pipes: Pipes) -> Floats:
    """By how much the odd and the even harmonics of `note` exceed in each of `frames` (k,) what sounds there under
    other notes, in nepers (k, 2). Less than nothing where no other note is held."""
    hz = pipes.hz[note] * np.arange(1, min(_MOST_HARMONICS, int(_TOP_HZ / pipes.hz[note])) + 1)
    own = {note, Note.HIGH_A} if note == Note.LOW_A else {note}
    under = [
        np.median(_lines(held[:: max(1, held.size // _MOST_OTHERS)], pipes, hz), axis=0)
        for held in (np.flatnonzero(labels == other) for other in Note if other not in own)
        if held.size >= _LEAST_OTHERS
    ]
    if not under:
        return np.full((frames.size, 2), _LEAST_EXCESS, dtype=np.float32)
    # The least of all: some of them have harmonics there themselves.
    over = np.log((_lines(frames, pipes, hz) + 1e-9) / (np.min(under, axis=0) + 1e-9))
    over = np.clip(over, _LEAST_EXCESS, _MOST_EXCESS)
    return np.stack([over[:, 0::2].mean(axis=1), over[:, 1::2].mean(axis=1)], axis=1).astype(np.float32)


def _lines(frames: NDArray[np.int64], pipes: Pipes, hz: NDArray[np.floating]) -> Floats:
    """The levels (k, n) of the partials at `hz` (n,) in `frames` (k,)."""
    spans = [(round(line / pipes.bin_hz), _NEAR_BINS + int(line // _WIDER_EVERY_HZ)) for line in hz]
    result = np.empty((frames.size, len(spans)), dtype=np.float32)
    for start in range(0, frames.size, held_octaves.CHUNK):
        levels = pipes.magnitudes(frames[start : start + held_octaves.CHUNK])
        for column, (centre, near) in enumerate(spans):
            result[start : start + held_octaves.CHUNK, column] = levels[:, centre - near : centre + near + 1].max(
                axis=1
            )
    return result


def _smooth(values: Floats, frames: NDArray[np.int64]) -> Floats:
    """The moving median of `values` (k,) over neighbouring ones of `frames` (k,)."""
    parts = np.split(values, np.flatnonzero(np.diff(frames) > 1) + 1)
    return np.concatenate([scipy.ndimage.median_filter(part, _SMOOTH, mode="nearest") for part in parts])


def _low_a_or_high_a(
    labels: NDArray[np.int8], odd: Floats, shape: Halves, expected: Mapping[Note, float] | None
) -> NDArray[np.int8]:
    """`labels` (k,) of frames that are one or the other, with high A made low A where `odd` (k,), the excess of low A's
    odd harmonics, and the spectra `shape` (k, bins) show that it is."""
    settled = labels.copy()
    high = np.flatnonzero(labels == Note.HIGH_A)
    kinds = _two_kinds(odd[high], shape, high)
    low, rest = high[kinds], high[~kinds]
    if min(low.size, rest.size) >= _FEWEST:
        least, most = float(np.median(odd[rest])), float(np.median(odd[low]))
        unlike = 1.0 - float(held_octaves.middle(shape, low) @ held_octaves.middle(shape, rest))
        apart = most - least > _LEAST_GAP and unlike > _LEAST_UNLIKE and most > _LOW_A_HAS
        if apart and (least < _HIGH_A_LEAVES or most - least > _WIDE_GAP):
            settled[low] = Note.LOW_A
            return settled
    if _is_all_low_a(float(np.median(odd[high])), odd[labels == Note.LOW_A], expected):
        settled[high[odd[high] > _HIGH_A_LEAVES]] = Note.LOW_A
    return settled


def _two_kinds(odd: Floats, shape: Halves, rows: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Frames (k,) divided in two, first by `odd` (k,), then by the likeness of their spectra, which are the `rows` (k,)
    of `shape` (n, bins): True for those with more at the odd harmonics."""
    middle = 0.5 * float(np.sum(np.percentile(odd, [5, 95])))
    for _ in range(_ROUNDS):
        more = odd > middle
        if more.all() or not more.any():
            break
        middle = 0.5 * float(np.median(odd[more]) + np.median(odd[~more]))
    kinds = odd > middle
    for _ in range(_ROUNDS):
        if min(kinds.sum(), (~kinds).sum()) < _FEWEST:
            break
        again = held_octaves.likeness(shape, rows[kinds])[rows] > held_octaves.likeness(shape, rows[~kinds])[rows]
        if np.array_equal(again, kinds):
            break
        kinds = again
    turned = 0 < kinds.sum() < kinds.size and np.median(odd[kinds]) < np.median(odd[~kinds])
    return ~kinds if turned else kinds


def _is_all_low_a(odd: float, known: Floats, expected: Mapping[Note, float] | None) -> bool:
    """Whether all that passes for high A is low A, by the middle excess `odd` of its odd harmonics, that of the `known`
    low As (k,), and the score."""
    low, high = (1.0, 0.0) if expected is None else (expected.get(n, 0.0) for n in (Note.LOW_A, Note.HIGH_A))
    if expected is not None and low > _FAR_MORE_WRITTEN * high and odd > _MAY_BE_LOW_A:
        return True
    is_weaker = known.size >= _FEWEST and float(np.median(known)) - odd >= _FAR_STRONGER
    return odd > _PLAINLY_LOW_A and low >= high and not is_weaker
