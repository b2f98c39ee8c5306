"""The starter library: exercises made from the families, to look through, hear, and copy into the own studio.

Where teachers differ, an entry is written as the studio does (its customs), for looking at as for copying.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Final

from django.utils.text import slugify

from analysis.chanter import Note
from analysis.families import CUT_SHARES
from analysis.score import Score, to_abc
from studio.exercises.finding import found_by, words_of
from studio.exercises.models import Customs, Exercise, customs_of
from studio.exercises.titles import numbered
from studio.exercises.writing import MOVEMENTS, Family, comes_from, family_for
from studio.people.models import Studio, User

_DATA: Final = Path(__file__).with_name("library.txt")
_EVERY: Final = "every"


@dataclass(frozen=True)
class Entry:
    """One exercise of the library. `key` is its name in addresses."""

    key: str
    level: str
    family: str
    movement: str
    approaches: tuple[Note, ...]
    tempo_bpm: int
    repeats: int
    cut_share: Fraction
    instruction: str

    @property
    def title(self) -> str:
        """What it is called before it is copied."""
        return _findable(self.key)[0]

    @property
    def family_name(self) -> str:
        return str(Exercise.Family(self.family).label)

    @property
    def level_name(self) -> str:
        return str(Exercise.Level(self.level).label)

    @property
    def cut_name(self) -> str:
        """How long the short note is, as a share of the beat; empty where there is none."""
        return str(self.cut_share) if self.family == Exercise.Family.FROM_SHORT_NOTES else ""

    @property
    def comes_from(self) -> str:
        """The notes it is approached from, in words."""
        if not self.approaches:
            return "each note in turn"
        if len(self.approaches) > 1 and list(self.approaches) == comes_from(self.movement):
            return "every note"
        return ", ".join(note.label for note in self.approaches)

    def chosen(self, customs: Customs) -> Family:
        """What the family is asked for in a studio with these customs."""
        return family_for(
            self.family,
            self.movement,
            self.approaches,
            repeats=self.repeats,
            cut_share=float(self.cut_share),
            half_from_high_g=customs.half_from_high_g,
            grip_from_d=Note.from_label(customs.grip_from_d),
        )

    def score(self, customs: Customs) -> Score:
        """The music as a studio with these customs writes it."""
        return self.chosen(customs).score(tempo_bpm=self.tempo_bpm, instruction=self.instruction)

    def exercise(self, studio: Studio) -> Exercise:
        """The entry as an exercise of `studio`, unsaved."""
        customs = customs_of(studio)
        score = self.score(customs)
        return Exercise(
            studio=studio,
            title=score.title,
            family=self.family,
            parameters=self.chosen(customs).parameters(),
            abc=to_abc(score),
            tempo_bpm=self.tempo_bpm,
            instruction=self.instruction,
            level=self.level,
            library_entry=self.key,
        )


@cache
def entries() -> Mapping[str, Entry]:
    """All entries by their keys, in the order of the course."""
    lines = _DATA.read_text(encoding="utf-8").splitlines()
    read = [_read(line) for line in lines if line.strip() and not line.startswith("#")]
    return {entry.key: entry for entry in read}


def find(asked: Mapping[str, str]) -> list[Entry]:
    """Those entries that have all that is asked for, as :func:`studio.exercises.finding.find` has it."""
    return [entry for entry in entries().values() if _fits(entry, asked)]


def copy_into(studio: Studio, entry: Entry, *, by: User) -> Exercise:
    """Write the entry into the studio as an exercise of its own."""
    exercise = entry.exercise(studio)
    title = numbered(exercise.title, exercise)
    exercise.title, exercise.created_by = title, by
    exercise.abc = to_abc(replace(entry.score(customs_of(studio)), title=title))
    exercise.save()
    return exercise


def _fits(entry: Entry, asked: Mapping[str, str]) -> bool:
    same = all(getattr(entry, name) == asked[name] for name in ("level", "family") if name in asked)
    if not same:
        return False
    title, words = _findable(entry.key)
    return asked.get("q", "").casefold() in title.casefold() and all(word in words for word in words_of(asked))


@cache
def _findable(key: str) -> tuple[str, str]:
    """The title of an entry and the words that it is found by."""
    entry = entries()[key]
    score = entry.score(Customs())
    return score.title, found_by(to_abc(score), entry.chosen(Customs()).parameters())


def _read(line: str) -> Entry:
    level, family, movement, wherefrom, tempo, repeats, cut, instruction = (part.strip() for part in line.split("|"))
    if wherefrom == _EVERY:
        approaches = tuple(comes_from(movement))
    else:
        approaches = tuple(Note.from_label(label.strip()) for label in wherefrom.split(",") if label.strip())
    assert movement in MOVEMENTS
    return Entry(
        key=slugify(" ".join([family, movement.replace("/", " "), "from", wherefrom, cut.replace("/", " of ")])),
        level=level,
        family=family,
        movement=movement,
        approaches=approaches,
        tempo_bpm=int(tempo),
        repeats=int(repeats),
        cut_share=Fraction(cut) if cut else CUT_SHARES[0],
        instruction=instruction,
    )
