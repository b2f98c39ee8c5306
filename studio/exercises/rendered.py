"""Exercises as pictures and sound, made once for each music, options and version of the program."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Mapping
from datetime import timedelta
from functools import cache as once
from importlib.metadata import version
from pathlib import Path
from typing import Final

import numpy as np
from django.core.cache import cache
from django.core.files.base import File
from django.core.files.storage import default_storage
from django.http import HttpRequest, HttpResponse, HttpResponseNotModified
from django.utils import timezone

import analysis
from analysis.score import ScoreError, parse_abc

#: Widths that pictures are made for, in CSS pixels; any other is taken down to the next of these.
WIDTHS: Final = (320, 360, 420, 480, 560, 640, 720, 840, 960, 1120)
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


def model_take(abc: str, *, tempo_bpm: int, count_in: int, clicks: bool, tuning: str) -> str:
    """The storage name of the music played right, as 48 kHz mono FLAC.

    `count_in` beats are clicked before it; `clicks` go on through it. Raises ScoreError on bad ABC and ValueError where
    it would be longer than 15 minutes.
    """
    name = f"{_MODELS}/{_name('model', abc, tempo_bpm, count_in, clicks, tuning)}.flac"
    if default_storage.exists(name):
        return name
    from analysis.model_player import render
    from analysis.rooms import encode

    played = render(
        parse_abc(abc),
        tempo_bpm=tempo_bpm,
        count_in=count_in,
        clicks=clicks,
        tuning="older" if tuning == "older" else "harmonic",
    )
    with tempfile.TemporaryDirectory(prefix="model-") as folder:
        path = encode(np.asarray(played.samples, dtype=np.float32), played.rate_hz, Path(folder, "model.flac"))
        with path.open("rb") as file:
            # Two who ask at once may both make it; the storage then gives the second another name, which is as good.
            return default_storage.save(name, File(file))


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
