"""Titles that tell exercises apart: a number where a made title is there already, more words where two are alike."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from itertools import count
from typing import Final

from analysis.chanter import LABELS
from studio.exercises.models import Exercise

_NUMBER: Final = re.compile(r" \(\d+\)$")
_LONGEST: Final = 120


def without_number(title: str) -> str:
    """`title` as it was made, before it was numbered."""
    return _NUMBER.sub("", title)


def numbered(title: str, exercise: Exercise) -> str:
    """`title`, followed by the first free number where another exercise of the studio is called so."""
    beginning = title[: _LONGEST - 6]
    others = Exercise.objects.filter(studio=exercise.studio_id, title__startswith=beginning).exclude(pk=exercise.pk)
    taken = set(others.values_list("title", flat=True))
    names = (title if number == 1 else f"{beginning} ({number})" for number in count(1))
    return next(name for name in names if name not in taken)


def option_labels(exercises: Iterable[Exercise]) -> dict[int, str]:
    """What each is called where one is chosen, by primary key: tempo and approach notes too where titles are alike."""
    listed = list(exercises)
    alike = Counter(without_number(exercise.title) for exercise in listed)
    return {
        exercise.pk: _in_full(exercise) if alike[without_number(exercise.title)] > 1 else exercise.title
        for exercise in listed
    }


def _in_full(exercise: Exercise) -> str:
    notes = exercise.parameters.get("approaches", [])
    every = len(notes) >= len(LABELS) - 1  # the movement's own note is mostly none to come from
    wherefrom = f", from {'every note' if every else ', '.join(notes)}" if notes else ""
    return f"{exercise.title}, at {exercise.tempo_bpm}{wherefrom}"
