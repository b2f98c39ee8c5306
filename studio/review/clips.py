"""Clips: the sound of one movement or stretch, evened in loudness, at full speed or slower with its pitch kept.

A clip begins and ends with a short fade, so that a loop of it has no click at its seam. Clips are made when asked for
and kept beside each other in storage, so many a take at most (:data:`MOST_KEPT`); they go with their take.
"""

from __future__ import annotations

import hashlib
import tempfile
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, cast

from django.core.cache import cache
from django.core.files.base import File
from django.core.files.storage import default_storage
from django.utils import timezone

from analysis.judgement import Level
from analysis.report import MovementReport, Report
from studio.exercises.rendered import program_version
from studio.people.access import studio_of
from studio.takes.models import Movement, Take

if TYPE_CHECKING:  # numerical libraries: only where something is to be heard
    from analysis.stretch import Floats

#: How many times slower a clip may be.
SLOWER: Final = (1, 2, 4, 8)
#: What is heard before and after a movement, in seconds: the note it comes from, and the one it goes to.
LEAD_S: Final = 0.5
TAIL_S: Final = 0.6
SHORTEST_S: Final = 0.03
LONGEST_S: Final = 12.0
FADE_S: Final = 0.006
MOST_KEPT: Final = 40
KEEP: Final = timedelta(days=3)
_FOLDER: Final = "clips"
_RATE_HZ: Final = 48_000
#: The level that everything is brought to, as RMS of what is played, and how far quiet takes are raised for it.
_LEVEL: Final = 0.13
_MOST_GAIN: Final = 20.0
_LIMIT: Final = 0.9
_KEEP_LOUDNESS_S: Final = 30 * 24 * 3600


class ClipError(ValueError):
    """A clip that cannot be made. The message is one plain sentence."""


@dataclass(frozen=True)
class Span:
    """From and to, in seconds of the take."""

    start_s: float
    end_s: float


def movement_of(take: Take, index: int) -> MovementReport:
    """The take's movement `index`. Raises ClipError where there is none."""
    entries = cast(Report, take.report)["movements"]
    found = next((entry for entry in entries if entry["index"] == index), None)
    if found is None:
        raise ClipError(f"There is no movement {index + 1} in this take; it has {len(entries)}.")
    return found


def span_of(take: Take, index: int) -> Span:
    """The movement with a little before and after. Raises ClipError where it was not played."""
    movement = movement_of(take, index)
    start = movement["start_s"]
    if start is None:
        raise ClipError("This movement was not played, so there is nothing of it to hear.")
    end = movement["end_s"] if movement["end_s"] is not None else start
    return checked(take, start - LEAD_S, end + TAIL_S)


def checked(take: Take, start_s: float, end_s: float) -> Span:
    """The stretch within the take's bounds. Raises ClipError for one that is empty, or longer than a clip may be."""
    whole = cast(Report, take.report)["recording"]["duration_s"]
    start, end = max(0.0, start_s), min(whole, end_s)
    if not end - start >= SHORTEST_S:
        raise ClipError(f"The stretch is empty; choose one of at least {1000 * SHORTEST_S:.0f} ms within the take.")
    if end - start > LONGEST_S:
        raise ClipError(f"The stretch is {end - start:.0f} s long; up to {LONGEST_S:.0f} s can be played so.")
    return Span(round(start, 3), round(end, 3))


def own_clip(take: Take, span: Span, slower: int) -> str:
    """The storage name of the take's own sound over `span`. Raises FileNotFoundError when the sound is gone."""
    name = _name(take, "own", take.audio, span, slower)
    if not default_storage.exists(name):
        gain = loudness_gain(take)
        _store(name, _slow(_read(take, span) * gain, slower), take)
    return name


def model_clip(take: Take, index: int, slower: int) -> str:
    """The storage name of the same movement played clean: at the take's tempo and pitch, with as much before and after.

    Raises ClipError where nobody has written how it goes.
    """
    from analysis.model_player import Voice, model_manner, perform, render, stretched

    entry, report, studio = movement_of(take, index), cast(Report, take.report), studio_of(take.learner)
    written = _written(take, entry)
    if written is None:
        raise ClipError("Nobody has written how this movement goes, so it cannot be played as a model.")
    score, place = written
    tempo = report["beat"]["tempo_bpm"] or take.tempo_bpm or score.tempo_bpm or 60.0
    level, points = cast(Level, studio.level), studio.beat_points
    instrument = report["instrument"]
    name = _name(take, "model", index, entry.get("written_index"), slower, tempo, instrument["low_a_hz"], level, points)
    if default_storage.exists(name):
        return name
    performance = perform(score, model_manner(level, tempo_bpm=tempo, beat_points=points))
    performance = stretched(performance, slower)
    voice = Voice(instrument["kind"], instrument["low_a_hz"], "older" if studio.tuning == "older" else "harmonic")
    sound = render(score, performance=performance, voice=voice)
    movement = performance.movements[place]
    lasting = sum(length for _, length in movement.parts) / 1000.0
    start, end = movement.start_s - slower * LEAD_S, movement.start_s + lasting + slower * TAIL_S
    samples = _padded(sound.samples, start, end)
    _store(name, _limited(samples * _gain(samples)), take)
    return name


def has_model(take: Take, entry: MovementReport) -> bool:
    """Whether the movement can be played as a model."""
    return _written(take, entry) is not None


def last_clean(take: Take, entry: MovementReport) -> Movement | None:
    """The last time that the learner played this movement clean, in another place than here: from the same note if
    there is one, else from any. Earlier in this take counts as well."""
    same = Movement.objects.filter(
        take__learner_id=take.learner_id, take__state=Take.State.READY, kind=entry["kind"], form=entry["form"],
        on=entry["on"], clean=True, start_s__isnull=False,
    ).exclude(take=take, index=entry["index"])  # fmt: skip
    same = same.select_related("take").defer("take__report").order_by("-take__created_at", "-index")
    return same.filter(approach=entry["from"] or "").first() or same.first()


def loudness_gain(take: Take) -> float:
    """What the take's sound is to be multiplied by, so that it sounds as loud as others."""
    key = f"loudness:{hashlib.sha256(take.audio.encode()).hexdigest()}"
    found = cache.get(key)
    if found is None:
        found = _gain(_read(take, None))
        cache.set(key, found, _KEEP_LOUDNESS_S)
    return float(found)


def pitch_of(take: Take, span: Span) -> dict[str, Any]:
    """The trace of the pitch over `span`, as plain lists."""
    from dataclasses import asdict

    from analysis.pitch_trace import trace

    report = cast(Report, take.report)
    hertz = {note: entry["hz"] for note, entry in report["instrument"]["notes"].items()}
    sounded = [note for note in report["notes"] if note["end_s"] > span.start_s and note["start_s"] < span.end_s]
    # Half the rate is more than enough for six harmonics, and half the work.
    samples = _read(take, span)[::2]
    return asdict(trace(samples, sounded, hertz, rate_hz=_RATE_HZ // 2, start_s=span.start_s))


def remove_clips(take_key: Any) -> None:
    """Delete all clips of a take."""
    for name, _ in _kept(f"{_FOLDER}/{take_key}"):
        default_storage.delete(name)


def remove_old_clips() -> int:
    """Delete clips made more than :data:`KEEP` ago; how many went. They are made anew when somebody asks."""
    if not default_storage.exists(_FOLDER):
        return 0
    limit, removed = timezone.now() - KEEP, 0
    for folder in default_storage.listdir(_FOLDER)[0]:
        for name, made in _kept(f"{_FOLDER}/{folder}"):
            if made < limit:
                default_storage.delete(name)
                removed += 1
    return removed


def _kept(folder: str) -> list[tuple[str, Any]]:
    if not default_storage.exists(folder):
        return []
    names = [f"{folder}/{file}" for file in default_storage.listdir(folder)[1]]
    return [(name, default_storage.get_modified_time(name)) for name in names]


def _name(take: Take, *parts: object) -> str:
    digest = hashlib.sha256(repr((program_version(), *parts)).encode()).hexdigest()
    return f"{_FOLDER}/{take.pk}/{digest}.flac"


def _store(name: str, samples: Floats, take: Take) -> None:
    from analysis.rooms import encode

    kept = sorted(_kept(f"{_FOLDER}/{take.pk}"), key=lambda entry: entry[1])
    for old, _ in kept[: max(0, len(kept) + 1 - MOST_KEPT)]:
        default_storage.delete(old)
    _fade(samples)
    with tempfile.TemporaryDirectory(prefix="clip-") as folder:
        path = encode(samples, _RATE_HZ, Path(folder, "clip.flac"))
        with path.open("rb") as file:
            default_storage.save(name, File(file))


def _read(take: Take, span: Span | None) -> Floats:
    """The take's samples over `span`, or all of them."""
    import soundfile

    with default_storage.open(take.audio, "rb") as stored, soundfile.SoundFile(stored) as file:
        start, frames = 0, -1
        if span is not None:
            start = min(round(span.start_s * file.samplerate), file.frames)
            frames = min(round((span.end_s - span.start_s) * file.samplerate), file.frames - start)
        file.seek(start)
        return cast("Floats", file.read(frames, dtype="float32"))


def _slow(samples: Floats, slower: int) -> Floats:
    from analysis.stretch import stretch

    return _limited(stretch(samples, float(slower), rate_hz=_RATE_HZ))


def _gain(samples: Floats) -> float:
    """By the RMS of what is played, pauses left out, and not so far that the sound would be clipped."""
    import numpy as np

    block = _RATE_HZ // 20
    whole = samples[: samples.size // block * block].reshape(-1, block)
    if whole.size == 0:
        return 1.0
    power = np.mean(np.square(whole), axis=1)
    played = power[power > 0.01 * np.quantile(power, 0.95)]
    level = float(np.sqrt(np.mean(played))) if played.size else 0.0
    return min(_LEVEL / level, _MOST_GAIN) if level > 1e-6 else 1.0


def _limited(samples: Floats) -> Floats:
    """Samples beyond the limit bent under 1: a metronome's click may be far louder than the chanter."""
    import numpy as np

    over = np.abs(samples) > _LIMIT
    room = 1.0 - _LIMIT
    bent = _LIMIT + room * np.tanh((np.abs(samples[over]) - _LIMIT) / room)
    result = samples.astype(np.float32, copy=True)
    result[over] = np.sign(samples[over]) * bent
    return result


def _fade(samples: Floats) -> None:
    import numpy as np

    length = min(round(FADE_S * _RATE_HZ), samples.size // 2)
    ramp = (0.5 - 0.5 * np.cos(np.pi * (np.arange(length) + 0.5) / max(1, length))).astype(np.float32)
    samples[:length] *= ramp
    samples[samples.size - length :] *= ramp[::-1]


def _padded(samples: Floats, start_s: float, end_s: float) -> Floats:
    """`samples` from `start_s` to `end_s`, silent where there are none."""
    import numpy as np

    start, end = round(start_s * _RATE_HZ), round(end_s * _RATE_HZ)
    result = np.zeros(end - start, dtype=np.float32)
    part = samples[max(0, start) : max(0, end)]
    at = max(0, -start)
    result[at : at + part.size] = part
    return result


def _written(take: Take, entry: MovementReport) -> tuple[Any, int] | None:
    """A score of a few beats with the movement in it, and which movement of it that is."""
    from analysis.examples import excerpt
    from analysis.score import ScoreError, parse_abc

    index = entry.get("written_index")
    if take.abc and index is not None:
        try:
            score = parse_abc(take.abc)
        except ScoreError:  # music that a later reader of ABC refuses
            return _by_name(entry)
        if index < len(score.movements):
            return excerpt(score, index)
    return _by_name(entry)


def _by_name(entry: MovementReport) -> tuple[Any, int] | None:
    """The movement as the vocabulary spells it, after two beats of the note it was approached from."""
    from fractions import Fraction

    from analysis.chanter import Note
    from analysis.movements import spelling
    from analysis.score import Score, ThemeNote

    names = {note.label: note for note in Note}
    on, approach = names.get(entry["on"]), names.get(entry["from"] or "")
    spelt = (
        spelling(entry["kind"], on, approach, form=entry["form"]) if on is not None and approach is not None else None
    )
    if spelt is None or on is None or approach is None or spelt.themes:
        return None
    two = Fraction(2)
    first = ThemeNote(approach, Fraction(0), two, 1, Fraction(1))
    second = ThemeNote(on, two, two, 1, Fraction(3), spelt.gracenotes)
    return Score("", (4, 4), Fraction(1, 4), None, (first, second)), 0
