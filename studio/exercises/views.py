"""The list of exercises, writing them, and showing one as music and sound."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import (
    HttpRequest,
    HttpResponse,
    HttpResponseBadRequest,
    HttpResponseBase,
    HttpResponseRedirect,
    JsonResponse,
)
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.text import slugify
from django.views.decorators.http import require_POST, require_safe

from analysis.score import Score, ScoreError, parse_abc
from studio import ranges
from studio.exercises.access import exercise_or_404, visible_exercises
from studio.exercises.forms import FamilyForm, HearForm, PhraseForm
from studio.exercises.models import Exercise
from studio.exercises.rendered import fitting_width, model_take, picture_answer
from studio.people.access import PersonRequest, member_required, studio_of, tutor_required

_PAGE = 60


@member_required
@require_safe
def list_exercises(request: PersonRequest) -> HttpResponse:
    """A tutor's exercises, those put away apart; a learner's: those that were set for them."""
    away = request.user.is_tutor and request.GET.get("away") == "1"
    asked = request.GET.get("q", "").replace("\0", "").strip()[:120]  # PostgreSQL cannot look for a null
    exercises = visible_exercises(request.user).filter(put_away_at__isnull=not away)
    if asked:
        exercises = exercises.filter(title__icontains=asked)
    page = Paginator(exercises.order_by("title", "pk"), _PAGE).get_page(request.GET.get("page"))
    return render(request, "exercises/list.html", {"page": page, "away": away, "asked": asked})


@tutor_required
def new(request: PersonRequest) -> HttpResponse:
    """A new exercise of a family.

    The address may carry first choices (family, movement, approaches, tempo_bpm) and the page to go on to (then).
    """
    form = FamilyForm(request.POST or None, initial=_first_choices(request))
    exercise = Exercise(studio=studio_of(request.user), created_by=request.user)
    return _write(request, form, exercise, "exercises/new.html")


@tutor_required
def new_phrase(request: PersonRequest) -> HttpResponse:
    """A new phrase in ABC."""
    form = PhraseForm(request.POST or None)
    exercise = Exercise(studio=studio_of(request.user), created_by=request.user, family=Exercise.Family.PHRASE)
    return _write(request, form, exercise, "exercises/new.html")


@tutor_required
def edit(request: PersonRequest, pk: int) -> HttpResponse:
    """Write an exercise anew. Takes that were played from it keep the music they were played from."""
    exercise = exercise_or_404(request.user, pk)
    kind = PhraseForm if exercise.family == Exercise.Family.PHRASE else FamilyForm
    return _write(request, kind(request.POST or None, exercise=exercise), exercise, "exercises/edit.html")


def _write(request: PersonRequest, form: FamilyForm | PhraseForm, exercise: Exercise, template: str) -> HttpResponse:
    if request.method == "POST" and form.is_valid():
        form.fill(exercise)
        exercise.save()
        messages.success(request, f"“{exercise.title}” is saved.")
        return redirect(_brought_back(request, exercise) or reverse("exercises:show", args=[exercise.pk]))
    context = {"form": form, "exercise": exercise, "is_phrase": isinstance(form, PhraseForm)}
    return render(request, template, context)


def _brought_back(request: HttpRequest, exercise: Exercise) -> str:
    """The page of ours that asked for the exercise (`then` in the address), told which it is; or nothing."""
    then = request.GET.get("then", "")
    if not url_has_allowed_host_and_scheme(then, allowed_hosts=None):
        return ""
    return f"{then}{'&' if '?' in then else '?'}add={exercise.pk}"


def _first_choices(request: HttpRequest) -> dict[str, Any]:
    asked = request.GET
    chosen: dict[str, Any] = {key: asked[key] for key in ("family", "movement", "tempo_bpm") if key in asked}
    if "approaches" in asked:
        chosen["approaches"] = asked.getlist("approaches")
    return chosen


@tutor_required
@require_POST
def preview(request: PersonRequest) -> JsonResponse:
    """A form that is being filled in: its music drawn as `svg`, or what is wrong with it, a list of `problems`."""
    form = PhraseForm(request.POST) if "abc" in request.POST else FamilyForm(request.POST)
    form.is_valid()
    if form.score is None:
        return JsonResponse({"problems": [str(text) for texts in form.errors.values() for text in texts]})
    from analysis.engraving import svg

    width = fitting_width(_whole(request.POST.get("width"), 720))
    return JsonResponse({"svg": svg(form.score, width_px=width, beat_points=studio_of(request.user).beat_points)})


@member_required
@require_safe
def show(request: PersonRequest, pk: int) -> HttpResponse:
    """One exercise: its music, its text version, and how it sounds."""
    exercise = exercise_or_404(request.user, pk)
    score, problem = _read(exercise)
    hear = HearForm(request.GET, beats_a_bar=exercise.beats_a_bar)
    hear.is_valid()
    tempo = hear.cleaned_data.get("tempo") or exercise.tempo_bpm
    from analysis.engraving import describe

    sound = request.GET.get("sound", "")
    asked = {"tempo": tempo, "count_in": exercise.beats_a_bar if sound else 0, "clicks": int(sound == "clicks")}
    context = {
        "exercise": exercise,
        "problem": problem,
        "description": describe(score).splitlines() if score else [],
        "movement_count": len(score.movements) if score else 0,
        "tempo": tempo,
        "sound": sound,
        "sound_address": f"{reverse('exercises:model', args=[pk])}?{urlencode({k: v for k, v in asked.items() if v})}",
        "file_name": slugify(exercise.title) or "exercise",
    }
    return render(request, "exercises/show.html", context)


def _read(exercise: Exercise) -> tuple[Score | None, str]:
    """The exercise's music, or why it cannot be read: what was once saved may be refused by a later reader of ABC."""
    try:
        return parse_abc(exercise.abc), ""
    except ScoreError as error:
        return None, str(error)


@member_required
@require_safe
def music(request: PersonRequest, pk: int) -> HttpResponse:
    """The music drawn, as SVG; `width` says for how many CSS pixels."""
    exercise = exercise_or_404(request.user, pk)
    return picture_answer(request, exercise.abc, beat_points=exercise.studio.beat_points)


@member_required
@require_safe
def model(request: PersonRequest, pk: int) -> HttpResponseBase:
    """The exercise played right, at `tempo`, after `count_in` clicks, with `clicks` going on through it."""
    exercise = exercise_or_404(request.user, pk)
    form = HearForm(request.GET, beats_a_bar=exercise.beats_a_bar)
    if not form.is_valid():
        said = next(iter(form.errors.values()))[0]
        return HttpResponseBadRequest(str(said), content_type="text/plain; charset=utf-8")
    asked = form.cleaned_data
    try:
        name = model_take(
            exercise.abc,
            tempo_bpm=asked["tempo"] or exercise.tempo_bpm,
            count_in=asked["count_in"] or 0,
            clicks=asked["clicks"],
            tuning=exercise.studio.tuning,
            beat_points=exercise.studio.beat_points,
        )
    except ValueError as error:
        return HttpResponseBadRequest(str(error), content_type="text/plain; charset=utf-8")
    return ranges.serve_stored(request, name, content_type="audio/flac")


@member_required
@require_safe
def abc(request: PersonRequest, pk: int) -> HttpResponse:
    """The exercise as an ABC file (media type as registered: text/vnd.abc)."""
    exercise = exercise_or_404(request.user, pk)
    response = HttpResponse(exercise.abc, content_type="text/vnd.abc; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{slugify(exercise.title) or "exercise"}.abc"'
    return response


@tutor_required
@require_POST
def put_away(request: PersonRequest, pk: int) -> HttpResponseRedirect:
    """No longer offered for plans; takes and plans that used it keep it."""
    return _put(request, pk, away=True)


@tutor_required
@require_POST
def bring_back(request: PersonRequest, pk: int) -> HttpResponseRedirect:
    """Offered again."""
    return _put(request, pk, away=False)


def _put(request: PersonRequest, pk: int, *, away: bool) -> HttpResponseRedirect:
    exercise = exercise_or_404(request.user, pk)
    exercise.put_away_at = timezone.now() if away else None
    exercise.save(update_fields=["put_away_at"])
    messages.success(request, f"“{exercise.title}” is {'put away' if away else 'back in the list'}.")
    return redirect("exercises:show", pk)


def _whole(text: str | None, default: int) -> int:
    return int(text) if text is not None and text.isdecimal() and len(text) < 6 else default
