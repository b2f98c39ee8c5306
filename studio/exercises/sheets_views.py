"""Choosing exercises for a sheet, and the sheet."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any, Final

from django import forms
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.text import slugify
from django.views.decorators.http import require_safe

from studio.exercises.access import visible_exercises
from studio.exercises.exports import pdf_answer
from studio.exercises.models import Exercise
from studio.exercises.set_for import plan_for
from studio.exercises.sheets_of import DEFAULT_PAPER, PAPERS, SheetError, sheet_of
from studio.exercises.titles import option_labels
from studio.people.access import PersonRequest, tutor_required, visible_learners
from studio.people.models import User

MOST_EXERCISES: Final = 20


class _Exercises(forms.ModelMultipleChoiceField):  # type: ignore[type-arg]  # has none at run time
    """Exercises under names that tell them apart."""

    labels: Mapping[int, str] = {}

    def clean(self, value: Any) -> Any:
        # A number that no database can hold would be looked for, and break.
        if any(str(key).isdecimal() and not _number(str(key)) for key in value or ()):
            raise ValidationError(self.error_messages["invalid_choice"], code="invalid_choice")
        return super().clean(value)

    def label_from_instance(self, obj: Exercise) -> str:
        return self.labels.get(obj.pk, obj.title)


class SheetForm(forms.Form):
    """Which exercises, for whom, from which day on, on which paper."""

    learner = forms.ModelChoiceField(
        label="Whose sheet",
        queryset=User.objects.none(),
        required=False,
        empty_label="anybody: with a line to write a name on",
        help_text="Learners get the tempo of their plan, and a code to scan beside each exercise that they can record.",
        error_messages={"invalid_choice": "This is none of your learners. Choose one of the list."},
    )
    starts_on = forms.DateField(
        label="Week from",
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={
            "required": "Choose the first of the seven days to tick.",
            "invalid": "This is not a date. Write one such as 2026-11-26.",
        },
    )
    paper = forms.ChoiceField(label="Paper", choices=list(PAPERS.items()))
    exercise = _Exercises(
        label="Exercises",
        queryset=Exercise.objects.none(),
        widget=forms.CheckboxSelectMultiple,
        error_messages={
            "required": "Choose at least one exercise.",
            "invalid_choice": "One of these is not among your exercises. Choose from the list.",
            "invalid_pk_value": "One of these is not among your exercises. Choose from the list.",
        },
    )

    def __init__(self, *args: Any, user: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        exercises, learners = self.fields["exercise"], self.fields["learner"]
        assert isinstance(exercises, _Exercises)
        assert isinstance(learners, forms.ModelChoiceField)
        exercises.queryset = visible_exercises(user).filter(put_away_at=None).select_related("studio")
        learners.queryset = visible_learners(user).filter(left_at=None).order_by("display_name")
        exercises.labels = option_labels(exercises.queryset)

    def clean_exercise(self) -> Any:
        chosen = self.cleaned_data["exercise"]
        if len(chosen) > MOST_EXERCISES:
            raise ValidationError(f"{len(chosen)} exercises are chosen; a sheet holds up to {MOST_EXERCISES}.")
        return chosen


@tutor_required
@require_safe
def choose(request: PersonRequest) -> HttpResponse:
    """The form. `exercise` and `learner` may be chosen in the address; a learner brings the exercises of the plan that
    holds on the day `starts_on`, or of their newest, and the sheet's week begins with a plan that is still to come."""
    chosen = [key for key in request.GET.getlist("exercise") if key.isdecimal()]
    learner = visible_learners(request.user).filter(pk=_number(request.GET.get("learner", ""))).first()
    starts_on = timezone.localdate()
    plan = plan_for(learner, _day(request.GET.get("starts_on", ""))) if learner is not None else None
    if plan is not None and not chosen:
        chosen = [str(key) for key in plan.exercises.values_list("exercise", flat=True)]
        starts_on = max(starts_on, plan.starts_on)
    initial = {"learner": learner, "exercise": chosen, "starts_on": starts_on, "paper": DEFAULT_PAPER}
    return _page(request, SheetForm(initial=initial, user=request.user))


@tutor_required
@require_safe
def sheet(request: PersonRequest) -> HttpResponse:
    """The sheet as PDF; the form again where something is missing."""
    form = SheetForm(request.GET, user=request.user)
    if not form.is_valid():
        return _page(request, form, status=400)
    asked = form.cleaned_data
    try:
        data = sheet_of(
            request,
            list(asked["exercise"]),
            learner=asked["learner"],
            starts_on=asked["starts_on"],
            paper=asked["paper"],
        )
    except SheetError as error:
        form.add_error("exercise", str(error))
        return _page(request, form, status=400)
    return pdf_answer(data, slugify(f"sheet {asked['learner'] or ''} {asked['starts_on']}"))


def _page(request: PersonRequest, form: SheetForm, *, status: int = 200) -> HttpResponse:
    return render(request, "exercises/sheets.html", {"form": form}, status=status)


def _day(text: str) -> date | None:
    """The day that an address names, if it is one."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def _number(text: str) -> int:
    return int(text) if text.isdecimal() and len(text) < 10 else 0
