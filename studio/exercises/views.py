"""The list of exercises, showing one as music and sound, and what it is offered for."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse, HttpResponseBase, HttpResponseRedirect
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.text import slugify
from django.views.decorators.http import require_POST, require_safe

from studio.exercises.access import exercise_or_404, visible_exercises
from studio.exercises.finding import find
from studio.exercises.forms import FindForm
from studio.exercises.rendered import picture_answer
from studio.exercises.set_for import tempo_for, tempos_set_for, with_places
from studio.exercises.views_parts import model_answer, shown
from studio.people.access import PersonRequest, member_required, tutor_required, visible_learners

_PAGE = 60
#: A learner's list up to this long is looked through at a glance.
_FEW = 8


@member_required
@require_safe
def list_exercises(request: PersonRequest) -> HttpResponse:
    """A tutor's exercises, those put away apart; a learner's: those of this week, those that were set before, then
    those open to all, each at the tempo that it was set for."""
    user = request.user
    away = user.is_tutor and request.GET.get("away") == "1"
    form = FindForm(request.GET)
    asked = form.asked()
    exercises = find(visible_exercises(user), asked).filter(put_away_at__isnull=not away)
    exercises = with_places(exercises, user) if user.is_learner else exercises.order_by("title", "pk")
    page = Paginator(exercises, _PAGE).get_page(request.GET.get("page"))
    # Somebody looks for something in a list that is too long to be seen at a glance.
    finding = bool(asked) or page.paginator.count > (0 if user.is_tutor else _FEW)
    tempos = tempos_set_for(user) if user.is_learner else {}
    for exercise in page:
        exercise.tempo_bpm = tempos.get(exercise.pk, exercise.tempo_bpm)  # to be shown, and never saved
    context = {"page": page, "away": away, "asked": asked, "form": form, "finding": finding}
    return render(request, "exercises/list.html", context)


@member_required
@require_safe
def show(request: PersonRequest, pk: int) -> HttpResponse:
    """One exercise: its music, its text version, and how it sounds."""
    exercise = exercise_or_404(request.user, pk)
    tempo_bpm = tempo_for(exercise, request.user)
    context = shown(request, exercise, model_address=reverse("exercises:model", args=[pk]), tempo_bpm=tempo_bpm)
    if request.user.is_tutor and exercise.put_away_at is None:
        context["learners"] = visible_learners(request.user).filter(left_at=None).order_by("display_name", "pk")
    return render(request, "exercises/show.html", context)


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
    return model_answer(request, exercise_or_404(request.user, pk))


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
    return _changed(request, pk, "is put away", put_away_at=timezone.now())


@tutor_required
@require_POST
def bring_back(request: PersonRequest, pk: int) -> HttpResponseRedirect:
    """Offered again."""
    return _changed(request, pk, "is back in the list", put_away_at=None)


@tutor_required
@require_POST
def open_to_all(request: PersonRequest, pk: int) -> HttpResponseRedirect:
    """Every learner of the studio meets it."""
    return _changed(request, pk, "is open to all your learners", open_to_all=True)


@tutor_required
@require_POST
def close(request: PersonRequest, pk: int) -> HttpResponseRedirect:
    """Only those whom it was set for meet it."""
    return _changed(request, pk, "is only for those whom you set it for", open_to_all=False)


def _changed(request: PersonRequest, pk: int, said: str, **values: Any) -> HttpResponseRedirect:
    exercise = exercise_or_404(request.user, pk)
    for name, value in values.items():
        setattr(exercise, name, value)
    exercise.save(update_fields=list(values))
    messages.success(request, f"“{exercise.title}” {said}.")
    return redirect("exercises:show", pk)
