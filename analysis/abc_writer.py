"""Writing a score as ABC in key HP (ABC music standard 2.1)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction

from analysis.score import Score, ThemeNote, beat_unit_of
from analysis.written import written_bars

_BARS_A_LINE = 4


def write(score: Score) -> str:
    """`score` as ABC. Raises ValueError when its beat is not its metre's (such a score cannot be written)."""
    if score.beat_unit != beat_unit_of(score.meter):
        raise ValueError(f"a beat of {score.beat_unit} does not belong to the metre {score.meter[0]}/{score.meter[1]}")
    unit = Fraction(1, max(4, score.meter[1]))
    lines = ["X:1"]
    if score.title.split():
        lines.append(f"T:{_text(score.title)}")
    lines += [f"M:{score.meter[0]}/{score.meter[1]}", f"L:{unit}"]
    if score.tempo_bpm is not None:
        lines.append(f"Q:{score.beat_unit}={_number(score.tempo_bpm)}")
    if score.instruction.split():
        lines.append(f"N:{_text(score.instruction)}")
    lines.append("K:HP")
    bars = _bars(score, score.beat_unit / unit)
    for first in range(0, len(bars), _BARS_A_LINE):
        last = first + _BARS_A_LINE >= len(bars)
        lines.append(" | ".join(bars[first : first + _BARS_A_LINE]) + (" |]" if last else " |"))
    return "\n".join(lines) + "\n"


def _text(value: str) -> str:
    return " ".join(value.split()).replace("%", "\\%")


def _number(value: float) -> str:
    return str(int(value)) if value == int(value) else f"{value:.12f}".rstrip("0")


def _bars(score: Score, units_a_beat: Fraction) -> list[str]:
    """Each bar's words."""
    return [" ".join(_words(bar, units_a_beat)) for bar in written_bars(score)]


def _words(bar: Sequence[ThemeNote | Fraction], units_a_beat: Fraction) -> Iterator[str]:
    """Notes and rests; those that make up triplets are written as such, since few programs read thirds of a length.
    Gracenotes of a triplet's first note stand before its sign, since music21 would count them among its notes."""
    place = 0
    while place < len(bar):
        count = _triplet(bar[place:], units_a_beat)
        first = bar[place]
        graces = _graces(first) if isinstance(first, ThemeNote) else ""
        if count:
            yield graces + ("(3" if count == 3 else f"(3:2:{count}")
        factor = Fraction(3, 2) if count else Fraction(1)
        for number, event in enumerate(bar[place : place + max(1, count)]):
            word = _word(event, units_a_beat * factor)
            yield word.removeprefix(graces) if count and not number else word
        place += max(1, count)


def _triplet(events: Sequence[ThemeNote | Fraction], units_a_beat: Fraction) -> int:
    """How many of `events`, from the first on, make up a triplet together; 0 for none."""
    total = Fraction(0)
    for count, event in enumerate(events, 1):
        units = (event.duration if isinstance(event, ThemeNote) else event) * units_a_beat
        if units.denominator % 3 or not _is_binary(units * 3):
            return 0
        total += units
        if _is_binary(total):
            return count
    return 0


def _is_binary(units: Fraction) -> bool:
    """Whether halving finds an end."""
    return units.denominator & (units.denominator - 1) == 0


def _word(event: ThemeNote | Fraction, units_a_beat: Fraction) -> str:
    return _note(event, units_a_beat) if isinstance(event, ThemeNote) else "z" + _length(event * units_a_beat)


def _note(theme: ThemeNote, units_a_beat: Fraction) -> str:
    return _graces(theme) + theme.note.abc + _length(theme.duration * units_a_beat) + ("-" if theme.tied else "")


def _graces(theme: ThemeNote) -> str:
    return "{" + "".join(note.abc for note in theme.gracenotes) + "}" if theme.gracenotes else ""


def _length(units: Fraction) -> str:
    if units == 1:
        return ""
    top = "" if units.numerator == 1 else str(units.numerator)
    bottom = "" if units.denominator == 1 else f"/{units.denominator}" if units.denominator != 2 else "/"
    return top + bottom
