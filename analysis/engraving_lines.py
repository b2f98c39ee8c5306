"""Which bars stand on which line of a picture, and where a bar that is too long for a line goes on in the next.

Widths are in Verovio's page units (a staff is 72 high) and were measured on drills: narrower than this, symbols touch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from analysis.score import Score, ThemeNote
from analysis.symbols import Bar, bars_of, lines_of

_CLEF: Final = 130.0
_BAR: Final = 30.0
_NOTE: Final = 58.0
_GRACENOTE: Final = 25.0


@dataclass(frozen=True)
class Lines:
    """`bars_a_line` at most; `cuts`: numbers of the theme notes before which a bar goes on in a new line; `width` that
    the widest line wants."""

    bars_a_line: int
    cuts: frozenset[int]
    width: float


def lines_for(score: Score, page: float) -> Lines:
    """How `score` is laid out on a page of that width: 4, 2 or 1 bars to a line, whichever fits, since lines that
    follow the phrases read better than full ones. Bars that still do not fit are cut on beats."""
    for count in (4, 2, 1):
        width = max((_CLEF + sum(map(_width, line)) for line in lines_of(score, count)), default=_CLEF)
        if width <= page:
            return Lines(count, frozenset(), width)
    cuts: set[int] = set()
    width = 0.0
    for bar in bars_of(score):
        starts, widest = _cut(score, bar, page - _CLEF - _BAR)
        cuts.update(starts)
        width = max(width, _CLEF + _BAR + widest)
    return Lines(1, frozenset(cuts), width)


def _width(bar: Bar) -> float:
    return _BAR + sum(_note_width(theme) for _, theme in bar.themes)


def _note_width(theme: ThemeNote) -> float:
    return _NOTE + _GRACENOTE * len(theme.gracenotes)


def _cut(score: Score, bar: Bar, room: float) -> tuple[list[int], float]:
    """The theme notes before which `bar` is cut, so that its parts are as even and as few as they can be, and how wide
    the widest part is."""
    starts = _possible_cuts(score, bar)
    ends = [*starts[1:], bar.themes[-1][0] + 1] if starts else []
    spans = [range(start, end) for start, end in zip(starts, ends, strict=True)]
    beats = [sum(_note_width(score.themes[number]) for number in span) for span in spans]
    runs = [beats[first:last] for first in range(len(beats)) for last in range(first + 1, len(beats) + 1)]
    for count in range(1, len(beats) + 1):
        for limit in sorted({sum(run) for run in runs}):
            filled = _filled(beats, limit)
            if filled is not None and len(filled) <= count and (limit <= room or count == len(beats)):
                return [starts[place] for place in filled[1:]], limit
    return [], sum(beats)


def _possible_cuts(score: Score, bar: Bar) -> list[int]:
    """The bar's first theme note and those on a beat that are not inside a movement."""
    inside = {number for movement in score.movements for number in range(movement.first + 1, movement.theme + 1)}
    return [
        number
        for place, (number, theme) in enumerate(bar.themes)
        if place == 0 or (theme.beat.denominator == 1 and number not in inside)
    ]


def _filled(beats: Sequence[float], limit: float) -> list[int] | None:
    """Where each part starts when parts are filled up to `limit`; None where one beat alone is wider."""
    if max(beats, default=0.0) > limit:
        return None
    starts, used = [0], 0.0
    for place, width in enumerate(beats):
        if used + width > limit:
            starts.append(place)
            used = 0.0
        used += width
    return starts
