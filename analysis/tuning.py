"""How this chanter is tuned, from its sustained notes: drones, low A, and the pitch of every note that is held.

Long windows (128 ms) give each sustained frame a fundamental by harmonic summation: the mean level at a candidate's
harmonics less the level between them. The part between is what keeps B from passing for E, and low A for high A, whose
harmonics coincide. The fundamentals are gathered into clusters, and the clusters are laid onto the nine notes in
ascending order, whatever low A fits best; no cluster is tied to a published table closer than a beginner's chanter
keeps to one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Final, Literal

import numpy as np
import scipy.ndimage
import scipy.signal
from numpy.typing import NDArray

from analysis import held_octaves, over_drones, spectra
from analysis.chanter import PIPES_LOW_A_HZ, PRACTICE_LOW_A_HZ, RATIOS, Note, Tuning, table_cents
from analysis.spectra import Floats

WINDOW: Final = 2048
HOP: Final = 512
SIZE: Final = 4096
HOP_S: Final = HOP / spectra.RATE_HZ
_BIN_HZ: Final = spectra.RATE_HZ / SIZE
_TOP_HZ: Final = 5600.0

#: Candidate fundamentals, 10 cents apart, from below the flattest low G to above the sharpest high A.
GRID_HZ: Final = 178.0 * 2.0 ** (np.arange(0, 318) * 10.0 / 1200.0)
_HARMONICS: Final = 12
#: Frames worked on at a time, so that they stay in a processor's cache; and enough of them to know what always sounds.
_CHUNK: Final = 512
_MOST_FOR_FLOOR: Final = 1000
#: Salience (in nepers of level over the noise) from which a frame counts as a held note.
_HELD_SALIENCE: Final = 0.75
_HELD_SALIENCE_OVER_DRONES: Final = 0.58
_STEADY_CENTS: Final = 30.0
#: How far a note may lie from its place in a table before the fit would rather call it another note.
_TABLE_SPREAD_CENTS: Final = 28.0
#: A short run stands alone if there is hardly another held frame so near to it.
_AROUND: Final = 16
#: A note held for this share of the take more than what is written of it is hardly the one that is written.
_SPARE_SHARE: Final = 0.15
_UNWRITTEN_COST: Final = 16.0
#: Of somebody talking few frames are as steady as this over so many frames; of notes nearly all.
_EVEN_CENTS: Final = 15.0
_EVEN_RUN: Final = 4
_UNEVEN_WEIGHT: Final = 0.2

Kind = Literal["practice chanter", "pipes"]


@dataclass(frozen=True)
class Fit:
    """A chanter fitted to one recording.

    `hz` holds each note's frequency, `heard` whether it was held long enough to be measured (the others are placed by
    the table between their neighbours). `labels` gives, for every long frame (one each :data:`HOP_S`), the number of
    the held note or -1; `frame_hz` its fundamental. `drone_hz` is the bass drone, None without drones.
    """

    kind: Kind
    low_a_hz: float
    hz: tuple[float, ...]
    heard: tuple[bool, ...]
    labels: NDArray[np.int8]
    frame_hz: NDArray[np.float64]
    drone_hz: float | None


def find_drone(spectrum: Floats) -> float | None:
    """The bass drone's frequency in hertz, or None, from the take's persistent spectrum (bins,).

    `spectrum` is a low percentile over time, so that only what always sounds stands out. The bass drone lies two
    octaves below low A and the tenors one octave: lines at one, two and three times the bass must all stand clear.
    """
    level = np.log(spectrum + 1e-7)
    ground = scipy.ndimage.median_filter(level, size=31)
    clear = level - ground
    best, best_hz = 0.0, None
    for hz in np.arange(106.0, 131.0, 0.25):
        places = np.round(np.arange(1, 9) * hz / _BIN_HZ).astype(int)
        between = np.round((np.arange(1, 9) - 0.5) * hz / _BIN_HZ).astype(int)
        lines = clear[places] - np.maximum(clear[between], 0.0)
        sounds = spectrum[places[0]] > _LEAST_BASS * spectrum[places[1:3]].max()
        if sounds and lines[:3].min() > 0.7 and lines.mean() > max(best, 0.8):
            best, best_hz = float(lines.mean()), float(hz)
    return best_hz


#: The bass drone's lowest line against the stronger of the next two, at least, whatever a phone leaves of it.
_LEAST_BASS: Final = 0.2


def _floor(magnitudes: Floats, persistent: Floats, drone_hz: float | None) -> Floats:
    """The level (bins,) that a frame's bins are measured against: the noise, and the drones where there are any.

    `magnitudes` (frames, bins) are enough of the take's to know its noise by.
    """
    noise = scipy.ndimage.minimum_filter1d(np.median(magnitudes, axis=0), 21)
    smooth = scipy.ndimage.uniform_filter1d(noise, 41)
    floor = np.maximum(2.0 * smooth, 1e-5 + 2e-3 * float(np.percentile(magnitudes.max(axis=1), 90)))
    if drone_hz is not None:
        lines = np.round(np.arange(1, int(_TOP_HZ / drone_hz)) * drone_hz / _BIN_HZ).astype(int)
        peaks = persistent[lines]
        for number, line in enumerate(lines):
            # A note that hardly ever stops would pass for a drone where its harmonics meet the drones'; the lines
            # beside show how strong a drone is there.
            beside = np.median(peaks[max(0, number - 2) : number + 3])
            near = slice(max(0, line - 4), line + 5)
            floor[near] = np.maximum(floor[near], 2.0 * persistent[near] * min(1.0, 1.5 * beside / peaks[number]))
    return np.asarray(floor, dtype=np.float32)


def salience(levels: Floats) -> Floats:
    """Harmonic salience, shape (frames, candidates of GRID_HZ), of log levels over the floor (frames, bins).

    The better of two: with all harmonics, and with the odd ones alone, since a cylindrical bore closed by its reed has
    few others.
    """
    result = np.zeros((GRID_HZ.size, levels.shape[0]), dtype=np.float32)
    by_bin = np.ascontiguousarray(levels.T)  # a bin of all frames lies together: reading it is what takes the time
    for row, comb in enumerate(_combs()):
        between = np.maximum(by_bin[comb.between[0]], by_bin[comb.between[1]])
        np.maximum(between, by_bin[comb.between[2]], out=between)
        clear = by_bin[comb.lines] - between
        result[row] = np.maximum(comb.whole @ clear, 0.9 * (comb.odd @ clear[::2]))
    return result.T


@dataclass(frozen=True)
class _Comb:
    """Of one candidate: the bins of its harmonics (n,), three rows of bins between them (3, n), and how much each
    harmonic counts, of all (n,) and of the odd ones."""

    lines: NDArray[np.int64]
    between: NDArray[np.int64]
    whole: Floats
    odd: Floats


@cache
def _combs() -> tuple[_Comb, ...]:
    """The comb of every candidate of GRID_HZ."""
    combs = []
    for hz in GRID_HZ:
        numbers = np.arange(1, max(4, min(_HARMONICS, int(_TOP_HZ / hz))) + 1)
        between = np.array([_bins((numbers - part) * hz) for part in (1 / 3, 2 / 3, 0.5)])
        combs.append(_Comb(_bins(numbers * hz), between, _weights(numbers), _weights(numbers[::2])))
    return tuple(combs)


def _weights(numbers: NDArray[np.int64]) -> Floats:
    weights = 1.0 / np.sqrt(numbers)
    return np.asarray(weights / weights.sum(), dtype=np.float32)


def _bins(hz: NDArray[np.float64]) -> NDArray[np.int64]:
    return np.round(hz / _BIN_HZ).astype(np.int64)


def _refined(levels: Floats, candidates: NDArray[np.float64]) -> NDArray[np.float64]:
    """Fundamentals (frames,) from the interpolated peaks of each frame's first eight harmonics."""
    total = np.zeros(candidates.size)
    weight = np.zeros(candidates.size)
    rows = np.arange(candidates.size)
    for number in range(1, 9):
        centre = np.round(number * candidates / _BIN_HZ).astype(int)
        reach = max(2, math.ceil(0.012 * number * 300.0 / _BIN_HZ))
        around = np.clip(centre[:, None] + np.arange(-reach, reach + 1), 1, levels.shape[1] - 2)
        peak = around[rows, levels[rows[:, None], around].argmax(axis=1)]
        left, mid, right = levels[rows, peak - 1], levels[rows, peak], levels[rows, peak + 1]
        bend = left - 2.0 * mid + right
        shift = np.where(bend < -1e-6, 0.5 * (left - right) / np.minimum(bend, -1e-6), 0.0)
        isolated = (bend < -1e-6) & (np.abs(shift) <= 1.0) & (mid > 0.5) & (centre < levels.shape[1] - 3)
        hz = (peak + np.clip(shift, -1.0, 1.0)) * _BIN_HZ / number
        near = isolated & (np.abs(1200.0 * np.log2(hz / candidates)) < 25.0)
        total += np.where(near, mid * number * hz, 0.0)
        weight += np.where(near, mid * number, 0.0)
    return np.where(weight > 0, total / np.maximum(weight, 1e-9), candidates)


def _magnitudes(samples: Floats, frames: NDArray[np.int64]) -> Floats:
    return spectra.magnitudes(samples, frames, window=WINDOW, hop=HOP, size=SIZE, high_hz=_TOP_HZ * 1.04)


def _fundamentals(samples: Floats, floor: Floats) -> tuple[NDArray[np.float64], Floats, Floats]:
    """The likeliest fundamental of every frame in hertz, its salience and the frame's highest level, all (frames,)."""
    count = spectra.frame_count(samples, HOP)
    frame_hz = np.empty(count)
    strength = np.empty(count, dtype=np.float32)
    loud = np.empty(count, dtype=np.float32)
    for start in range(0, count, _CHUNK):
        part = slice(start, min(count, start + _CHUNK))
        magnitudes = _magnitudes(samples, np.arange(part.start, part.stop))
        loud[part] = magnitudes.max(axis=1)
        magnitudes /= floor
        levels = np.log1p(magnitudes, out=magnitudes)
        strengths = salience(levels)
        strength[part] = strengths.max(axis=1)
        frame_hz[part] = _refined(levels, GRID_HZ[strengths.argmax(axis=1)])
    return frame_hz, strength, loud


def _held(best: NDArray[np.float64], strength: Floats, least: float) -> NDArray[np.bool_]:
    """Frames (frames,) whose fundamental is strong and the same as in a neighbour."""
    cents = 1200.0 * np.log2(best)
    step = np.abs(np.diff(cents, prepend=cents[:1]))
    steady = (step < _STEADY_CENTS) | (np.roll(step, -1) < _STEADY_CENTS)
    held: NDArray[np.bool_] = steady & (strength > least)
    return held


def _even(frame_hz: NDArray[np.float64], held: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Those of the `held` frames (frames,) that lie in runs of a steady fundamental."""
    same = np.abs(np.diff(1200.0 * np.log2(frame_hz))) < _EVEN_CENTS
    together = held[1:] & held[:-1] & same
    runs = scipy.ndimage.binary_opening(together, structure=np.ones(_EVEN_RUN - 1, dtype=bool))
    even = np.concatenate([runs, [False]]) | np.concatenate([[False], runs])
    return np.asarray(even, dtype=bool)


@dataclass(frozen=True)
class _Cluster:
    cents: float  # above 1 Hz
    weight: float


def _clusters(hz: NDArray[np.float64], weights: NDArray[np.float64]) -> list[_Cluster]:
    """Clusters of held fundamentals (frames,), each with its weight (frames,), ascending, from a smoothed histogram."""
    cents = 1200.0 * np.log2(hz)
    start = cents.min() - 60.0
    histogram = np.bincount(((cents - start) / 2.0).astype(int), minlength=60)
    histogram = np.pad(histogram, (0, 60)).astype(float)
    smooth = scipy.ndimage.gaussian_filter1d(histogram, 6.0)
    peaks, _ = scipy.signal.find_peaks(smooth, height=smooth.max() * 1e-3, distance=20)
    found = []
    for peak in peaks:
        near = np.abs(cents - (start + 2.0 * peak + 1.0)) < 30.0
        if near.sum() >= 3:
            found.append(_Cluster(float(np.median(cents[near])), float(weights[near].sum())))
    return found


def _lay(
    clusters: list[_Cluster],
    low_a_cents: NDArray[np.float64],
    table: tuple[float, ...],
    expected: Mapping[Note, float] | None,
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """For every low A (k,) the cost (k,) of the cheapest ascending assignment of clusters to notes, and that assignment
    (k, clusters), -1 for none."""
    total = sum(cluster.weight for cluster in clusters)
    count = low_a_cents.size
    # Column n: the least cost if the last note taken is n - 1; column 0: if none is taken yet.
    best = np.full((count, len(Note) + 1), math.inf)
    best[:, 0] = 0.0
    taken: list[NDArray[np.bool_]] = []
    sources: list[NDArray[np.int64]] = []
    for cluster in clusters:
        share = math.sqrt(cluster.weight / total)
        strange = [
            0.0 if expected is None else _strange(expected.get(note, 0.0), cluster.weight / total) for note in Note
        ]
        away = ((cluster.cents - low_a_cents)[:, None] - np.array(table)) / _TABLE_SPREAD_CENTS
        own = np.where(np.abs(away) < 4.0, share * np.minimum(away * away + strange, 30.0), math.inf)
        least = np.minimum.accumulate(best, axis=1)
        is_less = np.pad(least[:, 1:] < least[:, :-1], ((0, 0), (1, 0)))
        sources.append(np.maximum.accumulate(is_less * np.arange(len(Note) + 1), axis=1))
        best = best + share * 9.0
        with_it = least[:, :-1] + own
        taken.append(with_it < best[:, 1:])
        best[:, 1:] = np.minimum(best[:, 1:], with_it)
    ways = np.full((count, len(clusters)), -1)
    rows, at = np.arange(count), best.argmin(axis=1)
    for number in range(len(clusters) - 1, -1, -1):
        took = (at > 0) & taken[number][rows, at - 1]
        ways[took, number] = at[took] - 1
        at = np.where(took, sources[number][rows, at - 1], at)
    return best.min(axis=1), ways


def _strange(written: float, held: float) -> float:
    """What it costs to take for a note, with its share `written` of the written time, what was `held` for so much."""
    return (0.0 if written > 0.0 else 1.5) + _UNWRITTEN_COST * max(0.0, held - 1.5 * written - _SPARE_SHARE)


def _fit_low_a(
    clusters: list[_Cluster], expected: Mapping[Note, float] | None, drone_hz: float | None
) -> tuple[Kind, float, list[int], Tuning] | None:
    """Kind, low A in cents above 1 Hz, the note of each cluster and the table that fit best."""
    best: tuple[float, Kind, float, list[int], Tuning] | None = None
    ranges: list[tuple[Kind, tuple[float, float]]] = [
        ("practice chanter", PRACTICE_LOW_A_HZ),
        ("pipes", PIPES_LOW_A_HZ),
    ]
    for kind, (low, high) in ranges:
        if drone_hz is not None and kind == "practice chanter":
            continue
        middle = 1200.0 * math.log2(math.sqrt(low * high))
        for tuning in RATIOS:
            table = table_cents(tuning=tuning)
            cents = np.arange(1200.0 * math.log2(low), 1200.0 * math.log2(high), 8.0)
            costs, ways = _lay(clusters, cents, table, expected)
            # Where the notes alone leave it open, an ordinary instrument is likelier than an extreme one.
            costs += 0.5 * ((cents - middle) / 170.0) ** 2
            if drone_hz is not None:
                costs += 4.0 * ((cents - 1200.0 * math.log2(4.0 * drone_hz)) / 40.0) ** 2
            least = int(costs.argmin())
            if best is None or costs[least] < best[0]:
                best = (float(costs[least]), kind, float(cents[least]), ways[least].tolist(), tuning)
    return best and (best[1], best[2], best[3], best[4])


def _place_notes(
    clusters: list[_Cluster], way: list[int], low_a_cents: float, tuning: Tuning
) -> tuple[list[float], list[bool]]:
    """Cents above 1 Hz of every note, and which were heard; the unheard lie by the table, shifted like their
    neighbours."""
    table = table_cents(tuning=tuning)
    heard = {note: cluster.cents for note, cluster in zip(way, clusters, strict=True) if note >= 0}
    shift = [(note, heard[note] - low_a_cents - table[note]) for note in sorted(heard)]
    notes, shifts = [n for n, _ in shift], [s for _, s in shift]
    places = []
    for note in Note:
        if note in heard:
            places.append(heard[note])
        else:
            # Half of the neighbours' shift: what shifts one hole of a chanter shifts the next one less.
            lean = 0.5 * float(np.interp(note, notes, shifts)) if notes else 0.0
            places.append(low_a_cents + table[note] + lean)
    return places, [note in heard for note in Note]


def fit(samples: Floats, *, expected: Mapping[Note, float] | None = None) -> Fit | None:
    """The chanter heard in `samples` (n,) at the listening rate, or None where nothing like one is held.

    `expected` is each written theme note's share of the written time, when there is a score; the fit leans on it
    without trusting it.
    """
    count = spectra.frame_count(samples, HOP)
    some = _magnitudes(samples, np.arange(0, count, max(1, count // _MOST_FOR_FLOOR)))
    loudest = some.max(axis=1)
    least_loud = 0.05 * float(np.percentile(loudest, 95))
    if (loudest > least_loud).sum() * max(1, count // _MOST_FOR_FLOOR) < 8:
        return None
    persistent = np.percentile(some[loudest > least_loud], 10, axis=0).astype(np.float32)
    drone_hz = find_drone(persistent)
    floor = _floor(some, persistent, drone_hz)
    frame_hz, strength, loud = _fundamentals(samples, floor)
    least = _HELD_SALIENCE if drone_hz is None else _HELD_SALIENCE_OVER_DRONES
    held = _held(frame_hz, strength, least) & (loud > least_loud)
    if held.sum() < 6:
        return None
    clusters = _clusters(frame_hz[held], np.where(_even(frame_hz, held), 1.0, _UNEVEN_WEIGHT)[held])
    fitted = _fit_low_a(clusters, expected, drone_hz) if clusters else None
    if fitted is None:
        return None
    kind, low_a_cents, way, tuning = fitted
    places, heard = _place_notes(clusters, way, low_a_cents, tuning)
    hz = np.array([2.0 ** (place / 1200.0) for place in places])

    def magnitudes(frames: NDArray[np.int64]) -> Floats:
        return _magnitudes(samples, frames)

    labels = _among_others(held_octaves.settle(_labels(frame_hz, held, places, heard), magnitudes))
    if (labels >= 0).sum() < 6:
        return None
    if drone_hz is not None:
        pipes = over_drones.Pipes(tuple(hz.tolist()), drone_hz, magnitudes, _BIN_HZ)
        before, labels = labels, over_drones.settle(labels, loud > least_loud, pipes, expected)
        changed = np.flatnonzero((labels >= 0) & (labels != before))
        frame_hz[changed] = _measured(changed, hz[labels[changed]], magnitudes, floor)
        hz = _measured_notes(hz, heard, labels, frame_hz)
    heard = [bool((labels == note).any()) for note in Note]
    frame_hz = _in_their_octaves(frame_hz, labels, hz)
    low_a = float(hz[Note.LOW_A]) if heard[Note.LOW_A] else 2.0 ** (low_a_cents / 1200.0)
    return Fit(kind, low_a, tuple(hz.tolist()), tuple(heard), labels, frame_hz, drone_hz)


def _in_their_octaves(
    frame_hz: NDArray[np.float64], labels: NDArray[np.int8], hz: NDArray[np.float64]
) -> NDArray[np.float64]:
    """`frame_hz` (frames,) by `labels`: a frame that was given to the other octave was measured in the wrong one."""
    octaves = np.round(np.log2(frame_hz / hz[labels]))
    return np.where(labels >= 0, frame_hz / 2.0**octaves, frame_hz)


def _measured_notes(
    hz: NDArray[np.float64], heard: list[bool], labels: NDArray[np.int8], frame_hz: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The frequency of every note (9,), those that were not `heard` by now from the frames (frames,) found since."""
    result = hz.copy()
    for note in Note:
        if not heard[note] and np.any(labels == note):
            result[note] = np.median(frame_hz[labels == note])
    return result


def _measured(
    frames: NDArray[np.int64], near_hz: NDArray[np.float64], magnitudes: held_octaves.Magnitudes, floor: Floats
) -> NDArray[np.float64]:
    """The fundamentals of `frames` (k,), each near to that of `near_hz` (k,), in hertz."""
    result = np.empty(frames.size)
    for start in range(0, frames.size, _CHUNK):
        part = slice(start, start + _CHUNK)
        result[part] = _refined(np.log1p(magnitudes(frames[part]) / floor), near_hz[part])
    return result


def _among_others(labels: NDArray[np.int8]) -> NDArray[np.int8]:
    """`labels` (frames,) without short runs that stand alone: a vowel of somebody talking is held for a moment too."""
    result = labels.copy()
    edges = np.concatenate([[0], np.flatnonzero(np.diff(labels)) + 1, [labels.size]])
    for start, stop in pairwise(edges):
        around = labels[max(0, start - _AROUND) : stop + _AROUND] >= 0
        if (
            labels[start] >= 0
            and stop - start < held_octaves.CORE_RUN
            and around.sum() - (stop - start) < held_octaves.LEAST_CORE
        ):
            result[start:stop] = -1
    return result


def _labels(
    frame_hz: NDArray[np.float64], held: NDArray[np.bool_], places: list[float], heard: list[bool]
) -> NDArray[np.int8]:
    """The held note of each frame, -1 for none, by the nearest heard note within 45 cents."""
    notes = np.flatnonzero(heard)
    away = np.abs(1200.0 * np.log2(frame_hz)[:, None] - np.array(places)[notes][None, :])
    nearest = away.argmin(axis=1)
    good = held & (away[np.arange(away.shape[0]), nearest] < 45.0)
    return np.where(good, notes[nearest], -1).astype(np.int8)
