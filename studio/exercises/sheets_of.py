"""What stands on a sheet: exercises at the tempo that they are set for, with codes that lead to the recorder."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Final

from django.urls import reverse

from analysis.engraving_pdf import Drawing
from analysis.score import ScoreError
from studio.exercises.access import visible_exercises
from studio.exercises.models import Exercise
from studio.exercises.rendered import picture
from studio.exercises.set_for import tempos_set_for
from studio.exercises.sheets import PICTURE_PX, Entry, Heading, sheet_pdf
from studio.people.access import PersonRequest, studio_of
from studio.people.models import User
from studio.people.views import public_address

#: Papers by the name they have in addresses, and what they are called.
PAPERS: Final = {"a4": "A4", "letter": "Letter"}
DEFAULT_PAPER: Final = "a4"


class SheetError(ValueError):
    """The sheet cannot be made. The message is one plain sentence."""


def sheet_of(
    request: PersonRequest, exercises: Sequence[Exercise], *, learner: User | None, starts_on: date, paper: str
) -> bytes:
    """The sheet as PDF, for `learner` or with a line for a name. An exercise that the learner does not meet has no code
    to scan, since it would lead nowhere. Raises SheetError where it cannot be made."""
    if paper not in PAPERS:
        raise SheetError(f"There is no paper called {paper[:20]}: choose {' or '.join(PAPERS)}.")
    met = None if learner is None else set(visible_exercises(learner).values_list("pk", flat=True))
    tempos = {} if learner is None else tempos_set_for(learner, starts_on)
    entries = [
        _entry(
            request,
            exercise,
            tempos.get(exercise.pk, exercise.tempo_bpm),
            with_code=met is None or exercise.pk in met,
        )
        for exercise in exercises
    ]
    name = "" if learner is None else str(learner)
    return sheet_pdf(entries, Heading(studio_of(request.user).name, name, starts_on), paper=paper)


def _entry(request: PersonRequest, exercise: Exercise, tempo_bpm: int, *, with_code: bool) -> Entry:
    try:
        drawn, _ = picture(exercise.abc, width_px=PICTURE_PX, beat_points=exercise.studio.beat_points)
    except ScoreError as error:
        raise SheetError(f"“{exercise.title}” cannot be read any more: {error}. Change it first.") from error
    record = f"{reverse('takes:new')}?exercise={exercise.pk}&tempo={tempo_bpm}"
    address = public_address(request, record) if with_code else ""
    return Entry(exercise.title, tempo_bpm, exercise.instruction, Drawing(drawn), address)
