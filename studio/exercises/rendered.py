"""Exercises as pictures and sound, made once for each music, options and version of the program."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from functools import cache as once
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from django.core.cache import cache
from django.core.files.base import File
from django.core.files.storage import default_storage
from django.http import HttpRequest, HttpResponse, HttpResponseNotModified
from django.utils import timezone

import analysis
from analysis.chanter import Tuning
from analysis.judgement import Level, Tolerances
from analysis.score import ScoreError, parse_abc

if TYPE_CHECKING:  # numerical libraries: only where something is played
    from analysis.model_player import Manner, Rendering
    from analysis.tone import Instrument

#: Widths that pictures are made for, in CSS pixels; any other is taken down to the next of these.
WIDTHS: Final = (260, 280, 300, 320, 340, 360, 420, 480, 560, 640, 720, 840, 960, 1120)
_USUAL_WIDTH: Final = 960
_KEEP_S: Final = 30 * 24 * 3600
_MODELS: Final = "models"


@once
def program_version() -> str:
    """Changes whenever the code that draws and plays does, so that nothing made by older code is shown."""
    digest = hashlib.sha256("|".join(f"{name} {version(name)}" for name in ("verovio", "numpy", "av")).encode())
    for path in sorted(Path(analysis.__file__).parent.glob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()


def _name(*parts: object) -> str:
    return hashlib.sha256(repr((program_version(), *parts)).encode()).hexdigest()


def fitting_width(width_px: int) -> int:
    """The widest of WIDTHS that is not over `width_px`, or the narrowest."""
    return max((width for width in WIDTHS if width <= width_px), default=WIDTHS[0])


def picture(abc: str, *, width_px: int, beat_points: Mapping[str, str]) -> tuple[str, str]:
    """The music drawn as SVG for a place `width_px` wide, and an entity tag for it. Raises ScoreError on bad ABC."""
    from analysis.engraving import svg  # loads the engraver: only where something is drawn

    width = fitting_width(width_px)
    key = _name("picture", abc, width, sorted(beat_points.items()))
    drawn = cache.get(f"picture:{key}")
    if drawn is None:
        drawn = svg(parse_abc(abc), width_px=width, beat_points=beat_points)
        cache.set(f"picture:{key}", drawn, _KEEP_S)
    return str(drawn), f'"{key[:32]}"'


def picture_answer(request: HttpRequest, abc: str, *, beat_points: Mapping[str, str]) -> HttpResponse:
    """The music drawn, as SVG, for as many CSS pixels as the request's `width` says; 422 where it cannot be read."""
    asked = request.GET.get("width", "")
    width = int(asked) if asked.isdecimal() and len(asked) < 6 else _USUAL_WIDTH
    try:
        drawn, etag = picture(abc, width_px=width, beat_points=beat_points)
    except ScoreError as error:
        return HttpResponse(str(error), status=422, content_type="text/plain; charset=utf-8")
    response: HttpResponse
    if etag in request.headers.get("If-None-Match", ""):
        response = HttpResponseNotModified()
    else:
        response = HttpResponse(drawn, content_type="image/svg+xml")
    response["ETag"] = etag
    response["Cache-Control"] = "private, no-cache"
    return response


@dataclass(frozen=True)
class Hearing:
    """How music is to be heard. Two of the same values are the same sound, made once.

    `word` makes it the example of a flag code instead of the whole: right, or with `wrong` the fault in it. `slow`:
    everything at half speed, gracenotes too. `ring`: a sound that goes round without a gap, its count-in left out.
    """

    tempo_bpm: int
    count_in: int = 0
    clicks: bool = False
    instrument: Instrument = "practice chanter"
    drones: bool = True
    low_a_hz: float | None = None
    tuning: Tuning = "harmonic"
    lengths: Level = "standard"
    limits: tuple[tuple[str, float], ...] = ()
    beat_points: tuple[tuple[str, str], ...] = ()
    word: str = ""
    wrong: bool = False
    slow: bool = False
    ring: bool = False


SLOW: Final = 2.0
ENDINGS: Final = {"flac": "audio/flac", "wav": "audio/wav", "mp3": "audio/mpeg"}
#: Those that come as files to keep; the first is only played.
FILES: Final = ("wav", "mp3", "flac")


def model_take(
    abc: str,
    *,
    tempo_bpm: int,
    count_in: int,
    clicks: bool,
    tuning: str,
    beat_points: Mapping[str, str] | None = None,
    ending: str = "flac",
) -> str:
    """The storage name of the music played right, 48 kHz mono, in one of ENDINGS.

    `count_in` beats are clicked before it; `clicks` go on through it. Raises ScoreError on bad ABC and ValueError where
    it would be longer than 15 minutes.
    """
    hearing = Hearing(
        tempo_bpm=tempo_bpm,
        count_in=count_in,
        clicks=clicks,
        tuning="older" if tuning == "older" else "harmonic",
        beat_points=tuple(sorted((beat_points or {}).items())),
    )
    return sound_file(abc, hearing, ending=ending)


def sound_file(abc: str, hearing: Hearing, *, ending: str = "flac") -> str:
    """The storage name of the music as `hearing` wants it, 48 kHz mono, in one of ENDINGS.

    Raises ScoreError on bad ABC and ValueError where it would be longer than 15 minutes.
    """
    if ending not in ENDINGS:
        raise ValueError(f"{ending!r} cannot be made; {', '.join(ENDINGS)} can")
    name = f"{_MODELS}/{_name('model', abc, hearing)}.{ending}"
    if default_storage.exists(name):
        return name
    from analysis.rooms import encode

    played = _played(abc, hearing)
    with tempfile.TemporaryDirectory(prefix="model-") as folder:
        path = Path(folder, f"model.{ending}")
        encode(np.asarray(played.samples, dtype=np.float32), played.rate_hz, path, quick=True)
        with path.open("rb") as file:
            # Two who ask at once may both make it; the storage then gives the second another name, which is as good.
            return default_storage.save(name, File(file))


def manner_of(hearing: Hearing) -> Manner:
    """How the player plays for `hearing`."""
    from analysis.model_player import model_manner

    return model_manner(
        hearing.lengths,
        tempo_bpm=hearing.tempo_bpm,
        count_in=0 if hearing.ring else hearing.count_in,
        clicks=hearing.clicks,
        beat_points=dict(hearing.beat_points),
        limits=Tolerances(**dict(hearing.limits)),
    )


def _played(abc: str, hearing: Hearing) -> Rendering:
    from analysis.examples import examples
    from analysis.model_player import Voice, loop, perform, render, stretched

    score = parse_abc(abc)
    manner = manner_of(hearing)
    faults: dict[int, str] = {}
    if hearing.word:
        example = next(found for found in examples(score, manner) if found.code == hearing.word)
        score = example.score
        faults = {example.index: hearing.word} if hearing.wrong else {}
    performance = perform(score, manner, faults=faults)
    if hearing.slow:
        performance = stretched(performance, SLOW)
    voice = Voice(hearing.instrument, hearing.low_a_hz, hearing.tuning)
    if hearing.ring:
        return loop(performance, voice=voice, drones=hearing.drones)
    return render(score, performance=performance, voice=voice, drones=hearing.drones)


def remove_old_models() -> int:
    """Delete model takes that were made long ago, by this version or another; how many went. They are made anew when
    somebody asks."""
    if not default_storage.exists(_MODELS):
        return 0
    limit = timezone.now() - timedelta(seconds=_KEEP_S)
    names = [f"{_MODELS}/{file}" for file in default_storage.listdir(_MODELS)[1]]
    old = [name for name in names if default_storage.get_modified_time(name) < limit]
    for name in old:
        default_storage.delete(name)
    return len(old)
