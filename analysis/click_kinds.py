"""Which of a metronome's clicks are of one kind: some have two, and mark the first beat of a bar.

Both what a click adds to the spectrum and its waveform tell. What is played repeats itself every few beats as a
metronome does, and its spectra with it, but no two notes have the same waveform; clicks whose time is not known to the
sample have not either.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis import matched_filter
from analysis.percussion import align
from analysis.spectra import Floats

#: A kind of click has at least this many strokes.
_LEAST_OF_A_KIND: Final = 3
_LIKE_S: Final = 0.030
#: Two kinds stand out from divisions by lot by so many standard deviations, in spectra and in waveforms together, and
#: in neither by less than none (by made takes, in which the marked strokes are known).
_LEAST_DISTINCT: Final = 4.0
_LOTS: Final = 100
#: A click is of the other kind than its number says if that holds so many times the energy of it (by trial), and it has
#: so many times what sounds before it.
_PLAINLY_MORE: Final = 1.15
_FAR_LOUDER: Final = 8.0
_EVERY_OTHER: Final = 0.4
_ROUNDS: Final = 4
#: A click with what a room leaves of it.
_WHOLE_S: Final = 0.120


def kinds(
    samples: Floats, high: Floats, starts: NDArray[np.int64], numbers: NDArray[np.int64], rate_hz: int
) -> list[NDArray[np.bool_]]:
    """The strokes that start at `starts` (k,) in `samples` (n,), on beats `numbers` (k,), as one or two kinds: masks
    (k,). `high`: the samples high-passed.

    Metronomes mark the first beat of four, of three or six, or of two: the first of these divisions is taken whose
    kinds have far more in common than those of divisions by lot. Exercises have a step of two beats themselves, so
    every fourth or sixth stroke is compared with those an even number of beats away; of four, the one that is marked is
    then the less like the strokes between them.
    """
    added = np.stack([_added(samples, int(start), rate_hz) for start in starts])
    waves = _waves(samples, starts, rate_hz)
    for divisions in (((4, 2),), ((6, 2), (3, 1)), ((2, 1),)):
        best, chosen = _LEAST_DISTINCT, np.ones(starts.size, dtype=bool)
        for beats, step in divisions:
            for first in range(beats):
                one = numbers % beats == first
                among = numbers % step == first % step
                distinct = [_distinct(shape[among], one[among]) for shape in (added, waves)]
                if min(distinct) > 0.0 and sum(distinct) > best:
                    best = sum(distinct)
                    chosen = _odd_one(waves, one, among & ~one, ~among) if beats == 2 * step else one
        if not chosen.all():
            return _by_wave(high, starts, chosen, rate_hz)
    return [np.ones(starts.size, dtype=bool)]


def _waves(samples: Floats, starts: NDArray[np.int64], rate_hz: int) -> Floats:
    """The waveforms (k, n) of the strokes at `starts` (k,), whitened, of length 1."""
    white = matched_filter.Whitened(samples, rate_hz)
    length = int(_LIKE_S * rate_hz)
    waves = np.stack([white.between(int(start), int(start) + length) for start in starts])
    return np.asarray(waves / (np.linalg.norm(waves, axis=1, keepdims=True) + 1e-12), dtype=np.float32)


def _added(samples: Floats, start: int, rate_hz: int) -> Floats:
    """What a stroke at `start` adds to the spectrum (bins,) from 700 Hz up, of length 1."""
    size = rate_hz * 16 // 1000
    taper = np.hanning(size)
    first = max(0, start - size - rate_hz // 200)
    before, after = samples[first : first + size], samples[start : start + size]
    if before.size < size or after.size < size:
        return np.zeros(size // 2 + 1, dtype=np.float32)
    rise = np.abs(np.fft.rfft(after * taper)) ** 0.5 - np.abs(np.fft.rfft(before * taper)) ** 0.5
    rise = np.where(np.fft.rfftfreq(size, 1.0 / rate_hz) > 700.0, np.maximum(rise, 0.0), 0.0)
    return np.asarray(rise / (np.linalg.norm(rise) + 1e-12), dtype=np.float32)


def _odd_one(
    waves: Floats, one: NDArray[np.bool_], other: NDArray[np.bool_], rest: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Which of the kinds `one` and `other` (k,) of `waves` (k, n) is the less like the `rest`."""
    if not rest.any():
        return one
    means = [waves[kind].mean(axis=0) for kind in (one, other, rest)]
    likeness = [float(mean @ means[2]) / (float(np.linalg.norm(mean)) + 1e-12) for mean in means[:2]]
    return one if likeness[0] <= likeness[1] else other


def _distinct(rows: Floats, one: NDArray[np.bool_]) -> float:
    """By how many standard deviations the kind `one` (k,) of `rows` (k, n) stands out from divisions by lot."""
    if min(one.sum(), (~one).sum()) < _LEAST_OF_A_KIND:
        return 0.0
    random = np.random.default_rng(one.size)
    lots = np.stack([random.permutation(one) for _ in range(_LOTS)])
    # Of few strokes some lots are the very division in question.
    lots = lots[~np.all(lots == one, axis=1) & ~np.all(lots != one, axis=1)]
    common = _in_common(rows, np.concatenate([one[None, :], lots]))
    return float((common[0] - common[1:].mean()) / (common[1:].std() + 1e-12))


def _in_common(rows: Floats, divisions: NDArray[np.bool_]) -> NDArray[np.float64]:
    """The energy of `rows` (k, n) that the means of two kinds hold, for each of several `divisions` (m, k)."""
    counts = divisions.sum(axis=1)
    own = divisions.astype(np.float32) @ rows
    rest = rows.sum(axis=0) - own
    energy = np.sum(own**2, axis=1) / counts + np.sum(rest**2, axis=1) / (divisions.shape[1] - counts)
    return np.asarray(energy, dtype=np.float64)


def _by_wave(high: Floats, starts: NDArray[np.int64], one: NDArray[np.bool_], rate_hz: int) -> list[NDArray[np.bool_]]:
    """Two kinds of click, at first `one` (k,) of `starts` and the others, told once more by their own waveforms.

    Where bars begin anew, after a false start or a stop, a click sounds like the other kind than its number says. Only
    one far louder than what sounds before it shows that, and only if both kinds have several of these; and not of
    every other stroke, since every other note of an exercise is the same.
    """
    if min(one.mean(), 1.0 - one.mean()) > _EVERY_OTHER:
        return [one, ~one]
    length = int(_WHOLE_S * rate_hz)
    around = np.array([_power(high[max(0, start - length) : start]) for start in starts]) * _LIKE_S * rate_hz
    told = one
    for _ in range(_ROUNDS):
        held = [_held(high, starts, starts[kind], length, rate_hz) for kind in (told, ~told)]
        loud = np.maximum(*held) > _FAR_LOUDER * around
        other = np.where(told, held[1] > _PLAINLY_MORE * held[0], held[0] > _PLAINLY_MORE * held[1])
        told = told ^ (loud & other)
        if min((loud & told).sum(), (loud & ~told).sum()) < _LEAST_OF_A_KIND:
            return [one, ~one]
        if not (loud & other).any():
            break
    return [told, ~told]


def _held(
    high: Floats, starts: NDArray[np.int64], of_a_kind: NDArray[np.int64], length: int, rate_hz: int
) -> NDArray[np.float64]:
    """The energy (k,) that the mean waveform of the clicks `of_a_kind` holds of those at `starts` (k,).

    All count alike: if only the quiet ones did, one of the other kind among the count-in would stand for all.
    """
    places = aligned(high, of_a_kind, length, rate_hz)
    wave = np.asarray(np.mean([high[place : place + length] for place in places], axis=0), dtype=np.float32)
    energy = float(np.sum(wave.astype(np.float64) ** 2)) + 1e-12
    places = np.array([align(high, wave, int(start), rate_hz) for start in starts])
    fitted = np.array([np.sum(high[place : place + length].astype(np.float64) * wave) for place in places])
    return np.asarray(np.maximum(fitted, 0.0) ** 2 / energy)


def aligned(high: Floats, starts: NDArray[np.int64], length: int, rate_hz: int) -> NDArray[np.int64]:
    """The `starts` (k,) of one kind of click, `length` samples long, where they fit each other best in the high-passed
    sound `high` (n,)."""
    for _ in range(3):
        wave = mean_wave(high, starts, length)
        starts = np.array([align(high, wave, int(start), rate_hz) for start in starts])
    return starts


def mean_wave(samples: Floats, starts: NDArray[np.int64], length: int) -> Floats:
    """The mean waveform (length,), each stroke weighted by how quiet its surroundings are."""
    rows = np.stack([samples[start : start + length] for start in starts]).astype(np.float64)
    # Before the stroke and after its decay; the louder counts, since a note may start on the stroke.
    before = np.array([_power(samples[max(0, start - length) : start]) for start in starts])
    after = np.mean(rows[:, length // 2 :] ** 2, axis=1)
    around = np.maximum(before, after)
    weights = 1.0 / (around + 0.02 * np.mean(around) + 1e-12)
    return np.asarray((weights[:, None] * rows).sum(axis=0) / weights.sum(), dtype=np.float32)


def _power(samples: Floats) -> float:
    """The mean power of `samples` (n,), 0 for none."""
    return float(np.mean(samples.astype(np.float64) ** 2)) if samples.size else 0.0
