"""Writing exercises: of a family, as ABC, as a copy, each with its preview."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect, JsonResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_POST

from analysis.abc_reader import uneven_bars
from studio.exercises.access import exercise_or_404
from studio.exercises.forms import FamilyForm, PhraseForm
from studio.exercises.importing import ImportForm
from studio.exercises.models import Exercise, customs_of
from studio.exercises.rendered import fitting_width
from studio.exercises.titles import numbered, without_number
from studio.exercises.writing import family_of, length_of
from studio.people.access import PersonRequest, studio_of, tutor_required


@tutor_required
def new(request: PersonRequest) -> HttpResponse:
    """A new exercise of a family.

    The address may carry first choices (family, movement, approaches, tempo_bpm) and the page to go on to (then).
    """
    studio = studio_of(request.user)
    form = FamilyForm(request.POST or None, initial=_first_choices(request), customs=customs_of(studio))
    return _write(request, form, Exercise(studio=studio, created_by=request.user), "exercises/new.html")


@tutor_required
def new_phrase(request: PersonRequest) -> HttpResponse:
    """A new phrase in ABC."""
    form = PhraseForm(request.POST or None)
    exercise = Exercise(studio=studio_of(request.user), created_by=request.user, family=Exercise.Family.PHRASE)
    return _write(request, form, exercise, "exercises/new.html")


@tutor_required
def bring_in(request: PersonRequest) -> HttpResponse:
    """A file with music: read, it is a new phrase to look through and save."""
    form = ImportForm(request)
    if not form.is_valid():
        return render(request, "exercises/import.html", {"form": form})
    context = {
        "form": PhraseForm(abc=form.abc),
        "is_phrase": True,
        "action": reverse("exercises:new-phrase"),
        "file_name": form.cleaned_data["file"].name,
    }
    return render(request, "exercises/new.html", context)


@tutor_required
def edit(request: PersonRequest, pk: int) -> HttpResponse:
    """Write an exercise anew. One of a family is written as ABC with `as=abc` in the address, and where it was not kept
    what the family was asked for. Takes that were played from it keep the music they were played from."""
    exercise = exercise_or_404(request.user, pk)
    form: FamilyForm | PhraseForm
    only_abc = exercise.family == Exercise.Family.PHRASE or family_of(exercise) is None
    if only_abc or request.GET.get("as") == "abc":
        form = PhraseForm(request.POST or None, exercise=exercise)
    else:
        form = FamilyForm(request.POST or None, exercise=exercise, customs=customs_of(exercise.studio))
    return _write(request, form, exercise, "exercises/edit.html")


@tutor_required
@require_POST
def copy(request: PersonRequest, pk: int) -> HttpResponseRedirect:
    """One more of the same, to be changed."""
    exercise = exercise_or_404(request.user, pk)
    exercise.pk, exercise.created_by = None, request.user
    exercise._state.adding = True
    title = numbered(without_number(exercise.title), exercise)
    exercise.abc = exercise.abc.replace(f"T:{exercise.title}\n", f"T:{title}\n", 1)
    exercise.title = title
    exercise.put_away_at, exercise.open_to_all = None, False
    exercise.save()
    messages.success(request, f"This is a copy: “{exercise.title}”. Change it as you like.")
    return redirect("exercises:edit", exercise.pk)


def _write(request: PersonRequest, form: FamilyForm | PhraseForm, exercise: Exercise, template: str) -> HttpResponse:
    if request.method == "POST" and form.is_valid():
        form.fill(exercise)
        exercise.save()
        messages.success(request, f"“{exercise.title}” is saved.")
        return redirect(_brought_back(request, exercise) or _next_page(form, exercise))
    context = {"form": form, "exercise": exercise, "is_phrase": isinstance(form, PhraseForm)}
    return render(request, template, context)


def _next_page(form: FamilyForm | PhraseForm, exercise: Exercise) -> str:
    """The exercise; of a phrase that was begun from a movement, the page to go on with it."""
    begun = isinstance(form, FamilyForm) and exercise.family == Exercise.Family.PHRASE
    return reverse("exercises:edit" if begun else "exercises:show", args=[exercise.pk])


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
    """A form that is being filled in: its music drawn as `svg`, its `length` in words and `hints`, sentences on what
    may be a slip. Or what is wrong with it, a list of `problems`, and the `place` of the first, [line, column]."""
    studio = studio_of(request.user)
    form: FamilyForm | PhraseForm
    if "abc" in request.POST:
        form = PhraseForm(request.POST)
    else:
        form = FamilyForm(request.POST, customs=customs_of(studio))
    form.is_valid()
    if form.score is None:
        problems = [str(text) for texts in form.errors.values() for text in texts]
        return JsonResponse({"problems": problems, "place": getattr(form, "place", None)})
    from analysis.engraving import svg

    width = fitting_width(_whole(request.POST.get("width"), 720))
    tempo = form.cleaned_data.get("tempo_bpm") or form.score.tempo_bpm
    return JsonResponse(
        {
            "svg": svg(form.score, width_px=width, beat_points=studio.beat_points),
            "length": str(length_of(form.score, tempo)),
            "hints": uneven_bars(form.cleaned_data["abc"]) if isinstance(form, PhraseForm) else [],
        }
    )


def _whole(text: str | None, default: int) -> int:
    return int(text) if text is not None and text.isdecimal() and len(text) < 6 else default
