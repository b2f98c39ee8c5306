"""Places in beats of theme notes that nobody wrote down: followed from one note to the next.

A beat that is only carried on, from a count-in or from the first notes, is soon a little off the playing, and after a
dozen beats by more than tells early from late. From note to note it is not: each that falls near a beat is given its
number, and all of them together show the tempo.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.beat import BeatLine
from analysis.runs import Anchor

#: A note within this many beats of a beat falls on it.
_NEAR: Final = 0.2
#: So much of how far a note is off is believed: of where the beat is, and of how long it is.
_SHIFTS: Final = 0.4
_ADAPTS: Final = 0.1


@dataclass(frozen=True)
class _Pulse:
    """Beat number `place` falls at `on_s`, and the next one `beat_s` later."""

    place: float
    on_s: float
    beat_s: float

    def number(self, moment_s: float) -> float:
        """Where `moment_s` lies, in beats."""
        return self.place + (moment_s - self.on_s) / self.beat_s

    def moved(self, place: float, moment_s: float) -> _Pulse:
        """The pulse after a note at `moment_s` on beat number `place`."""
        off_s = moment_s - (self.on_s + (place - self.place) * self.beat_s)
        longer_s = _ADAPTS * off_s / max(1.0, place - self.place)
        return _Pulse(place, moment_s - (1.0 - _SHIFTS) * off_s, self.beat_s + longer_s)


class _Follower:
    """The notes found on a beat so far, the pulse after them, and as it was before the last one."""

    def __init__(self, pulse: _Pulse) -> None:
        self.anchors: list[Anchor] = []
        self.pulse = self.before = pulse

    def begin(self, place: float, moment_s: float) -> None:
        """The first note, or the first after a rest, is on a beat wherever that was."""
        place = max(place, self.pulse.place + 1.0) if self.anchors else place
        rested = bool(self.anchors)
        self.anchors.append(Anchor(place, moment_s, rested))
        self.before = self.pulse = _Pulse(place, moment_s, self.pulse.beat_s)

    def go_on(self, moment_s: float) -> None:
        """The next note, if it is on a beat."""
        number = float(round(self.pulse.number(moment_s)))
        if number <= self.anchors[-1].place:
            self._instead(moment_s)
        elif abs(self.pulse.number(moment_s) - number) <= _NEAR:
            self._put(number, moment_s)

    def _instead(self, moment_s: float) -> None:
        """If a cut note before the beat was taken for the one at `moment_s`, that one instead."""
        last, before = self.anchors[-1], self.before
        off, was_off = (abs(before.number(time) - last.place) for time in (moment_s, last.time_s))
        if before is not self.pulse and off < was_off:
            self.anchors.pop()
            self.pulse = before
            self._put(last.place, moment_s)

    def _put(self, place: float, moment_s: float) -> None:
        self.anchors.append(Anchor(place, moment_s, False))
        self.before, self.pulse = self.pulse, self.pulse.moved(place, moment_s)


def follow(line: BeatLine, moments_s: Sequence[float], rested: Sequence[bool]) -> list[Anchor]:
    """Those of the theme notes that fall on a beat, with its number on `line`. They meet their beat points at
    `moments_s`, in order; `rested`: whether a rest came before each."""
    follower = _Follower(_Pulse(0.0, line.at(0.0), 60.0 / line.tempo_bpm))
    waiting = True  # for the first note, and the first after a rest
    for moment, rest in zip(moments_s, rested, strict=True):
        waiting |= rest
        number = float(round(line.place(moment)))
        if not waiting:
            follower.go_on(moment)
        elif follower.anchors or abs(line.place(moment) - number) <= _NEAR:
            follower.begin(number, moment)
            waiting = False
    return follower.anchors


def at_tempo(line: BeatLine, strokes_s: NDArray[np.float64], tempo_bpm: float) -> BeatLine:
    """A count-in's `line` carried on at `tempo_bpm` from its `strokes_s` (k,)."""
    step = 60.0 / tempo_bpm
    places = np.array([round(line.place(float(time))) for time in strokes_s])
    first = float(np.mean(strokes_s - step * places))
    count = int(np.ceil((line.beats_s[-1] - first) / step)) + 1
    beats_s: NDArray[np.float64] = first + step * np.arange(max(2, count), dtype=np.float64)
    return BeatLine(line.source, beats_s)
