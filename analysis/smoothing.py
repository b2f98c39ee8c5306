"""Smooth lines of beats through strokes, one piece to each stretch that was played without a break.

A foot scatters about the beat that its owner means, and a tempo drifts: the beats are a smooth line through the
strokes. Where the player stopped and tapped on at another time, the line breaks too.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

#: Beats of two pieces may not lie closer than this share of a beat.
_CLOSEST: Final = 0.55
#: A count-in within this share of a tempo that is known better is of that tempo.
_KNOWN_TEMPO: Final = 0.03
#: Over a stop a step of several beats is not made of whole ones: each seems to differ by this share from those around.
_BREAK: Final = 0.05
#: And a step of one beat is none.
_SHORT_BREAK: Final = 0.25
_SCATTER_REACH: Final = 6.0
#: Fewer strokes than this in a row may be chance.
_LEAST_PIECE: Final = 7


def straight(
    times: NDArray[np.float64],
    numbers: NDArray[np.int64],
    *,
    from_s: float,
    until_s: float,
    known_s: float | None = None,
) -> NDArray[np.float64]:
    """Beats on a straight line through strokes at `times` (k,), numbered `numbers` (k,), from `from_s` to `until_s`.

    A count-in is too short to carry its own tempo on for a whole take: where it agrees with the written one, beats of
    `known_s` seconds, it is that which is carried on.
    """
    slope, start = np.polyfit(numbers, times, 1)
    if known_s is not None and abs(slope / known_s - 1.0) < _KNOWN_TEMPO:
        slope, start = known_s, float(np.mean(times - known_s * numbers))
    return np.asarray(start + slope * _places(times, numbers, slope, from_s, until_s), dtype=np.float64)


def smooth(
    times: NDArray[np.float64], numbers: NDArray[np.int64], reach: float, *, from_s: float, until_s: float
) -> NDArray[np.float64]:
    """Beats on a line through strokes at `times` (k,), numbered `numbers` (k,), smooth over `reach` beats, carried on
    at the tempo of its ends to cover `from_s` to `until_s`, broken where the strokes are."""
    parts = pieces(times, numbers)
    if len(parts) == 1:
        return _smooth_piece(times, numbers, reach, from_s, until_s)
    starts_s = [float(times[part.start]) for part in parts]
    lines = [
        _smooth_piece(times[part], numbers[part], reach, first_s, last_s)
        for part, first_s, last_s in zip(parts, [from_s, *starts_s[1:]], [*starts_s[1:], until_s], strict=True)
    ]
    return joined(lines, starts_s, float(np.median(np.diff(times) / np.diff(numbers))))


def scatter_s(times: NDArray[np.float64], numbers: NDArray[np.int64]) -> float:
    """How far strokes at `times` (k,), numbered `numbers` (k,), lie from a smooth line through them, in seconds: the
    median."""
    off = []
    for part in pieces(times, numbers):
        x, y = numbers[part], times[part]
        line = _local_line(y, x, x.astype(float), _SCATTER_REACH) if y.size >= 6 else y
        off.append(np.abs(y - line))
    return float(np.median(np.concatenate(off)))


def joined(pieces: Sequence[NDArray[np.float64]], starts_s: Sequence[float], beat_s: float) -> NDArray[np.float64]:
    """The beats of all `pieces` in order: where two overlap, the later one's from half a beat before it starts."""
    beats: list[float] = []
    for piece, start in zip(pieces, starts_s, strict=True):
        from_s = start - 0.5 * beat_s if beats else -np.inf
        beats = [time for time in beats if time < from_s]
        kept = piece[piece >= from_s]
        while beats and kept.size and kept[0] - beats[-1] < _CLOSEST * beat_s:
            beats.pop()
        beats.extend(kept.tolist())
    return np.array(beats)


def carried_to(beats_s: NDArray[np.float64], end_s: float) -> NDArray[np.float64]:
    """`beats_s` (n,) carried on to `end_s` as they end: what is played on without being on a beat has one too."""
    step_s = beats_s[-1] - beats_s[-2]
    more = max(0, int(np.ceil((end_s - beats_s[-1]) / step_s)))
    return np.concatenate([beats_s, beats_s[-1] + step_s * np.arange(1, more + 1)])


def pieces(times: NDArray[np.float64], numbers: NDArray[np.int64]) -> list[slice]:
    """The strokes at `times` (k,), numbered `numbers` (k,), in stretches that go on from each other in whole beats."""
    if times.size < 2 * _LEAST_PIECE:
        return [slice(0, times.size)]
    counts = np.diff(numbers)
    steps = np.diff(times) / counts
    usual = scipy.ndimage.median_filter(steps, 5, mode="nearest")
    broken = np.abs(steps / usual - 1.0) > np.where(counts > 1, _BREAK, _SHORT_BREAK)
    edges = [0, *(np.flatnonzero(broken) + 1), times.size]
    parts = [slice(int(first), int(last)) for first, last in pairwise(edges)]
    return parts if min(part.stop - part.start for part in parts) >= _LEAST_PIECE else [slice(0, times.size)]


def _places(
    times: NDArray[np.float64], numbers: NDArray[np.int64], slope: float, from_s: float, until_s: float
) -> NDArray[np.float64]:
    """The numbers of all beats that cover `from_s` to `until_s`."""
    first = int(numbers[0]) + int(np.floor((from_s - times[0]) / slope)) - 1
    last = int(np.ceil((until_s - times[-1]) / slope)) + int(numbers[-1]) + 1
    return np.arange(min(first, int(numbers[0])), max(last, int(numbers[-1])) + 1, dtype=float)


def _smooth_piece(
    times: NDArray[np.float64], numbers: NDArray[np.int64], reach: float, from_s: float, until_s: float
) -> NDArray[np.float64]:
    slope, start = np.polyfit(numbers, times, 1)
    places = _places(times, numbers, slope, from_s, until_s)
    # A metronome, or a foot that only scatters, is a straight line; what bends away from it is followed locally.
    if _is_straight(times - (start + slope * numbers)):
        return np.asarray(start + slope * places, dtype=np.float64)
    return _local_line(times, numbers, places, reach)


def _is_straight(residuals: NDArray[np.float64]) -> bool:
    """Whether residuals of a straight line only scatter: neighbours then do not lean the same way."""
    if residuals.size < 6:
        return True
    spread = float(np.std(residuals))
    together = float(np.mean(residuals[1:] * residuals[:-1])) / max(spread * spread, 1e-12)
    return spread < 0.003 or together < 0.35


def _local_line(
    times: NDArray[np.float64], numbers: NDArray[np.int64], places: NDArray[np.float64], reach: float
) -> NDArray[np.float64]:
    """Locally weighted parabolas through (numbers, times) at `places`, carried on straight beyond the ends; `reach` in
    beats."""
    result = np.empty(places.size)
    for index, place in enumerate(places):
        anchor = float(np.clip(place, numbers[0], numbers[-1]))
        weight = np.exp(-0.5 * ((numbers - anchor) / reach) ** 2)
        _, slope, start = np.polyfit(numbers - anchor, times, 2, w=np.sqrt(weight))
        result[index] = start + slope * (place - anchor)
    return result
