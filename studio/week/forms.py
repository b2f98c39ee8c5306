"""The form of a plan: from when, a note, and one row for each exercise."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any, Final

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from studio.exercises.models import Exercise
from studio.exercises.titles import option_labels
from studio.week.models import Plan
from studio.week.services import MAX_ROWS, SetRow
from studio.week.suggestions import FASTEST, SLOWEST, Suggestion

EMPTY_ROWS: Final = 2
_PREFIX: Final = "rows"
_FARTHEST: Final = timedelta(days=2 * 365)


class PlanForm(forms.Form):
    """From when the plan counts, and what the tutor says over it."""

    starts_on = forms.DateField(
        label="From",
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={"invalid": "This is no date; choose one from the calendar, or write it like 2026-03-14."},
    )
    note = forms.CharField(
        label="A note over the week",
        max_length=2000,
        required=False,
        widget=forms.Textarea(attrs={"rows": "3"}),
    )

    def clean_starts_on(self) -> date:
        starts_on: date = self.cleaned_data["starts_on"]
        if abs(starts_on - timezone.localdate()) > _FARTHEST:
            raise ValidationError("This day is more than two years away. Check the year.")
        return starts_on


class RowForm(forms.Form):
    """One exercise of the plan. A row without an exercise is dropped."""

    exercise = forms.TypedChoiceField(label="Exercise", coerce=int, required=False, empty_value=None)
    tempo_bpm = forms.IntegerField(
        label="Tempo",
        required=False,
        min_value=SLOWEST,
        max_value=FASTEST,
        error_messages=dict.fromkeys(
            ("invalid", "min_value", "max_value"), f"The tempo is a whole number from {SLOWEST} to {FASTEST}."
        ),
    )
    clean_days = forms.IntegerField(
        label="Clean days",
        required=False,
        min_value=1,
        max_value=7,
        initial=3,
        error_messages=dict.fromkeys(("invalid", "min_value", "max_value"), "Clean days are a number from 1 to 7."),
    )
    note = forms.CharField(label="Note", max_length=300, required=False)
    position = forms.IntegerField(
        label="Order", required=False, min_value=0, max_value=99, widget=forms.NumberInput(attrs={"class": "order"})
    )

    def __init__(self, *args: Any, exercises: Mapping[int, Exercise], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._exercises = exercises
        choice = self.fields["exercise"]
        assert isinstance(choice, forms.TypedChoiceField)
        choice.choices = [("", "no exercise"), *option_labels(exercises.values()).items()]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or self.cleaned_data
        if data.get("exercise") is None and "exercise" not in self.errors and data.get("note"):
            raise ValidationError("Choose an exercise for this note, or empty it.")
        return data

    def row(self) -> SetRow | None:
        """What the valid form sets; a tempo left empty is the exercise's own."""
        data = self.cleaned_data
        exercise = self._exercises.get(data.get("exercise") or 0)
        if exercise is None:
            return None
        tempo = data["tempo_bpm"] or min(max(exercise.tempo_bpm, SLOWEST), FASTEST)
        return SetRow(exercise, tempo, data["clean_days"] or 3, data["note"])


if TYPE_CHECKING:
    _FormSet = forms.BaseFormSet[RowForm]
else:
    _FormSet = forms.BaseFormSet


class Rows(_FormSet):
    """All rows. Their order is that of their numbers, then that of the page."""

    def holds(self, exercise: Exercise, tempo_bpm: int | None = None) -> bool:
        """Whether a row has `exercise`, as typed; at that tempo, when one is given."""
        return any(
            str(form["exercise"].value()) == str(exercise.pk)
            and (tempo_bpm is None or str(form["tempo_bpm"].value()) == str(tempo_bpm))
            for form in self.forms
        )

    def rows(self) -> list[SetRow]:
        """What the valid rows set, in order."""
        placed = []
        for number, form in enumerate(self.forms):
            row = form.row()
            if row is not None:
                position = form.cleaned_data.get("position")
                placed.append((position if position is not None else 99, number, row))
        return [row for _, _, row in sorted(placed, key=lambda entry: entry[:2])]


def _formset(extra: int) -> type[Rows]:
    made: type[Rows] = forms.formset_factory(  # type: ignore[assignment]  # the stubs know no formset's own class
        RowForm, formset=Rows, extra=extra, max_num=MAX_ROWS, absolute_max=MAX_ROWS, validate_max=True
    )
    return made


def rows_sent(data: Any, exercises: Mapping[int, Exercise]) -> Rows:
    """The rows of a sent form."""
    return _formset(0)(data, prefix=_PREFIX, form_kwargs={"exercises": exercises})


def rows_shown(rows: Sequence[Mapping[str, Any]], exercises: Mapping[int, Exercise]) -> Rows:
    """`rows` to be filled in, with some empty ones after them. They are numbered anew."""
    initial = [{**row, "position": number} for number, row in enumerate(rows, start=1)][:MAX_ROWS]
    return _formset(EMPTY_ROWS)(initial=initial, prefix=_PREFIX, form_kwargs={"exercises": exercises})


def raw_rows(data: Any) -> list[dict[str, Any]]:
    """The rows of a sent form as they were typed, those without an exercise or a note left out, in their order."""
    total = data.get(f"{_PREFIX}-TOTAL_FORMS", "")
    found = []
    for number in range(min(int(total), MAX_ROWS) if total.isdecimal() and len(total) < 4 else 0):
        row = {
            name: data.get(f"{_PREFIX}-{number}-{name}", "")
            for name in ("exercise", "tempo_bpm", "clean_days", "note", "position")
        }
        if row["exercise"] or row["note"]:
            place = int(row["position"]) if row["position"].isdecimal() and len(row["position"]) < 4 else 99
            found.append((place, number, row))
    return [row for _, _, row in sorted(found, key=lambda entry: entry[:2])]


def rows_of_plan(plan: Plan) -> list[dict[str, Any]]:
    """The rows of a stored plan, for its form."""
    return [
        {"exercise": row.exercise_id, "tempo_bpm": row.tempo_bpm, "clean_days": row.clean_days, "note": row.note}
        for row in plan.exercises.all()
    ]


def row_of_suggestion(suggestion: Suggestion) -> dict[str, Any]:
    """A suggestion as a row of the form."""
    return {
        "exercise": suggestion.exercise.pk,
        "tempo_bpm": suggestion.tempo_bpm,
        "clean_days": suggestion.clean_days,
        "note": "",
    }
