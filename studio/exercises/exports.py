"""An exercise as a file for other programs, and as one sheet to print."""

from __future__ import annotations

from dataclasses import replace

from django.http import HttpResponse
from django.utils import timezone
from django.utils.text import slugify
from django.views.decorators.http import require_safe

from analysis.score import Score, ScoreError, parse_abc
from studio.exercises.access import exercise_or_404
from studio.exercises.models import Exercise
from studio.exercises.sheets_of import DEFAULT_PAPER, SheetError, sheet_of
from studio.people.access import PersonRequest, member_required


def score_of(exercise: Exercise) -> Score:
    """The music with the exercise's own title, tempo and instruction. Raises ScoreError where it cannot be read."""
    return replace(
        parse_abc(exercise.abc),
        title=exercise.title,
        tempo_bpm=float(exercise.tempo_bpm),
        instruction=exercise.instruction,
    )


@member_required
@require_safe
def musicxml(request: PersonRequest, pk: int) -> HttpResponse:
    """The exercise as MusicXML 4.0, for programs that write music."""
    from analysis.musicxml import MEDIA_TYPE, to_musicxml

    exercise = exercise_or_404(request.user, pk)
    try:
        return _file(exercise, to_musicxml(score_of(exercise)).encode(), "musicxml", MEDIA_TYPE)
    except ScoreError as error:
        return _refused(error)


@member_required
@require_safe
def mei(request: PersonRequest, pk: int) -> HttpResponse:
    """The exercise as MEI 5, for programs that engrave music."""
    from analysis.engraving import mei as document  # loads the engraver: only where it is needed

    exercise = exercise_or_404(request.user, pk)
    try:
        return _file(exercise, document(score_of(exercise)).encode(), "mei", "application/mei+xml")
    except ScoreError as error:
        return _refused(error)


@member_required
@require_safe
def midi(request: PersonRequest, pk: int) -> HttpResponse:
    """The exercise as MIDI, its movements on the beat as the studio has it."""
    from analysis.midi import MEDIA_TYPE, to_midi

    exercise = exercise_or_404(request.user, pk)
    try:
        data = to_midi(score_of(exercise), beat_points=exercise.studio.beat_points)
    except ScoreError as error:
        return _refused(error)
    return _file(exercise, data, "mid", MEDIA_TYPE)


@member_required
@require_safe
def pdf(request: PersonRequest, pk: int) -> HttpResponse:
    """The exercise as a sheet on `paper` (a4 or letter): with their name for a learner, with a line for one else."""
    exercise = exercise_or_404(request.user, pk)
    learner = request.user if request.user.is_learner else None
    paper = request.GET.get("paper", DEFAULT_PAPER)
    try:
        data = sheet_of(request, [exercise], learner=learner, starts_on=timezone.localdate(), paper=paper)
    except SheetError as error:
        return _refused(error)
    return pdf_answer(data, slugify(exercise.title) or "exercise")


def pdf_answer(data: bytes, name: str) -> HttpResponse:
    """A PDF that the browser shows, since it is mostly printed at once."""
    response = HttpResponse(data, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{name}.pdf"'
    response["Cache-Control"] = "private, no-cache"
    return response


def _file(exercise: Exercise, data: bytes, ending: str, media_type: str) -> HttpResponse:
    response = HttpResponse(data, content_type=media_type)
    response["Content-Disposition"] = f'attachment; filename="{slugify(exercise.title) or "exercise"}.{ending}"'
    return response


def _refused(error: Exception) -> HttpResponse:
    return HttpResponse(str(error), status=422, content_type="text/plain; charset=utf-8")
