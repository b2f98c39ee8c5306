"""What was written: theme notes, their gracenotes and the movements these make."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

from analysis.chanter import Note
from analysis.movements import Form, Kind, Movement, classify, snaps


class ScoreError(ValueError):
    """The music cannot be read. The message is one plain sentence; `line` and `column` count from 1."""

    def __init__(self, message: str, *, line: int = 0, column: int = 0) -> None:
        super().__init__(f"line {line}, column {column}: {message}" if line else message)
        self.line = line
        self.column = column


@dataclass(frozen=True)
class ThemeNote:
    """A written theme note and the gracenotes before it. Times are in beats; bars and beats in the bar count from 1.

    A pickup is bar 0, its beats counted so that it ends with its bar. `tied`: the note is tied to the one after it,
    which has the same pitch and no gracenotes.
    """

    note: Note
    onset: Fraction
    duration: Fraction
    bar: int
    beat: Fraction
    gracenotes: tuple[Note, ...] = ()
    tied: bool = False


@dataclass(frozen=True)
class WrittenMovement:
    """A movement of the score: the gracenotes before theme note number `theme`, approached from `approach`.

    A tachum begins with a short theme note of its own, number `first`, that is one of its `gracenotes`; otherwise
    `first` is `theme`. Bar and beat are those of `first`.
    """

    index: int
    kind: Kind
    form: Form
    on: Note
    approach: Note | None
    theme: int
    gracenotes: tuple[Note, ...]
    bar: int
    beat: Fraction
    first: int


@dataclass(frozen=True)
class Score:
    """A piece of written music.

    `beat_unit` is the beat's share of a whole note; `tempo_bpm` is None when none is written.
    """

    title: str
    meter: tuple[int, int]
    beat_unit: Fraction
    tempo_bpm: float | None
    themes: tuple[ThemeNote, ...]
    instruction: str = ""

    @cached_property
    def movements(self) -> tuple[WrittenMovement, ...]:
        """Every movement in order: one for each theme note that has gracenotes, or for two that make one together."""
        found: list[WrittenMovement] = []
        number = 0
        while number < len(self.themes):
            first, name = number, self._snap(number)
            theme = self.themes[number]
            gracenotes = theme.gracenotes
            if name is not None:
                number += 1
                gracenotes = (*gracenotes, theme.note, *self.themes[number].gracenotes)
            if gracenotes:
                approach = self.themes[first - 1].note if first else None
                on = self.themes[number].note
                name = name or classify(gracenotes, on, approach)
                found.append(
                    WrittenMovement(
                        index=len(found),
                        kind=name.kind,
                        form=name.form,
                        on=on,
                        approach=approach,
                        theme=number,
                        gracenotes=gracenotes,
                        bar=theme.bar,
                        beat=theme.beat,
                        first=first,
                    )
                )
            number += 1
        return tuple(found)

    def _snap(self, number: int) -> Movement | None:
        """The movement that theme note `number` makes together with the next, longer one in its bar."""
        pair = self.themes[number : number + 2]
        if len(pair) < 2 or not all(theme.gracenotes for theme in pair):
            return None
        short, long = pair
        if short.bar != long.bar or short.duration >= long.duration or short.tied:
            return None
        return snaps(short.gracenotes, short.note, long.gracenotes, long.note)

    @property
    def beats(self) -> Fraction:
        """The length in beats."""
        return self.themes[-1].onset + self.themes[-1].duration if self.themes else Fraction(0)


def beat_unit_of(meter: tuple[int, int]) -> Fraction:
    """The beat's share of a whole note: a dotted note for 6/8, 9/8, 12/8 and the like, else one unit of the metre."""
    beats, unit = meter
    compound = unit >= 8 and beats > 3 and beats % 3 == 0
    return Fraction(3 if compound else 1, unit)


def parse_abc(text: str) -> Score:
    """The first tune of `text`. Raises ScoreError with line, column and what was expected."""
    from analysis.abc_reader import read  # the reader builds on the types above

    return read(text)


def to_abc(score: Score) -> str:
    """`score` as ABC in key HP; `parse_abc` gives the same score back."""
    from analysis.abc_writer import write

    return write(score)


def sounds(theme: ThemeNote) -> Sequence[Note]:
    """All that sounds for one theme note: its gracenotes, then the note itself."""
    return (*theme.gracenotes, theme.note)
