"""Written bars to a score: repeats and endings unfolded, bars counted, beats placed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Final

from analysis.chanter import Note
from analysis.score import ScoreError, ThemeNote

MAX_THEMES: Final = 5000


@dataclass
class Event:
    """A written note, or a rest where `note` is None. `duration` in whole notes; `at` is its line and column.

    `tied`: to the event after it. `joins`: to the one played before it, as a second ending's first note may be, whose
    tie stands in the music long before.
    """

    note: Note | None
    duration: Fraction
    gracenotes: tuple[Note, ...] = ()
    tied: bool = False
    at: tuple[int, int] = (0, 0)
    joins: bool = False


@dataclass
class Bar:
    """What stands between two bar lines.

    `repeat_from`: a repeat starts with it. `repeat_to`: how often the repeat that ends with it is played, 0 for none.
    `passes`: the passes of the repeat in which it is played, where an ending starts with it. `double`: it ends with a
    double, final or repeat bar line.
    """

    events: list[Event] = field(default_factory=list)
    repeat_from: bool = False
    repeat_to: int = 0
    passes: frozenset[int] = frozenset()
    double: bool = False

    @property
    def length(self) -> Fraction:
        """In whole notes."""
        return sum((event.duration for event in self.events), Fraction(0))


@dataclass
class _Counted:
    """A sounding bar: its number, and how far before its first event the full bar would have started (a pickup's)."""

    number: int
    missing: Fraction
    events: list[Event]


def assemble(written: Sequence[Bar], meter: tuple[int, int], beat_unit: Fraction) -> tuple[ThemeNote, ...]:
    """The theme notes of `written` in playing order, times in beats. Raises ScoreError on a tie that joins nothing."""
    onset = Fraction(0)
    themes: list[ThemeNote] = []
    awaited: Event | None = None  # the tied note whose other half must come next
    before: Event | None = None
    for bar in _count(_unfold(_without_empty(written)), Fraction(*meter)):
        place = bar.missing
        for event in bar.events:
            if awaited is not None and not _tie(awaited, event):
                raise _tie_error(awaited)
            if event.joins:
                if before is None or not _tie(before, event):
                    raise _tie_error(event)
                themes[-1] = replace(themes[-1], tied=True)
            before, awaited = event, event if event.tied else None
            if event.note is not None:
                themes.append(_theme(event, onset, place, bar.number, beat_unit))
            if len(themes) > MAX_THEMES:
                raise ScoreError(f"with its repeats the tune has more than {MAX_THEMES} notes; write fewer of them")
            onset += event.duration
            place += event.duration
    if awaited is not None:
        raise _tie_error(awaited)
    return tuple(themes)


def uneven(written: Sequence[Bar], full: Fraction) -> list[tuple[int, Bar]]:
    """The bars that are longer than `full` whole notes, or shorter with no pickup to make up for it, with their
    numbers as written: a pickup is 0. Short ones are right at both ends of a tune and at double bar lines."""
    bars = _without_empty(written)
    pickup = len(bars) > 1 and bars[0].length < full
    found: list[tuple[int, Bar]] = []
    for place, bar in enumerate(bars):
        at_edge = place in (0, len(bars) - 1) or bar.double or bars[place - 1].double or bar.repeat_from
        if bar.length > full or (bar.length < full and not at_edge):
            found.append((place + (0 if pickup else 1), bar))
    return found


def _theme(event: Event, onset: Fraction, place: Fraction, bar: int, beat_unit: Fraction) -> ThemeNote:
    assert event.note is not None
    return ThemeNote(
        note=event.note,
        onset=onset / beat_unit,
        duration=event.duration / beat_unit,
        bar=bar,
        beat=1 + place / beat_unit,
        gracenotes=event.gracenotes,
        tied=event.tied,
    )


def _tie(first: Event, second: Event) -> bool:
    """Whether the two can be one sound."""
    return second.note == first.note and not second.gracenotes


def _tie_error(event: Event) -> ScoreError:
    return ScoreError(
        "a tie joins two notes of the same pitch without gracenotes between them", line=event.at[0], column=event.at[1]
    )


def _without_empty(written: Sequence[Bar]) -> list[Bar]:
    """The bars that hold something; what their bar lines said goes to the neighbours."""
    kept: list[Bar] = []
    repeat_from, passes = False, frozenset[int]()
    for bar in written:
        repeat_from = repeat_from or bar.repeat_from
        passes = bar.passes or passes
        if bar.events:
            kept.append(Bar(bar.events, repeat_from, bar.repeat_to, passes, bar.double))
            repeat_from, passes = False, frozenset()
        elif kept:
            kept[-1].repeat_to = max(kept[-1].repeat_to, bar.repeat_to)
            kept[-1].double = kept[-1].double or bar.double
    return kept


def _unfold(bars: Sequence[Bar]) -> Iterator[Bar]:
    """The bars in playing order. A repeat without a start goes back to the last double bar line."""
    start, turn, marked = 0, 1, False  # where the section starts, its pass, and whether |: marks its start
    index = played = 0
    last_pass = 0  # the highest pass that an ending of the section is for
    passes = frozenset[int]()  # of the ending that the bar belongs to; empty outside endings
    while index < len(bars):
        bar = bars[index]
        if bar.repeat_from and not (marked and index == start):
            start, turn, marked, last_pass, passes = index, 1, True, 0, frozenset()
        passes = bar.passes or passes
        last_pass = max(last_pass, *passes, 0)
        after = bars[index + 1].passes if index + 1 < len(bars) else frozenset[int]()
        if not passes or turn in passes:
            yield bar
            played += 1
            if played > MAX_THEMES:
                raise ScoreError(f"with its repeats the tune has more than {MAX_THEMES} bars; write fewer of them")
            if bar.repeat_to and (turn < max(bar.repeat_to, last_pass) or turn + 1 in after):
                index, turn, passes = start, turn + 1, frozenset()
                continue
        if bar.repeat_to or (bar.double and passes):
            if not after:
                start, turn, marked, last_pass = index + 1, 1, False, 0
            passes = frozenset()
        elif bar.double and not marked:
            start = index + 1
        index += 1


def _count(bars: Iterator[Bar], full: Fraction) -> Iterator[_Counted]:
    """Bars numbered from 1; a first bar shorter than the metre is a pickup, bar 0, counted from the end of its bar.

    Two short bars on either side of a repeat's or section's double line that make up one bar together are one bar.
    """
    played = list(bars)
    number = 0
    current: _Counted | None = None
    joinable = False
    for place, bar in enumerate(played):
        if place == 0 and bar.length < full and len(played) > 1:
            current = _Counted(0, full - bar.length, list(bar.events))
        elif current is not None and joinable and _length(current) + bar.length <= full:
            current.events.extend(bar.events)
        else:
            if current is not None:
                yield current
            number += 1
            current = _Counted(number, Fraction(0), list(bar.events))
        joinable = bar.double and current.number > 0 and _length(current) < full
    if current is not None:
        yield current


def _length(bar: _Counted) -> Fraction:
    return sum((event.duration for event in bar.events), Fraction(0))
