"""A score bar by bar as it is written down, with the rests that bring every note to its place."""

from __future__ import annotations

from fractions import Fraction

from analysis.score import Score, ThemeNote


def written_bars(score: Score) -> list[list[ThemeNote | Fraction]]:
    """Each bar's notes and rests, a rest as its length in beats. The first is the pickup where there is one.

    Silence is written as rests, so that every bar starts where the score says.
    """
    full = Fraction(*score.meter) / score.beat_unit
    number, cursor = 0, Fraction(0)
    opening = score.themes[0].bar if score.themes else 0
    bars: list[list[ThemeNote | Fraction]] = [[]]

    def rest(length: Fraction) -> None:
        if length > 0:
            bars[-1].append(length)

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
        bars[-1].append(theme)
        cursor, previous = theme.onset + theme.duration, theme
    if number == 0 and previous:  # a pickup is one only because a bar comes after it
        rest(_bar_end(previous, full) - cursor)
        bars.append([])
        rest(full)
    return bars


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
