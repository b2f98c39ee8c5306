"""Forms for writing exercises, and for how one is to be heard."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

from django import forms
from django.core.exceptions import ValidationError

from analysis.chanter import Note
from analysis.families import CUT_SHARES, MAX_REPEATS
from analysis.score import Score, ScoreError, to_abc
from studio.exercises.models import Customs, Exercise
from studio.exercises.titles import numbered, without_number
from studio.exercises.writing import (
    MOVEMENTS,
    Family,
    comes_from,
    family_for,
    family_of,
    kind_choices,
    movement_choices,
    note_choices,
    read_phrase,
)

TEMPO: Final = (30, 140)
MAX_ABC: Final = 5000
_OF_THE_LIST: Final = {"invalid_choice": "This is not possible here: choose one of the list."}
_REPEATS: Final = f"It is written a whole number of times, from 1 to {MAX_REPEATS}."


def _tempo_field(**options: Any) -> forms.IntegerField:
    low, high = TEMPO
    says = f"The tempo is a whole number of beats a minute, from {low} to {high}."
    errors = {"required": says, "invalid": says, "min_value": says, "max_value": says}
    return forms.IntegerField(min_value=low, max_value=high, error_messages=errors, **options)


class _ExerciseForm(forms.Form):
    """What every exercise has. Subclasses make the music in `clean` and leave it in `score`."""

    title = forms.CharField(
        label="Title",
        max_length=120,
        required=False,
        error_messages={"max_length": "This title is too long: 120 characters are possible."},
    )
    instruction = forms.CharField(
        label="What to mind",
        max_length=300,
        required=False,
        help_text="One sentence for the learner, over the music.",
        error_messages={"max_length": "This is too long to mind while playing: 300 characters are possible."},
    )
    level = forms.ChoiceField(
        label="Level",
        choices=[("", "for any"), *Exercise.Level.choices],
        required=False,
        help_text="To find it by.",
        error_messages=_OF_THE_LIST,
    )
    score: Score | None = None

    def fill(self, exercise: Exercise) -> None:
        """Write the cleaned values into `exercise`, unsaved."""
        raise NotImplementedError


class FamilyForm(_ExerciseForm):
    """An exercise of a family: which movement, from which notes, how fast, how often."""

    family = forms.ChoiceField(
        label="Family",
        widget=forms.RadioSelect,
        error_messages={**_OF_THE_LIST, "required": "Choose a family."},
        choices=[
            (Exercise.Family.SINGLE_THEN_FULL, "Single then full: with one gracenote, then with the whole movement"),
            (Exercise.Family.FROM_SHORT_NOTES, "From short notes: the movement after a cut note"),
            (Exercise.Family.ONE_FINGER, "One finger: a long alternation, slow and even"),
            (Exercise.Family.CHAIN, "Chain: on every note of the scale, up and down"),
            (Exercise.Family.PHRASE, "In a phrase: two to four bars, to go on with in ABC"),
        ],
    )
    movement = forms.ChoiceField(
        label="Movement",
        choices=movement_choices,
        error_messages={**_OF_THE_LIST, "required": "Choose a movement."},
    )
    approaches = forms.MultipleChoiceField(
        label="Approached from",
        choices=note_choices,
        widget=forms.CheckboxSelectMultiple,
        required=False,
        error_messages={"invalid_choice": "%(value)s is no note of the chanter: choose from the list."},
    )
    half = forms.BooleanField(label="From high G play the half doubling instead of the thumb doubling", required=False)
    grip_from_d = forms.ChoiceField(
        label="A grip from D is",
        choices=Customs.GripFromD.choices,
        error_messages={**_OF_THE_LIST, "required": "Choose how a grip from D is played."},
    )
    cut_share = forms.TypedChoiceField(
        label="The short note is",
        coerce=float,
        choices=[(f"{float(cut):.4f}", f"{cut} of a beat") for cut in CUT_SHARES],
        help_text="Start long and shorten it over the weeks.",
        error_messages={**_OF_THE_LIST, "required": "Choose how long the short note is."},
    )
    tempo_bpm = _tempo_field(label="Tempo", help_text="Beats a minute; 50 to 72 for most.")
    repeats = forms.IntegerField(
        label="Times through",
        min_value=1,
        max_value=MAX_REPEATS,
        help_text=f"Up to {MAX_REPEATS}.",
        error_messages=dict.fromkeys(("required", "invalid", "min_value", "max_value"), _REPEATS),
    )

    def __init__(
        self,
        data: Any = None,
        *,
        exercise: Exercise | None = None,
        initial: dict[str, Any] | None = None,
        customs: Customs | None = None,
    ) -> None:
        usual = customs or Customs()
        start: dict[str, Any] = {
            "family": Exercise.Family.SINGLE_THEN_FULL,
            "movement": f"doubling/{Note.E.label}",
            "approaches": [Note.LOW_A.label, Note.D.label, Note.F.label],
            "cut_share": f"{float(CUT_SHARES[0]):.4f}",
            "tempo_bpm": 56,
            "repeats": 2,
            "half": usual.half_from_high_g,
            "grip_from_d": usual.grip_from_d,
        }
        super().__init__(data, initial={**start, **(initial or {}), **(_stored(exercise) if exercise else {})})
        self.fields["title"].help_text = "Left empty, it is named after the movement and the family."
        self.order_fields([name for name in self.fields if name not in ("title", "instruction", "level")])
        self.asked: Family | None = None

    @property
    def comes_from(self) -> dict[str, list[str]]:
        """By the values of `movement`, the values of `approaches` that it can be played from."""
        return {movement: [note.label for note in comes_from(movement)] for movement in MOVEMENTS}

    def clean(self) -> dict[str, Any]:
        data = super().clean() or self.cleaned_data
        if self.errors:
            return data
        approaches = [Note.from_label(label) for label in data["approaches"]]
        if not approaches and data["family"] != Exercise.Family.CHAIN:
            self.add_error("approaches", "Choose at least one note to approach from.")
            return data
        self.asked = family_for(
            data["family"],
            data["movement"],
            approaches,
            repeats=data["repeats"],
            cut_share=data["cut_share"],
            half_from_high_g=data["half"],
            grip_from_d=Note.from_label(data["grip_from_d"]),
        )
        try:
            self.score = self.asked.score(
                tempo_bpm=data["tempo_bpm"], title=data["title"], instruction=data["instruction"]
            )
        except ValueError as error:
            raise ValidationError(sentence(str(error))) from None
        return data

    def fill(self, exercise: Exercise) -> None:
        assert self.score is not None  # the form was found valid
        assert self.asked is not None
        exercise.family = self.asked.family
        exercise.parameters = self.asked.parameters()
        title = self.score.title[:120] if self.cleaned_data["title"] else numbered(self.score.title[:120], exercise)
        exercise.title = title
        exercise.instruction = self.cleaned_data["instruction"]
        exercise.level = self.cleaned_data["level"]
        exercise.abc = to_abc(replace(self.score, title=title))
        exercise.tempo_bpm = self.cleaned_data["tempo_bpm"]


class PhraseForm(_ExerciseForm):
    """A phrase of the tutor's own, as ABC."""

    abc = forms.CharField(
        label="Music in ABC",
        max_length=MAX_ABC,
        strip=False,
        help_text="Key K:HP. Notes G A B c d e f g a; gracenotes in braces before their note, as in {gef}e.",
        error_messages={
            "required": "There is no music yet: write one tune, with its header from X: to K:HP and then its notes.",
            "max_length": f"This music is too long: {MAX_ABC} characters are possible. Write the bars to be practised.",
        },
        widget=forms.Textarea(
            attrs={"class": "abc", "spellcheck": "false", "autocapitalize": "off", "autocomplete": "off"}
        ),
    )
    tempo_bpm = _tempo_field(
        label="Tempo", required=False, help_text="Beats a minute. Left empty, the tempo of the Q: line counts."
    )
    example: Final = "X:1\nT:\nM:4/4\nL:1/4\nQ:1/4=56\nK:HP\n{g}A {d}B {gcd}c {e}A |\n{g}B {gde}d {gef}e2 |]\n"

    def __init__(self, data: Any = None, *, exercise: Exercise | None = None, abc: str = "") -> None:
        initial: dict[str, Any] = {"abc": abc or self.example}
        if exercise is not None:
            initial = {
                "title": exercise.title,
                "instruction": exercise.instruction,
                "abc": exercise.abc,
                "tempo_bpm": exercise.tempo_bpm,
                "level": exercise.level,
            }
        super().__init__(data, initial=initial)
        self.fields["title"].help_text = "Left empty, the T: line names it."
        self.order_fields(["abc", "tempo_bpm", "title", "instruction", "level"])
        self.place: tuple[int, int] | None = None

    def clean_abc(self) -> str:
        # No blank lines are taken from its beginning: the lines that errors name are those in the box.
        abc = str(self.cleaned_data["abc"]).replace("\r\n", "\n").rstrip() + "\n"
        try:
            self.score = read_phrase(abc)
        except ScoreError as error:
            self.place = (error.line, error.column) if error.line else None
            raise ValidationError(sentence(str(error))) from None
        return abc

    def clean(self) -> dict[str, Any]:
        data = super().clean() or self.cleaned_data
        if self.score is None or "tempo_bpm" in self.errors:
            return data
        if data.get("tempo_bpm") is None:
            written = self.score.tempo_bpm
            low, high = TEMPO
            if written is None:
                self.add_error("tempo_bpm", "There is no tempo: write one here, or a Q: line such as Q:1/4=56.")
            elif not low <= written <= high:
                self.add_error(
                    "tempo_bpm", f"The Q: line says {written:g}; {low} to {high} beats a minute are possible."
                )
            else:
                data["tempo_bpm"] = round(written)
        if not (data.get("title") or self.score.title):
            self.add_error("title", "There is no title: write one here, or in the T: line.")
        return data

    def fill(self, exercise: Exercise) -> None:
        assert self.score is not None  # the form was found valid
        exercise.family = Exercise.Family.PHRASE
        exercise.parameters = {}  # what it may have begun as does not say any more what it is
        exercise.title = (self.cleaned_data["title"] or self.score.title)[:120]
        exercise.instruction = self.cleaned_data["instruction"]
        exercise.level = self.cleaned_data["level"]
        exercise.abc = self.cleaned_data["abc"]
        exercise.tempo_bpm = self.cleaned_data["tempo_bpm"]


class FindForm(forms.Form):
    """What exercises are looked for by. Whatever is not known is passed over."""

    q = forms.CharField(
        label="Words in the title", max_length=120, required=False, widget=forms.TextInput(attrs={"type": "search"})
    )
    movement = forms.ChoiceField(label="Movement", required=False, choices=[("", "any"), *kind_choices()])
    approach = forms.ChoiceField(label="Approached from", required=False, choices=[("", "any"), *note_choices()])
    level = forms.ChoiceField(label="Level", required=False, choices=[("", "any"), *Exercise.Level.choices])
    family = forms.ChoiceField(label="Family", required=False, choices=[("", "any"), *Exercise.Family.choices])

    def asked(self) -> dict[str, str]:
        """What is asked for and can be, by the names of the fields."""
        self.is_valid()
        # PostgreSQL cannot look for a null.
        words = self.data.get("q", "").replace("\0", "").strip()[:120]
        found = {**self.cleaned_data, "q": words}
        return {name: str(value) for name, value in found.items() if value}


class CustomsForm(forms.ModelForm):  # type: ignore[type-arg]
    """What a studio writes where teachers differ."""

    class Meta:
        model = Customs
        fields = ("half_from_high_g", "grip_from_d")
        labels = {
            "half_from_high_g": "Half doublings from high G, instead of thumb doublings",
            "grip_from_d": "A grip from D is",
        }
        help_texts = {
            "grip_from_d": "It counts for taorluaths and crunluaths from D as well.",
        }


class HearForm(forms.Form):
    """How a model take is to be played."""

    tempo = _tempo_field(required=False)
    count_in = forms.TypedChoiceField(required=False, coerce=int)
    clicks = forms.BooleanField(required=False)

    def __init__(self, data: Any, *, beats_a_bar: int) -> None:
        super().__init__(data)
        counted = self.fields["count_in"]
        assert isinstance(counted, forms.TypedChoiceField)
        # Each choice is a sound of its own in storage, so there are few.
        counted.choices = [(0, "none"), (beats_a_bar, "one bar")]
        counted.error_messages["invalid_choice"] = f"One bar of {beats_a_bar} beats can be counted in, or none."


def _stored(exercise: Exercise) -> dict[str, Any]:
    family = family_of(exercise)
    if family is None:  # not offered: it is written as ABC
        return {}
    try:
        named_by_family = without_number(exercise.title) == family.score(tempo_bpm=exercise.tempo_bpm).title
    except ValueError:  # what was once written may be refused later; the form will say so
        named_by_family = False
    kept: dict[str, Any] = {
        "family": family.family,
        "movement": family.movement,
        "approaches": [note.label for note in family.approaches],
        "half": family.form == "half",
        "grip_from_d": family.grip_from_d.label,
        "level": exercise.level,
        "tempo_bpm": exercise.tempo_bpm,
        "repeats": family.repeats,
        "title": "" if named_by_family else exercise.title,
        "instruction": exercise.instruction,
    }
    if family.cut_share is not None:
        kept["cut_share"] = f"{family.cut_share:.4f}"
    return kept


def sentence(text: str) -> str:
    """`text` as a whole sentence."""
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")
