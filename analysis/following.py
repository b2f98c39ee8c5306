"""Places in beats of theme notes that nobody wrote down: followed from one note to the next.

A beat that is only carried on, from a count-in or from the first notes, is soon a little off the playing, and after a
dozen beats by more than tells early from late. From note to note it is not: each that falls near a beat is given its
number, and all of them together show the tempo.
"""

from __future__ import annotations

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
#: After a rest, one of the first of so many notes is on a beat: the one with which most of their time is.
_FIRST: Final = 4
_LOOKED_AT: Final = 8
#: So many notes in a row, all off the beat and whole beats apart, have a beat of their own.
_OWN_BEAT: Final = 4
#: Strokes are heard to so many seconds; a slope this many standard errors off is another.
_STROKE_S: Final = 0.004
_ERRORS: Final = 3.0


@dataclass(frozen=True)
class ThemeNotes:
    """Theme notes (n,): when they meet their beat points, in order, and how long they last, in seconds; whether a rest
    came before each."""

    moments_s: NDArray[np.float64]
    lengths_s: NDArray[np.float64]
    rested: NDArray[np.bool_]


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
        """The pulse after a note at `moment_s` on the later beat number `place`."""
        off_s = moment_s - (self.on_s + (place - self.place) * self.beat_s)
        return _Pulse(place, moment_s - (1.0 - _SHIFTS) * off_s, self.beat_s + _ADAPTS * off_s / (place - self.place))


class _Follower:
    """The notes found on a beat so far, the pulse after them, as it was before the last one, and the notes since that
    are on none."""

    def __init__(self, line: BeatLine, notes: ThemeNotes) -> None:
        self.line, self.notes = line, notes
        self.anchors: list[Anchor] = []
        self.pulse = self.before = _Pulse(0.0, line.at(0.0), 60.0 / line.tempo_bpm)
        self.off: list[int] = []

    def begin(self, index: int) -> None:
        """Note `index` is on a beat: the first one, or, wherever that was, the first after a rest."""
        moment_s = float(self.notes.moments_s[index])
        place = float(round(self.line.place(moment_s)))
        again = bool(self.anchors)
        if again:
            place = max(place, self.pulse.place + 1.0)
        self.anchors.append(Anchor(place, moment_s, again))
        self.before = self.pulse = _Pulse(place, moment_s, self.pulse.beat_s)
        self.off = []

    def go_on(self, index: int) -> None:
        """Note `index` comes next, on a beat or not."""
        moment_s = float(self.notes.moments_s[index])
        place = float(round(self.pulse.number(moment_s)))
        near = abs(self.pulse.number(moment_s) - place) <= _NEAR
        if place <= self.anchors[-1].place:
            self._instead(moment_s)
        elif near:
            self._put(place, moment_s)
        if near:
            self.off = []
        else:
            self._lost(index)

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

    def _lost(self, index: int) -> None:
        """Note `index` is off the beat too: the player may have waited, without a rest, and gone on."""
        self.off = [*self.off, index][-_OWN_BEAT:]
        apart = np.diff(self.notes.moments_s[self.off]) / self.pulse.beat_s
        whole = (np.round(apart) >= 1.0) & (np.abs(apart - np.round(apart)) <= _NEAR)
        if apart.size == _OWN_BEAT - 1 and whole.all():
            first, *later = self.off
            self.begin(first)
            for other in later:
                self.go_on(other)

    def opening(self, first: int, last: int) -> int:
        """Which of the notes from `first` to before `last`, after a rest, is the first on a beat."""
        times = self.notes.moments_s[first : min(last, first + _LOOKED_AT)]
        lengths = self.notes.lengths_s[first : min(last, first + _LOOKED_AT)]
        apart = (times[None, :] - times[:_FIRST, None]) / self.pulse.beat_s
        with_it = np.abs(apart - np.round(apart)) <= _NEAR
        return first + int(np.argmax((with_it * lengths).sum(axis=1)))


def follow(line: BeatLine, notes: ThemeNotes) -> list[Anchor]:
    """Those of `notes` that fall on a beat, each with its number on `line` and its moment in seconds."""
    follower = _Follower(line, notes)
    count = notes.moments_s.size
    edges = [*np.flatnonzero(notes.rested[1:]) + 1, count] if count else []
    first = 0
    for last in edges:
        if follower.anchors:
            first = follower.opening(first, int(last))
        for index in range(first, int(last)):
            if follower.anchors and index > first:
                follower.go_on(index)
            elif follower.anchors or abs(_off_beat(line, float(notes.moments_s[index]))) <= _NEAR:
                follower.begin(index)
                first = index
        first = int(last)
    return follower.anchors


def _off_beat(line: BeatLine, moment_s: float) -> float:
    place = line.place(moment_s)
    return place - round(place)


def at_tempo(line: BeatLine, strokes_s: NDArray[np.float64], tempo_bpm: float) -> BeatLine:
    """A count-in's `line` carried on at `tempo_bpm` from its `strokes_s` (k,), where these leave it open: a few strokes
    do not know a tempo well enough for a whole take. `line` as it is where they rule that tempo out."""
    places = np.array([round(line.place(float(time))) for time in strokes_s])
    counted_s, start_s = np.polyfit(places, strokes_s, 1)
    off_s = strokes_s - (start_s + counted_s * places)
    spread_s = max(_STROKE_S, float(np.sqrt((off_s**2).sum() / max(1, places.size - 2))))
    error_s = spread_s / float(np.sqrt(((places - places.mean()) ** 2).sum()))
    step_s = 60.0 / tempo_bpm
    if abs(step_s - counted_s) > _ERRORS * error_s:
        return line
    first_s = float(np.mean(strokes_s - step_s * places))
    count = int(np.ceil((line.beats_s[-1] - first_s) / step_s)) + 1
    beats_s: NDArray[np.float64] = first_s + step_s * np.arange(max(2, count), dtype=np.float64)
    return BeatLine(line.source, beats_s)
