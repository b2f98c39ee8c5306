"""The form that a take comes by."""

from __future__ import annotations

import json
from typing import Any, Final

from django import forms
from django.core.files.uploadedfile import UploadedFile
from django.db.models import Q, QuerySet
from django.http import HttpRequest

from studio.exercises.access import visible_exercises
from studio.exercises.models import Exercise
from studio.people.models import User
from studio.takes.services import TOO_BIG
from studio.takes.uploads import was_too_big

#: What a take may have been played at: a phrase played freely may be quicker than any exercise is set.
TEMPO: Final = (20, 240)
_SLOWEST, _FASTEST = TEMPO
_SETTINGS_LENGTH = 4000
_LARGEST_NUMBER = 1e12


def offered_exercises(learner: User, asked: str) -> QuerySet[Exercise]:
    """What was set for the learner and can be played: not put away, or asked for, since a plan may still hold it."""
    wanted = Q(put_away_at__isnull=True)
    if asked.isdecimal() and len(asked) < 10:
        wanted |= Q(pk=int(asked))
    return visible_exercises(learner).filter(wanted)


def _is_clean(text: str) -> bool:
    """Whether every database keeps `text`: none keeps a null or half of a surrogate pair, which JSON can carry."""
    return not any(letter == "\0" or "\ud800" <= letter <= "\udfff" for letter in text)


def _can_be_kept(setting: object) -> bool:
    """Whether `setting` is a boolean, a finite number of reasonable size, or clean text."""
    if isinstance(setting, str):
        return _is_clean(setting)
    return isinstance(setting, int | float) and abs(setting) <= _LARGEST_NUMBER  # which infinities and NaN are not


def settings_of(sent: str) -> dict[str, Any]:
    """What of a recorder's sent settings can be kept: a record of circumstances and no reason to refuse a recording."""
    try:
        value = json.loads(sent) if len(sent) <= _SETTINGS_LENGTH else {}
    except (ValueError, RecursionError):  # the latter for brackets within brackets within brackets
        return {}
    if not isinstance(value, dict):
        return {}
    return {name: setting for name, setting in value.items() if _is_clean(name) and _can_be_kept(setting)}


class TakeForm(forms.Form):
    """A recording, what it was played from, and what the browser said of its microphone."""

    exercise = forms.ModelChoiceField(
        Exercise.objects.none(),
        required=False,
        error_messages={"invalid_choice": "This exercise was not set for you. Choose one of the list."},
    )
    tempo_bpm = forms.IntegerField(
        required=False,
        min_value=_SLOWEST,
        max_value=_FASTEST,
        error_messages=dict.fromkeys(
            ("invalid", "min_value", "max_value"), f"The tempo is a number from {_SLOWEST} to {_FASTEST}."
        ),
    )
    recorder_settings = forms.Field(required=False)

    def __init__(self, request: HttpRequest, learner: User) -> None:
        super().__init__(request.POST)
        self._request = request
        exercises = self.fields["exercise"]
        assert isinstance(exercises, forms.ModelChoiceField)
        exercises.queryset = offered_exercises(learner, request.POST.get("exercise", ""))

    def clean_recorder_settings(self) -> dict[str, Any]:
        """What of the sent settings can be kept."""
        return settings_of(str(self.cleaned_data["recorder_settings"] or ""))

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        cleaned["sound"] = self._sound()
        return cleaned

    def _sound(self) -> UploadedFile[Any]:
        # Two inputs of one form: the file picker's and the phone's own recorder's.
        for name in ("sound", "recorded"):
            for file in self._request.FILES.getlist(name):
                return file
        if was_too_big(self._request):
            raise forms.ValidationError(TOO_BIG)
        raise forms.ValidationError("No recording came with the form. Choose a file, or record one.")

    def first_error(self) -> str:
        """The first thing to mend, as one sentence."""
        return str(next(iter(self.errors.values()))[0])
