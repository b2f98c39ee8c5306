"""A score's movements as examples of the words for faults: for each word a few beats of music, right and wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from math import ceil
from typing import Final

from analysis.faults import possible
from analysis.performance import Manner, perform
from analysis.report import FLAGS, Flag
from analysis.score import Score, ThemeNote, WrittenMovement, parse_abc

#: The last note of an excerpt is held for so many beats at least.
_LAST_BEATS: Final = 2
#: For words that no movement of a score can be an example of.
_STOCK: Final[dict[Flag, str]] = {"uneven": "A2 {GdG}e2"}
_USUAL: Final = "A2 {gef}e2"


@dataclass(frozen=True)
class Example:
    """Movement `index` of a `score` of a few beats. `own`: it is from the music that was asked for."""

    code: Flag
    score: Score
    index: int
    own: bool

    @property
    def movement(self) -> WrittenMovement:
        return self.score.movements[self.index]


def excerpt(score: Score, index: int) -> tuple[Score, int]:
    """The beats round movement `index`, from the note before it on, and which movement it is there.

    The first note loses its gracenotes, so that the movement is alone; the last one is held for two beats at least.
    """
    movement = score.movements[index]
    start = max(0, movement.first - 1)
    while start and score.themes[start].onset.denominator != 1:
        start -= 1
    end = movement.theme
    while end + 1 < len(score.themes) and score.themes[end].tied:
        end += 1
    cut = score.themes[start : end + 1]
    first = Fraction(int(cut[0].onset))
    last = cut[-1]
    until = max(ceil(last.onset + last.duration - first), ceil(last.onset - first + _LAST_BEATS))
    a_bar = Fraction(*score.meter) / score.beat_unit
    themes: list[ThemeNote] = []
    for number, theme in enumerate(cut):
        onset = theme.onset - first
        bar, place = divmod(onset, a_bar)
        alone = number == 0 and start != movement.first
        themes.append(
            replace(
                theme,
                onset=onset,
                bar=int(bar) + 1,
                beat=place + 1,
                gracenotes=() if alone else theme.gracenotes,
            )
        )
    themes[-1] = replace(themes[-1], duration=until - themes[-1].onset, tied=False)
    short = replace(score, themes=tuple(themes))
    wanted = movement.theme - start
    return short, next(found.index for found in short.movements if found.theme == wanted)


@lru_cache(maxsize=8)
def _stock(code: Flag) -> Score:
    return parse_abc(f"X:1\nT:Example\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\n{_STOCK.get(code, _USUAL)} |]\n")


def examples(score: Score, manner: Manner) -> tuple[Example, ...]:
    """An example for every flag code, in the codes' order; from `score` wherever a movement of it can have the fault
    and there is room to play it in this manner."""
    return tuple(_example(code, score, manner) for code in FLAGS)


def _example(code: Flag, score: Score, manner: Manner) -> Example:
    for movement in _likely(score.movements):
        if code in possible(movement):
            short, index = excerpt(score, movement.index)
            if not perform(short, manner, faults={index: code}).crowded:
                return Example(code, short, index, own=True)
    return Example(code, replace(_stock(code), tempo_bpm=score.tempo_bpm), 0, own=False)


def _likely(movements: Sequence[WrittenMovement]) -> list[WrittenMovement]:
    """Those with the most gracenotes first, one of a kind: what the exercise is about."""
    kinds: dict[tuple[object, ...], WrittenMovement] = {}
    for movement in movements:
        if movement.approach is not None and movement.kind != "unknown":
            kinds.setdefault((movement.kind, movement.form, movement.on, movement.approach), movement)
    return sorted(kinds.values(), key=lambda movement: -len(movement.gracenotes))
