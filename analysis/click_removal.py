"""A metronome's clicks, taken out of a sound before it is listened to.

A click is the same every time, room and all, so its waveform can be learned from the take and subtracted; what is left
of a gracenote under it can then be heard.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy.signal
from numpy.typing import NDArray

from analysis.percussion import align
from analysis.spectra import Floats

#: What is taken out begins so long before a click and goes on for so long after it.
_BEFORE_S: Final = 0.003
_AFTER_S: Final = 0.120
#: Samples worked on at a time.
_PIECE: Final = 320_000
#: A kind of click has at least this many strokes; two kinds stand out by so many standard deviations.
_LEAST_OF_A_KIND: Final = 3
_LEAST_DISTINCT: Final = 5.0
#: A click is of the other kind than its number says if that holds so many times the energy of it (found by trial).
_PLAINLY_MORE: Final = 1.15
_FAR_LOUDER: Final = 8.0
_EVERY_OTHER: Final = 0.4
_LIKE_S: Final = 0.030
_ROUNDS: Final = 4


@dataclass(frozen=True)
class Clicks:
    """Clicks of one kind taken out of a sound: when each starts in seconds (k,), and the waveform (n,) that was taken
    out, which starts `lead` samples before the click."""

    times_s: NDArray[np.float64]
    wave: Floats
    lead: int


def subtract(
    samples: Floats, rate_hz: int, times_s: NDArray[np.float64], numbers: NDArray[np.int64]
) -> tuple[Floats, list[Clicks]]:
    """`samples` (n,) without the clicks that sound at `times_s` (k,) on beats `numbers` (k,), and what was taken out,
    one entry a kind of click.

    A metronome's click is the same every time, room and all, so its waveform is the mean over all strokes (quiet
    moments count most) aligned on the high-passed sound, and it can be taken out with a gain fitted to each. Some
    metronomes have two: the first of a bar sounds higher. What does not repeat (a foot) averages to little, is fitted
    with little gain, and so stays.
    """
    high_pass = scipy.signal.butter(4, 1200.0, "highpass", fs=rate_hz, output="sos")
    high = _both_ways(high_pass, samples, rate_hz)
    before, length = int(_BEFORE_S * rate_hz), int((_BEFORE_S + _AFTER_S) * rate_hz)
    starts = np.round(times_s * rate_hz).astype(int) - before
    inside = (starts >= 0) & (starts + length <= samples.size)
    starts, numbers = starts[inside], numbers[inside]
    if starts.size < 3:
        return samples, []
    cleaned = samples.copy()
    kinds = _kinds(samples, starts + before, numbers, rate_hz)
    if len(kinds) == 2:
        kinds = _by_wave(high, starts, kinds[0], length, rate_hz)
    return cleaned, [_take_out(cleaned, samples, high, starts[kind], before, length, rate_hz) for kind in kinds]


def _both_ways(sections: NDArray[np.float64], samples: Floats, rate_hz: int) -> Floats:
    """`samples` (n,) filtered forwards and backwards by `sections`, piece by piece."""
    result = np.empty_like(samples)
    spare = rate_hz // 20
    for start in range(0, samples.size, _PIECE):
        first = max(0, start - spare)
        filtered = scipy.signal.sosfiltfilt(sections, samples[first : start + _PIECE + spare])
        result[start : start + _PIECE] = filtered[start - first : start - first + _PIECE]
    return result


def _take_out(
    cleaned: Floats,
    samples: Floats,
    high: Floats,
    starts: NDArray[np.int64],
    before: int,
    length: int,
    rate_hz: int,
) -> Clicks:
    """Take one kind of click out of `cleaned`, in place."""
    starts, high_wave = _aligned(high, starts, length, rate_hz)
    wave = _mean_wave(samples, starts, length)
    fade = np.ones(length, dtype=np.float32)
    fade[: before // 2] = np.linspace(0.0, 1.0, before // 2)
    fade[-length // 4 :] = np.linspace(1.0, 0.0, length // 4)
    energy = float(np.sum(high_wave.astype(np.float64) ** 2)) + 1e-12
    for start in starts:
        part = slice(int(start), int(start) + length)
        gain = float(np.sum(high[part].astype(np.float64) * high_wave)) / energy
        cleaned[part] -= (np.clip(gain, 0.0, 1.4) * fade * wave).astype(np.float32)
    return Clicks((starts + before) / rate_hz, np.asarray(fade * wave, dtype=np.float32), before)


def _aligned(high: Floats, starts: NDArray[np.int64], length: int, rate_hz: int) -> tuple[NDArray[np.int64], Floats]:
    """The `starts` (k,) of one kind of click where they fit each other best, and its high-passed waveform (length,)."""
    for _ in range(3):
        wave = _mean_wave(high, starts, length)
        starts = np.array([align(high, wave, int(start), rate_hz) for start in starts])
    return starts, _mean_wave(high, starts, length)


def _by_wave(
    high: Floats, starts: NDArray[np.int64], one: NDArray[np.bool_], length: int, rate_hz: int
) -> list[NDArray[np.bool_]]:
    """Two kinds of click, at first `one` (k,) of `starts` and the others, told once more by their own waveforms.

    Where bars begin anew, after a false start or a stop, a click sounds like the other kind than its number says. Only
    one far louder than what sounds before it shows that, and only if both kinds have several of these; and not of
    every other stroke, since every other note of an exercise is the same.
    """
    if min(one.mean(), 1.0 - one.mean()) > _EVERY_OTHER:
        return [one, ~one]
    power = [float(np.mean(high[max(0, start - length) : start].astype(np.float64) ** 2)) for start in starts]
    around = np.array(power) * _LIKE_S * rate_hz
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
    places, _ = _aligned(high, of_a_kind, length, rate_hz)
    wave = np.asarray(np.mean([high[place : place + length] for place in places], axis=0), dtype=np.float32)
    energy = float(np.sum(wave.astype(np.float64) ** 2)) + 1e-12
    places = np.array([align(high, wave, int(start), rate_hz) for start in starts])
    fitted = np.array([np.sum(high[place : place + length].astype(np.float64) * wave) for place in places])
    return np.asarray(np.maximum(fitted, 0.0) ** 2 / energy)


def _kinds(
    samples: Floats, starts: NDArray[np.int64], numbers: NDArray[np.int64], rate_hz: int
) -> list[NDArray[np.bool_]]:
    """The strokes that start at `starts` (k,) on beats `numbers` as one or two kinds: masks (k,).

    Metronomes mark the first beat of two, three, four or six. Which, if any, shows in what each stroke adds to the
    spectrum: the division is taken that leaves the kinds far more alike within than dividing by lot would. Exercises
    have a step of two beats themselves, so every fourth or sixth stroke is compared with those an even number of beats
    away; of four, the one that is marked is then the less like the strokes between them.
    """
    added = np.stack([_added(samples, int(start), rate_hz) for start in starts])
    for divisions in (((4, 2), (6, 2), (3, 1)), ((2, 1),)):
        best, chosen = _LEAST_DISTINCT, np.ones(starts.size, dtype=bool)
        for beats, step in divisions:
            for first in range(beats):
                one = numbers % beats == first
                among = numbers % step == first % step
                distinct = _distinct(added[among], one[among])
                if distinct > best:
                    best, chosen = distinct, _odd_one(added, one, among & ~one, ~among) if beats == 2 * step else one
        if not chosen.all():
            return [chosen, ~chosen]
    return [np.ones(starts.size, dtype=bool)]


def _odd_one(
    added: NDArray[np.float64], one: NDArray[np.bool_], other: NDArray[np.bool_], rest: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Which of the kinds `one` and `other` (k,) of `added` (k, bins) is the less like the `rest`."""
    if not rest.any():
        return one
    means = [added[kind].mean(axis=0) for kind in (one, other, rest)]
    likeness = [float(mean @ means[2]) / (float(np.linalg.norm(mean)) + 1e-12) for mean in means[:2]]
    return one if likeness[0] <= likeness[1] else other


def _distinct(added: NDArray[np.float64], one: NDArray[np.bool_]) -> float:
    """By how many standard deviations the kind `one` (k,) of `added` (k, bins) stands out from a division by lot."""
    if min(one.sum(), (~one).sum()) < _LEAST_OF_A_KIND:
        return 0.0
    random = np.random.default_rng(one.size)
    lots = [_explained(added, random.permutation(one)) for _ in range(60)]
    return float((_explained(added, one) - np.mean(lots)) / (np.std(lots) + 1e-12))


def _added(samples: Floats, start: int, rate_hz: int) -> NDArray[np.float64]:
    """What a stroke at `start` adds to the spectrum from 700 Hz up, of length 1."""
    size = rate_hz * 16 // 1000
    taper = np.hanning(size)
    first = max(0, start - size - rate_hz // 200)
    before, after = samples[first : first + size], samples[start : start + size]
    if before.size < size or after.size < size:
        return np.zeros(size // 2 + 1)
    rise = np.abs(np.fft.rfft(after * taper)) ** 0.5 - np.abs(np.fft.rfft(before * taper)) ** 0.5
    rise = np.where(np.fft.rfftfreq(size, 1.0 / rate_hz) > 700.0, np.maximum(rise, 0.0), 0.0)
    return np.asarray(rise / (np.linalg.norm(rise) + 1e-12), dtype=np.float64)


def _explained(rows: NDArray[np.float64], one: NDArray[np.bool_]) -> float:
    """The energy of `rows` that the means of the two kinds hold."""
    return float(sum(np.sum(rows[kind].sum(axis=0) ** 2) / kind.sum() for kind in (one, ~one)))


def _mean_wave(samples: Floats, starts: NDArray[np.int64], length: int) -> Floats:
    """The mean waveform (length,), each stroke weighted by how quiet its surroundings are."""
    rows = np.stack([samples[start : start + length] for start in starts]).astype(np.float64)
    # Before the stroke and after its decay; the louder counts, since a note may start on the stroke.
    before = np.array([np.mean(samples[max(0, start - length) : start].astype(np.float64) ** 2) for start in starts])
    after = np.mean(rows[:, length // 2 :] ** 2, axis=1)
    around = np.maximum(before, after)
    weights = 1.0 / (around + 0.02 * np.mean(around) + 1e-12)
    return np.asarray((weights[:, None] * rows).sum(axis=0) / weights.sum(), dtype=np.float32)
