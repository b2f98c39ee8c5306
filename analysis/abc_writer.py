"""Writing a score as ABC in key HP (ABC music standard 2.1)."""

from __future__ import annotations

from fractions import Fraction

from analysis.score import Score, ThemeNote, beat_unit_of

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
    """Each bar's words. Silence is written as rests, so that every bar starts where the score says."""
    full = Fraction(*score.meter) / score.beat_unit
    number, cursor = 0, Fraction(0)
    opening = score.themes[0].bar if score.themes else 0
    bars: list[list[str]] = [[]]

    def rest(length: Fraction) -> None:
        if length > 0:
            bars[-1].append("z" + _length(length * units_a_beat))

    if score.themes and score.themes[0].bar > 0:
        first = score.themes[0]
        cursor = first.onset - (first.beat - 1)
        for length in _leading(cursor, first.bar, full):
            rest(length)
            bars.append([])
            opening = -1
        number = first.bar
    previous: ThemeNote | None = None
    for theme in score.themes:
        if theme.bar > number:
            if number == opening and previous:  # the first bar is full, or a pickup whose end is that of its bar
                end = max(cursor, _bar_end(previous, full))
                rest(end - cursor)
                cursor = end
            start = theme.onset - (theme.beat - 1)
            empty = theme.bar - number - 1
            share = _empty_bar(start - cursor, empty, full if number else start)
            rest(start - cursor - empty * share)
            for _ in range(empty):
                bars.append([])
                rest(share)
            bars.append([])
            number, cursor = theme.bar, start
        rest(theme.onset - cursor)
        bars[-1].append(_note(theme, units_a_beat))
        cursor, previous = theme.onset + theme.duration, theme
    if number == 0 and previous:  # a pickup is one only because a bar comes after it
        rest(_bar_end(previous, full) - cursor)
        bars.append([])
        rest(full)
    return [" ".join(words) for words in bars]


def _empty_bar(gap: Fraction, empty: int, longest: Fraction) -> Fraction:
    """How long each of `empty` bars of rest within `gap` beats is; what is over goes to the bar before them."""
    return min(longest, gap / empty) if empty else Fraction(0)


def _bar_end(theme: ThemeNote, full: Fraction) -> Fraction:
    return theme.onset + full - (theme.beat - 1)


def _leading(gap: Fraction, bar: int, full: Fraction) -> list[Fraction]:
    """Lengths of the bars of rest, `gap` beats together, before the first note's `bar`.

    A first bar shorter than the metre is read as bar 0, so bars counted from 1 start with a full one.
    """
    if gap <= 0:
        return []
    if bar == 1:
        return [gap]
    if bar == 2:
        return [gap] if gap >= full else [gap / 2] * 2
    return [full, *[(gap - full) / (bar - 2)] * (bar - 2)] if gap > full else [gap / bar] * bar


def _note(theme: ThemeNote, units_a_beat: Fraction) -> str:
    graces = "{" + "".join(note.abc for note in theme.gracenotes) + "}" if theme.gracenotes else ""
    return graces + theme.note.abc + _length(theme.duration * units_a_beat) + ("-" if theme.tied else "")


def _length(units: Fraction) -> str:
    if units == 1:
        return ""
    top = "" if units.numerator == 1 else str(units.numerator)
    bottom = "" if units.denominator == 1 else f"/{units.denominator}" if units.denominator != 2 else "/"
    return top + bottom
