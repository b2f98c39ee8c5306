"""Listening: an exercise played as its listener wants it, and what the words for faults mean, right beside wrong.

The model sounds at a learner's own low A: that of the last take of theirs, on the same instrument, that was analysed.
"""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Any, Final, TypedDict, cast
from urllib.parse import urlencode

from django import forms
from django.http import Http404, HttpResponse, HttpResponseBadRequest, HttpResponseBase
from django.shortcuts import render
from django.urls import reverse
from django.utils.text import slugify
from django.views.decorators.http import require_safe

from analysis.chanter import Tuning
from analysis.judgement import Level, tolerances
from analysis.report import FLAGS, Flag
from analysis.score import Score, ScoreError, WrittenMovement, parse_abc
from studio import ranges
from studio.exercises.access import exercise_or_404
from studio.exercises.forms import TEMPO
from studio.exercises.models import Exercise
from studio.exercises.rendered import ENDINGS, FILES, Hearing, manner_of, sound_file
from studio.exercises.set_for import tempo_for
from studio.people.access import PersonRequest, member_required
from studio.people.models import User

#: Each fault's word, as the review says it (a test holds them together), and what it means.
WORDS: Final[dict[Flag, tuple[str, str]]] = {
    "late": ("late", "The movement meets its beat too late."),
    "early": ("early", "All of the movement comes before its beat."),
    "beat-on-second": ("beat on the second", "The second gracenote stands on the beat, where the first belongs."),
    "run-together": ("run together", "There is no room for the note between the two gracenotes."),
    "missing-gracenote": ("gracenote missing", "A gracenote that is written does not sound."),
    "wrong-gracenote": ("another note", "Another finger’s note sounds in a gracenote’s place."),
    "heavy-gracenote": ("heavy", "A gracenote is so long that it sounds like a note of the tune."),
    "crossing-noise": ("crossing noise", "A note that nobody wrote slips in while the fingers change."),
    "uneven": ("uneven", "The parts of the movement are of unlike length."),
    "missed": ("not played", "The movement is left out; only its theme note comes."),
}
#: Words about the beat: their examples click always, or there would be nothing to hear.
_ON_THE_BEAT: Final = frozenset({"late", "early", "beat-on-second"})
#: A model's low A is rounded to this, in hertz: nobody hears it, and fewer sounds are made.
_LOW_A_STEP_HZ: Final = 0.2
_LOW_A_HZ: Final = {"practice chanter": (180.0, 320.0), "pipes": (400.0, 560.0)}
_INSTRUMENTS: Final = {
    "practice": "practice chanter",
    "pipes": "pipes with drones",
    "pipes-alone": "pipe chanter without drones",
}
_LENGTHS: Final = {"gentle": "long", "standard": "usual", "strict": "short"}


class ListenForm(forms.Form):
    """How an exercise is to be heard. Whatever is left out is as the studio and the learner have it."""

    tempo = forms.IntegerField(label="Tempo", min_value=TEMPO[0], max_value=TEMPO[1], required=False)
    speed = forms.ChoiceField(
        label="Speed", choices=[("", "full speed"), ("half", "half speed, gracenotes too")], required=False
    )
    beat = forms.ChoiceField(
        label="The beat",
        choices=[("", "no clicks"), ("count-in", "one bar counted in"), ("clicks", "clicks all the way")],
        required=False,
    )
    instrument = forms.ChoiceField(label="Instrument", choices=list(_INSTRUMENTS.items()), required=False)
    low_a = forms.ChoiceField(
        label="Low A", choices=[("", "as in your last take"), ("usual", "a usual one")], required=False
    )
    lengths = forms.ChoiceField(label="Gracenotes", choices=list(_LENGTHS.items()), required=False)

    def __init__(self, data: Any, *, exercise: Exercise, listener: User) -> None:
        super().__init__(data, auto_id="listen-%s")
        self.exercise, self.listener = exercise, listener
        low, high = TEMPO
        tempo = self.fields["tempo"]
        for kind in ("invalid", "min_value", "max_value"):
            tempo.error_messages[kind] = f"The tempo is a whole number of beats a minute, from {low} to {high}."
        tempo.initial = self.tempo_bpm = tempo_for(exercise, listener)
        tempo.widget.attrs.update({"inputmode": "numeric", "step": "1"})
        self.fields["lengths"].initial = exercise.studio.level
        if not any(low_a_of(listener, kind) for kind in _LOW_A_HZ):
            del self.fields["low_a"]

    def hearing(self) -> Hearing:
        """What was chosen. The form must be valid."""
        asked, studio = self.cleaned_data, self.exercise.studio
        chosen = asked.get("instrument") or "practice"
        instrument: Any = "practice chanter" if chosen == "practice" else "pipes"
        level = cast(Level, studio.level)
        return Hearing(
            tempo_bpm=asked["tempo"] or self.tempo_bpm,
            count_in=self.exercise.beats_a_bar if asked["beat"] else 0,
            clicks=asked["beat"] == "clicks",
            instrument=instrument,
            drones=chosen != "pipes-alone",
            low_a_hz=None if asked.get("low_a") == "usual" else low_a_of(self.listener, instrument),
            tuning=cast(Tuning, studio.tuning),
            lengths=cast(Level, asked.get("lengths") or level),
            limits=tuple(sorted(asdict(tolerances(level, studio.tolerances)).items())),
            beat_points=tuple(sorted(studio.beat_points.items())),
            slow=asked["speed"] == "half",
        )


def low_a_of(person: User, instrument: str) -> float | None:
    """The low A of this person's last analysed take on `instrument`, in hertz, rounded; None where there is none."""
    # Takes build on exercises, so they are reached by name.
    found = (
        person.takes.filter(state="ready", report__instrument__kind=instrument)
        .order_by("-created_at")
        .values_list("report__instrument__low_a_hz", flat=True)
        .first()
    )
    low, high = _LOW_A_HZ[instrument]
    if not isinstance(found, int | float) or not low <= found <= high:
        return None
    return round(round(found / _LOW_A_STEP_HZ) * _LOW_A_STEP_HZ, 1)


class Word(TypedDict):
    """A word for a fault, with its example. `own`: the example is from the exercise."""

    code: Flag
    word: str
    meaning: str
    example: str
    own: bool
    right: str
    wrong: str


@member_required
@require_safe
def listen(request: PersonRequest, pk: int) -> HttpResponse:
    """The exercise with all choices of hearing it, and each word for a fault with right and wrong side by side."""
    exercise = exercise_or_404(request.user, pk)
    form = ListenForm(request.GET if request.GET else None, exercise=exercise, listener=request.user)
    score, problem = _read(exercise)
    hearing = form.hearing() if form.is_valid() else None
    address = reverse("exercises:listen-sound", args=[pk])
    query = {name: value for name in form.fields if (value := request.GET.get(name)) and hearing}
    context = {
        "exercise": exercise,
        "problem": problem,
        "form": form,
        "address": address,
        "sound": _with(address, query),
        "files": [(_with(address, {**query, "as": kind}), kind) for kind in FILES],
        "words": _words(score, hearing or _usual(exercise, request.user), address, query) if score else [],
    }
    return render(request, "exercises/listen.html", context)


@member_required
@require_safe
def listen_sound(request: PersonRequest, pk: int) -> HttpResponseBase:
    """The exercise as sound.

    Beside the form's choices the address may say `word` (a flag code: its example alone), `wrong` (with the fault in
    it), `ring` (to go round without a gap), and `as` (flac, wav or mp3: as a file to keep).
    """
    exercise = exercise_or_404(request.user, pk)
    form = ListenForm(request.GET, exercise=exercise, listener=request.user)
    if not form.is_valid():
        return _refused(str(next(iter(form.errors.values()))[0]))
    word, ending = request.GET.get("word", ""), request.GET.get("as", "flac")
    if (word and word not in FLAGS) or ending not in ENDINGS:
        raise Http404("no such sound")
    wrong, ring = bool(word and request.GET.get("wrong")), bool(request.GET.get("ring"))
    wanted = replace(form.hearing(), word=word, wrong=wrong, ring=ring)
    if word in _ON_THE_BEAT:
        wanted = replace(wanted, clicks=True)
    try:
        name = sound_file(exercise.abc, wanted, ending=ending)
    except ValueError as error:
        return _refused(str(error))
    response = ranges.serve_stored(request, name, content_type=ENDINGS[ending])
    if request.GET.get("as"):
        called = "-".join([slugify(exercise.title) or "exercise", *([word] if word else []), str(wanted.tempo_bpm)])
        response["Content-Disposition"] = f'attachment; filename="{called}.{ending}"'
    return response


def _refused(said: str) -> HttpResponse:
    return HttpResponseBadRequest(said, content_type="text/plain; charset=utf-8")


def _read(exercise: Exercise) -> tuple[Score | None, str]:
    try:
        return parse_abc(exercise.abc), ""
    except ScoreError as error:
        return None, str(error)


def _usual(exercise: Exercise, listener: User) -> Hearing:
    form = ListenForm({}, exercise=exercise, listener=listener)
    form.is_valid()
    return form.hearing()


def _words(score: Score, hearing: Hearing, address: str, query: dict[str, str]) -> list[Word]:
    from analysis.examples import examples

    return [
        {
            "code": example.code,
            "word": WORDS[example.code][0],
            "meaning": WORDS[example.code][1],
            "example": _named(example.movement),
            "own": example.own,
            "right": _with(address, {**query, "word": example.code}),
            "wrong": _with(address, {**query, "word": example.code, "wrong": "1"}),
        }
        for example in examples(score, manner_of(hearing))
    ]


def _named(movement: WrittenMovement) -> str:
    kind = {"gracenote": f"{movement.gracenotes[0].label} gracenote"}.get(movement.kind, movement.kind)
    if movement.form in ("half", "thumb", "light", "heavy"):
        kind = f"{movement.form} {kind}"
    on = "" if movement.kind == "throw on D" else f" on {movement.on.label}"
    return f"{kind}{on} from {movement.approach.label}" if movement.approach is not None else f"{kind}{on}"


def _with(address: str, query: dict[str, str]) -> str:
    return f"{address}?{urlencode(query)}" if query else address
