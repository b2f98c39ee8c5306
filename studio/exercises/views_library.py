"""The starter library: looking through it, seeing and hearing an entry, copying it into the studio."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase, HttpResponseRedirect
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from studio.exercises import library
from studio.exercises.forms import FindForm
from studio.exercises.models import Exercise
from studio.exercises.rendered import picture_answer
from studio.exercises.views_parts import model_answer, shown
from studio.people.access import PersonRequest, studio_of, tutor_required


@tutor_required
@require_safe
def browse(request: PersonRequest) -> HttpResponse:
    """The entries by level, or those that were looked for."""
    studio = studio_of(request.user)
    form = FindForm(request.GET)
    asked = form.asked()
    copied = set(
        Exercise.objects.filter(studio=studio, put_away_at=None).values_list("library_entry", flat=True).distinct()
    )
    found = library.find(asked)
    levels = [
        (level.label, [(entry, entry.key in copied) for entry in found if entry.level == level])
        for level in Exercise.Level
    ]
    context = {"form": form, "asked": asked, "levels": levels, "count": len(found), "every": len(library.entries())}
    return render(request, "exercises/library.html", context)


@tutor_required
@require_safe
def entry(request: PersonRequest, key: str) -> HttpResponse:
    """One entry: its music, in words too, and how it sounds."""
    found, exercise = _entry(request, key)
    context = {
        **shown(
            request,
            exercise,
            model_address=reverse("exercises:library-model", args=[key]),
            tempo_bpm=exercise.tempo_bpm,
        ),
        "entry": found,
        "copies": Exercise.objects.filter(studio=exercise.studio, library_entry=key, put_away_at=None).order_by("pk"),
    }
    return render(request, "exercises/library_entry.html", context)


@tutor_required
@require_safe
def music(request: PersonRequest, key: str) -> HttpResponse:
    """An entry drawn, as SVG; `width` says for how many CSS pixels."""
    _, exercise = _entry(request, key)
    return picture_answer(request, exercise.abc, beat_points=exercise.studio.beat_points)


@tutor_required
@require_safe
def model(request: PersonRequest, key: str) -> HttpResponseBase:
    """An entry played right, as :func:`studio.exercises.views.model` plays an exercise."""
    _, exercise = _entry(request, key)
    return model_answer(request, exercise)


@tutor_required
@require_POST
def copy(request: PersonRequest, key: str) -> HttpResponseRedirect:
    """The entry becomes an exercise of the studio."""
    found, _ = _entry(request, key)
    exercise = library.copy_into(studio_of(request.user), found, by=request.user)
    messages.success(request, f"“{exercise.title}” is one of your exercises now. Set it, or change it as you like.")
    return redirect("exercises:show", exercise.pk)


def _entry(request: PersonRequest, key: str) -> tuple[library.Entry, Exercise]:
    """The entry, and the exercise that it would be in the person's studio."""
    found = library.entries().get(key)
    if found is None:
        raise Http404("no such entry")
    return found, found.exercise(studio_of(request.user))
