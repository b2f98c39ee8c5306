"""A score as sound: our own synthesizer playing a model take, with the beat audible if wanted."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from analysis.chanter import Tuning
from analysis.faults import Fault
from analysis.judgement import Level, Tolerances, tolerances
from analysis.performance import Manner, Performance, PlayedMovement, PlayedNote, perform, stretched
from analysis.score import Score
from analysis.tone import Floats, Instrument, Voice, circle, sound

__all__ = [
    "Fault",
    "Manner",
    "Performance",
    "PlayedMovement",
    "PlayedNote",
    "Rendering",
    "Voice",
    "loop",
    "model_manner",
    "perform",
    "render",
    "stretched",
    "strokes",
]

Stroke = Literal["click", "tap"]

MAX_DURATION_S: Final = 15 * 60.0
TOO_LONG: Final = "the music would take longer than 15 minutes; fewer repeats or a quicker tempo would do"
#: The silence before a model take: it starts at once.
LEAD_S: Final = 0.15
#: How long a gracenote and the theme note between two sound in a model, in ms: as long as a level wants them.
LENGTHS_MS: Final[Mapping[Level, tuple[float, float]]] = {
    "gentle": (70.0, 85.0),
    "standard": (45.0, 65.0),
    "strict": (35.0, 50.0),
}


@dataclass(frozen=True)
class Rendering:
    """`samples`: float32 mono within -1..1 at `rate_hz`; `notes` and `beats_s` say when what sounds."""

    samples: Floats
    rate_hz: int
    notes: tuple[PlayedNote, ...]
    beats_s: tuple[float, ...]
    performance: Performance


def render(
    score: Score,
    *,
    tempo_bpm: float | None = None,
    low_a_hz: float | None = None,
    instrument: Instrument = "practice chanter",
    count_in: int = 0,
    clicks: bool = False,
    gracenote_ms: float = 45.0,
    rate_hz: int = 48_000,
    performance: Performance | None = None,
    tuning: Tuning = "harmonic",
    voice: Voice | None = None,
    stroke: Stroke = "click",
    stroke_level: float = 0.5,
    drones: bool = True,
) -> Rendering:
    """`score` played exactly, or the given `performance` of it.

    `low_a_hz` defaults to 236 for the practice chanter and 476 for the pipes; `count_in` beats are clicked before the
    music, `clicks` go on through it. `voice` overrides instrument, low A and tuning. A model take starts at once:
    with a count-in on the first click. Raises ValueError where the music would be longer than 15 minutes.
    """
    if performance is None:
        manner = Manner(tempo_bpm=tempo_bpm, count_in=count_in, clicks=clicks, gracenote_ms=gracenote_ms, lead_s=LEAD_S)
        performance = perform(score, manner)
    if performance.duration_s > MAX_DURATION_S:
        raise ValueError(TOO_LONG)
    voice = voice or Voice(instrument, low_a_hz, tuning)
    samples = sound(performance.notes, voice, duration_s=performance.duration_s, rate_hz=rate_hz, drones=drones)
    samples += stroke_level * strokes(
        performance.strokes_s,
        performance.first_beats_s,
        duration_s=performance.duration_s,
        rate_hz=rate_hz,
        kind=stroke,
    )
    np.clip(samples, -1, 1, out=samples)
    return Rendering(samples, rate_hz, performance.notes, performance.beats_s, performance)


def model_manner(
    level: Level,
    *,
    tempo_bpm: float | None = None,
    count_in: int = 0,
    clicks: bool = False,
    beat_points: Mapping[str, str] | None = None,
    limits: Tolerances | None = None,
    seed: int = 1,
) -> Manner:
    """How a model is played for a learner at `level`; faults on purpose go beyond `limits` (None: the level's own)."""
    gracenote_ms, gap_ms = LENGTHS_MS[level]
    return Manner(
        tempo_bpm=tempo_bpm,
        count_in=count_in,
        clicks=clicks,
        gracenote_ms=gracenote_ms,
        gap_ms=gap_ms,
        beat_points=beat_points or {},
        lead_s=LEAD_S,
        seed=seed,
        limits=limits or tolerances(level),
    )


def loop(
    performance: Performance,
    *,
    voice: Voice,
    rate_hz: int = 48_000,
    stroke_level: float = 0.5,
    drones: bool = True,
) -> Rendering:
    """`performance` as a sound that goes round without a gap: exactly as long as its beats, from its first note on.

    Its count-in, if any, is left out; the strokes inside it stay. Music that begins or ends with a rest keeps it.
    """
    first, end = performance.notes[0].start_s, performance.beats_s[-1]
    period = end - performance.beats_s[0]
    if period > MAX_DURATION_S:
        raise ValueError(TOO_LONG)
    notes = list(performance.notes)
    if first < performance.beats_s[0] + 0.5 * _beat_s(performance) and notes[-1].end_s > end - 0.001:
        notes[-1] = replace(notes[-1], end_s=first + period)
    samples = circle(notes, voice, period_s=period, rate_hz=rate_hz, drones=drones)
    heard = [time - first for time in performance.strokes_s if time >= performance.beats_s[0] - 0.001]
    accented = {time - first for time in performance.first_beats_s}
    clicked = strokes(heard, accented, duration_s=period + _beat_s(performance), rate_hz=rate_hz)
    clicked[: clicked.size - samples.size] += clicked[samples.size :]
    samples += stroke_level * clicked[: samples.size]
    np.clip(samples, -1, 1, out=samples)
    return Rendering(samples, rate_hz, performance.notes, performance.beats_s, performance)


def _beat_s(performance: Performance) -> float:
    return 60.0 / performance.tempo_bpm


def strokes(
    times_s: Iterable[float], accented: Iterable[float] = (), *, duration_s: float, rate_hz: int, kind: Stroke = "click"
) -> Floats:
    """Clicks of a metronome or taps of a foot at `times_s`, those also in `accented` a little different; peak 1."""
    result = np.zeros(round(duration_s * rate_hz), dtype=np.float32)
    accents = frozenset(accented)
    for time in times_s:
        make = _click if kind == "click" else _tap
        stroke = make(rate_hz, accented=time in accents)
        start = round(time * rate_hz)
        stop = min(result.size, start + stroke.size)
        result[start:stop] += stroke[: stop - start]
    return result


def _click(rate_hz: int, *, accented: bool) -> Floats:
    time = np.arange(round(0.03 * rate_hz)) / rate_hz
    tone = np.sin(2 * np.pi * (2400.0 if accented else 1800.0) * time) * np.exp(-time / 0.006)
    return tone.astype(np.float32)


def _tap(rate_hz: int, *, accented: bool) -> Floats:
    """A shoe on a floor: a dull thump and a little noise at its start."""
    time = np.arange(round(0.12 * rate_hz)) / rate_hz
    thump = np.sin(2 * np.pi * (85.0 if accented else 95.0) * time) * np.exp(-time / 0.03)
    noise = np.random.default_rng(rate_hz).normal(0, 0.5, time.size) * np.exp(-time / 0.004)
    return (0.8 * thump + 0.5 * noise).astype(np.float32)
