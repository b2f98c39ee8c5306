"""What the pages of an exercise and of a library entry have in common: the music in words, and how it sounds."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest, HttpResponseBadRequest, HttpResponseBase
from django.utils.text import slugify

from analysis.score import Score, ScoreError, parse_abc
from studio import ranges
from studio.exercises.forms import HearForm
from studio.exercises.models import Exercise
from studio.exercises.rendered import ENDINGS, FILES, model_take
from studio.exercises.writing import length_of


def shown(request: HttpRequest, exercise: Exercise, *, model_address: str, tempo_bpm: int) -> dict[str, Any]:
    """What the template of a page needs to show `exercise`, practised at `tempo_bpm`, and to let it be heard from
    `model_address`."""
    from analysis.engraving import describe

    score, problem = _read(exercise)
    hear = HearForm(request.GET, beats_a_bar=exercise.beats_a_bar)
    hear.is_valid()
    tempo = hear.cleaned_data.get("tempo") or tempo_bpm
    sound = request.GET.get("sound", "")
    asked = {"tempo": tempo, "count_in": exercise.beats_a_bar if sound else 0, "clicks": int(sound == "clicks")}
    return {
        "exercise": exercise,
        "problem": problem,
        "description": describe(score).splitlines() if score else [],
        "length": length_of(score, tempo_bpm) if score else None,
        "usual_tempo": tempo_bpm,
        "tempo": tempo,
        "sound": sound,
        "model_address": model_address,
        "sound_address": _address(model_address, asked),
        "files": [(_address(model_address, {**asked, "as": kind}), kind) for kind in FILES],
    }


def model_answer(request: HttpRequest, exercise: Exercise) -> HttpResponseBase:
    """The exercise played right, at the `tempo` asked for, after `count_in` clicks, with `clicks` all through it; to
    keep, `as` one of FILES."""
    form = HearForm(request.GET, beats_a_bar=exercise.beats_a_bar)
    if not form.is_valid():
        return _refused(str(next(iter(form.errors.values()))[0]))
    asked, kept = form.cleaned_data, request.GET.get("as", "")
    if kept not in ("", *FILES):
        return _refused(f"The sound can be had as {', '.join(FILES)}.")
    ending = kept or "flac"
    tempo_bpm = asked["tempo"] or exercise.tempo_bpm
    try:
        name = model_take(
            exercise.abc,
            tempo_bpm=tempo_bpm,
            count_in=asked["count_in"] or 0,
            clicks=asked["clicks"],
            tuning=exercise.studio.tuning,
            beat_points=exercise.studio.beat_points,
            ending=ending,
        )
    except ValueError as error:
        return _refused(str(error))
    response = ranges.serve_stored(request, name, content_type=ENDINGS[ending])
    if kept:
        called = f"{slugify(exercise.title) or 'exercise'}-{tempo_bpm}.{ending}"
        response["Content-Disposition"] = f'attachment; filename="{called}"'
    return response


def _address(model_address: str, asked: dict[str, Any]) -> str:
    return f"{model_address}?{urlencode({name: value for name, value in asked.items() if value})}"


def _refused(said: str) -> HttpResponseBadRequest:
    return HttpResponseBadRequest(said, content_type="text/plain; charset=utf-8")


def _read(exercise: Exercise) -> tuple[Score | None, str]:
    """The exercise's music, or why it cannot be read: what was once saved may be refused by a later reader of ABC."""
    try:
        return parse_abc(exercise.abc), ""
    except ScoreError as error:
        return None, str(error)
