"""What exercises are found by: the movements they practise and the notes these are approached from, kept as words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from django.db.models import QuerySet

from analysis.score import ScoreError, parse_abc

if TYPE_CHECKING:
    from studio.exercises.models import Exercise


def found_by(abc: str, parameters: Mapping[str, Any]) -> str:
    """The words by which music is found. A family's own choice counts before what else its music holds."""
    kinds: set[str] = {parameters["kind"]} if "kind" in parameters else set()
    notes: set[str] = set(parameters.get("approaches", []))
    if not (kinds and notes):
        try:
            written = parse_abc(abc).movements
        except ScoreError:
            written = ()
        written = tuple(found for found in written if not kinds or found.kind in kinds)
        kinds |= {found.kind for found in written}
        notes |= {found.approach.label for found in written if found.approach is not None}
    return "".join([*map(_movement_word, sorted(kinds)), *map(_approach_word, sorted(notes))])


def words_of(asked: Mapping[str, str]) -> list[str]:
    """The words that must all be there for what is asked for: `movement` and `approach`."""
    movement, approach = asked.get("movement"), asked.get("approach")
    return [*([_movement_word(movement)] if movement else []), *([_approach_word(approach)] if approach else [])]


def find(exercises: QuerySet[Exercise], asked: Mapping[str, str]) -> QuerySet[Exercise]:
    """Those of `exercises` that have all that is asked for: words in the title (`q`), `movement`, `approach`, `level`,
    `family`."""
    for word in words_of(asked):
        exercises = exercises.filter(found_by__contains=word)
    if "q" in asked:
        exercises = exercises.filter(title__icontains=asked["q"])
    same = {name: asked[name] for name in ("level", "family") if name in asked}
    return exercises.filter(**same)


def _movement_word(kind: str) -> str:
    return f"movement:{kind};"


def _approach_word(note: str) -> str:
    return f"from:{note};"
