"""Runs: stretches played without a stop or a step back, and a beat that each of them meets.

A click goes on whatever the player does. A beat that is only carried on, from a count-in or from the notes themselves,
means nothing after a stop: the player begins again when ready. There, each run after a rest is laid on the beat anew,
by its own count-in if one is heard, else by its own notes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.beat import BeatLine, fitted_line
from analysis.smoothing import carried_to, joined

#: A rest that is not written and is at least this long is a stop.
STOP_S: Final = 0.35
_COUNTED: Final = 3
_COUNT_SPREAD: Final = 0.06
#: A run of so many notes and beats may keep to a line of its own, if it lies this far (in beats) off the common one.
_LEAST_FOR_OWN: Final = 10
_PLAINLY_OFF: Final = 0.02


@dataclass(frozen=True)
class Anchor:
    """A theme note that sounded: its place in beats, when it met its beat point in seconds, and whether an unwritten
    rest came before it."""

    place: float
    time_s: float
    rested: bool


@dataclass
class Run:
    """Anchors in the order played, their places growing."""

    rested: bool
    anchors: list[Anchor] = field(default_factory=list)

    @property
    def places(self) -> NDArray[np.float64]:
        """Places in beats (n,)."""
        return np.array([anchor.place for anchor in self.anchors])

    @property
    def times_s(self) -> NDArray[np.float64]:
        """Times in seconds (n,)."""
        return np.array([anchor.time_s for anchor in self.anchors])


def split(anchors: Sequence[Anchor]) -> list[Run]:
    """`anchors` in runs: a new one after a stop and at every step back."""
    result: list[Run] = []
    for anchor in anchors:
        back = bool(result) and anchor.place <= result[-1].anchors[-1].place
        if not result or anchor.rested or back:
            result.append(Run(anchor.rested and bool(result)))
        result[-1].anchors.append(anchor)
    return result


def fitted(runs: Sequence[Run], *, until_s: float, tempo_bpm: float | None) -> BeatLine | None:
    """One smooth tempo line through all `runs`, each after a stop with a beginning of its own; None for too few
    notes."""
    anchors = [anchor for run in runs for anchor in run.anchors]
    if len(anchors) < 3:
        return None
    slope = _slope(runs, tempo_bpm)
    if slope is None:
        return None
    offsets = _offsets(runs, slope)
    curve: NDArray[np.float64] = np.zeros(1)
    for _ in range(3):
        x = np.concatenate([run.places + offset for run, offset in zip(runs, offsets, strict=True)])
        y = np.concatenate([run.times_s for run in runs])
        curve = fitted_line(x, y, slope)
        for number, run in enumerate(runs):
            if run.rested:
                # How far the run lies off the line, in beats: the median, so that its faults still show.
                off = np.median(run.times_s - np.polyval(curve, run.places + offsets[number]))
                offsets[number] += float(off) / slope
    starts_s = [float(run.times_s[0]) for run in runs]
    pieces = []
    for run, offset, end_s in zip(runs, offsets, [*starts_s[1:], until_s], strict=True):
        first, last = np.floor(run.places.min()) - 1, np.ceil(run.places.max()) + 1
        own, start = _own_line(run, slope, curve, offset)
        beats = np.polyval(own, np.arange(first, last + 1) + start)
        pieces.append(carried_to(np.asarray(beats, dtype=np.float64), end_s))
    return BeatLine("fitted", joined(pieces, starts_s, slope))


def _own_line(run: Run, slope: float, common: NDArray[np.float64], offset: float) -> tuple[NDArray[np.float64], float]:
    """The line that `run` keeps to, and where on it the run starts in beats: the `common` one, at `offset`, unless a
    long run keeps much better to one of its own. Who starts again starts at the first tempo again."""
    if len(run.anchors) < _LEAST_FOR_OWN or np.ptp(run.places) < _LEAST_FOR_OWN:
        return common, offset
    own = fitted_line(run.places, run.times_s, slope)
    off_own = np.median(np.abs(run.times_s - np.polyval(own, run.places)))
    away = run.times_s - np.polyval(common, run.places + offset)
    # All of it late or early is no tempo of its own.
    off_common = np.median(np.abs(away - np.median(away)))
    return (own, 0.0) if off_common > _PLAINLY_OFF * slope and off_own < 0.5 * off_common else (common, offset)


def _slope(runs: Sequence[Run], tempo_bpm: float | None) -> float | None:
    """Seconds a beat: the median over pairs of one run, one to eight beats apart."""
    slopes = []
    for run in runs:
        apart = run.places[None, :] - run.places[:, None]
        later = run.times_s[None, :] - run.times_s[:, None]
        near = (apart >= 0.99) & (apart <= 8.01)
        slopes.extend((later[near] / apart[near]).tolist())
    if slopes:
        return float(np.median(slopes))
    return 60.0 / tempo_bpm if tempo_bpm else None


def _offsets(runs: Sequence[Run], slope: float) -> list[float]:
    """What to add to each run's places so that all lie on one line: whole beats where there was no stop."""
    offsets = [0.0]
    for before, after in pairwise(runs):
        last, first = before.anchors[-1], after.anchors[0]
        wanted = last.place + offsets[-1] + (first.time_s - last.time_s) / slope - first.place
        offsets.append(wanted if after.rested else float(np.round(wanted)))
    return offsets


def carried_on(line: BeatLine, runs: Sequence[Run], strokes_s: NDArray[np.float64]) -> BeatLine:
    """A count-in's `line` with every run after a stop laid on its own count-in among `strokes_s`, else on its own
    notes."""
    if not any(run.rested for run in runs):
        return line
    shift, pieces, starts = 0.0, [], []
    for number, run in enumerate(runs):
        start = float(run.times_s[0])
        beat = line.length_s(int(np.clip(round(line.place(start)), 0, line.beats_s.size - 1)))
        if run.rested or (number == 0 and not np.any(strokes_s < start)):
            counted = _count_in(strokes_s, start, beat)
            if counted is not None:
                shift = line_off(line, counted)
            else:
                shift = line_off(line, run.times_s - (run.places - np.round(run.places)) * beat)
        pieces.append(line.beats_s + shift)
        starts.append(start)
    return BeatLine(line.source, joined(pieces, starts, 60.0 / line.tempo_bpm))


def line_off(line: BeatLine, times_s: NDArray[np.float64]) -> float:
    """By how much `times_s` lie off the nearest beats of `line`, in seconds: the middle of them, going round."""
    places = np.array([line.place(float(time)) for time in times_s])
    turn = np.angle(np.median(np.cos(2 * np.pi * places)) + 1j * np.median(np.sin(2 * np.pi * places)))
    return float(turn / (2 * np.pi)) * 60.0 / line.tempo_bpm


def _count_in(strokes_s: NDArray[np.float64], start_s: float, beat_s: float) -> NDArray[np.float64] | None:
    """The strokes just before `start_s`, a beat apart, if there are enough of them to count in."""
    before = strokes_s[(strokes_s < start_s + 0.5 * beat_s) & (strokes_s > start_s - 7.0 * beat_s)]
    chain: list[float] = []
    for time in before[::-1]:
        if not chain or abs(chain[-1] - time - beat_s) < _COUNT_SPREAD * beat_s:
            chain.append(float(time))
    return np.array(chain) if len(chain) >= _COUNTED else None
