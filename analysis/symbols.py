"""A score as written symbols: lengths that have a sign of their own, ties between the parts of others, tuplets, beams.

What MEI and MusicXML have in common; :mod:`analysis.mei` and :mod:`analysis.musicxml` write it down.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise
from typing import Final

from analysis.score import Score, ThemeNote

#: Written lengths as shares of a whole note, longest first: what they are called and their dots.
LENGTHS: Final[tuple[tuple[Fraction, int, int], ...]] = tuple(
    sorted(
        (
            (Fraction(2**dots * 2 - 1, 2**dots) / denominator, denominator, dots)
            for denominator in (1, 2, 4, 8, 16, 32, 64, 128)
            for dots in (0, 1, 2)
        ),
        reverse=True,
    )
)
_TUPLETS: Final[dict[int, int]] = {3: 2, 5: 4, 7: 4}
_CROTCHET: Final = Fraction(1, 4)


@dataclass(frozen=True)
class Piece:
    """One written symbol: a theme note or a later part of it tied on (`part` > 0), or a rest where `theme` is None."""

    onset: Fraction  # in beats from the bar's start
    length: Fraction  # in whole notes, as it lasts
    theme: int | None = None
    part: int = 0


@dataclass
class Bar:
    """A bar with its theme notes and their numbers. A bar of rest has none; a pickup is number 0."""

    number: int
    themes: list[tuple[int, ThemeNote]] = field(default_factory=list)


def bars_of(score: Score) -> list[Bar]:
    """Every bar from the first to the last with its theme notes; bars of rest have none."""
    if not score.themes:
        return []
    bars = {number: Bar(number) for number in range(min(1, score.themes[0].bar), score.themes[-1].bar + 1)}
    for number, theme in enumerate(score.themes):
        bars[theme.bar].themes.append((number, theme))
    return list(bars.values())


def lines_of(score: Score, bars_a_line: int) -> list[list[Bar]]:
    """The bars line by line: lines as even as they can be, longer ones first, a pickup with the first."""
    bars = bars_of(score)
    pickup = 1 if bars and bars[0].number == 0 else 0
    count = len(bars) - pickup
    lines = max(1, -(-count // bars_a_line))
    cuts = [0] + [pickup - (-count * line // lines) for line in range(1, lines)] + [len(bars)]
    return [bars[start:stop] for start, stop in pairwise(cuts)]


def parts(onset: Fraction, length: Fraction, beat_unit: Fraction, theme: int | None) -> list[Piece]:
    """`length` whole notes from `onset` on as symbols, the longest first. What is finer than any sign is left out."""
    factor = tuplet_factor(length)
    found: list[Piece] = []
    left = length
    while left > 0:
        longest = next((value for value, _, _ in LENGTHS if value * factor <= left), None)
        if longest is None:
            break
        found.append(Piece(onset, longest * factor, theme, len(found)))
        onset, left = onset + longest * factor / beat_unit, left - longest * factor
    return found


def tuplet_factor(length: Fraction) -> Fraction:
    """What a written length is multiplied by to last `length`: 2/3 in a triplet, 1 outside tuplets."""
    odd = length.denominator
    while odd % 2 == 0:
        odd //= 2
    return Fraction(_TUPLETS[odd], odd) if odd in _TUPLETS else Fraction(1)


def sign_of(length: Fraction) -> tuple[int, int] | None:
    """The sign for a symbol that lasts `length`: its share of a whole note (4 for a crotchet) and its dots."""
    factor = tuplet_factor(length)
    return next(((name, dots) for value, name, dots in LENGTHS if value * factor == length), None)


def group_size(pieces: Sequence[Piece], place: int) -> int:
    """How many pieces from `place` on stand together in one tuplet or under one beam."""
    first = pieces[place]
    if tuplet_factor(first.length) != 1:
        total = Fraction(0)
        for count, piece in enumerate(pieces[place:], 1):
            total += piece.length
            if tuplet_factor(total) == 1:
                return count
        return len(pieces) - place
    count = 0
    for piece in pieces[place:]:
        same_beat = piece.onset // 1 == first.onset // 1
        if not same_beat or piece.theme is None or piece.length >= _CROTCHET or tuplet_factor(piece.length) != 1:
            break
        count += 1
    return max(1, count)


def is_beamed(group: Sequence[Piece]) -> bool:
    """Whether the pieces of a group have a beam: two or more notes, each shorter than a crotchet."""
    factor = tuplet_factor(group[0].length)
    return len(group) > 1 and all(piece.theme is not None and piece.length < _CROTCHET * factor for piece in group)
