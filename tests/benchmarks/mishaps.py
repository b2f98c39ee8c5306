"""What happens in learners' takes besides music: false starts, stops, one and a half times through, left off half way,
wrong notes, talk around the playing, a voice counting in, breath that gives way.

Every function gives the changed performance, or sound, with the truth still exact.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Final, Literal

import numpy as np
from scipy.signal import lfilter

from analysis.chanter import Note
from analysis.performance import Performance, PlayedMovement, PlayedNote
from analysis.tone import Floats

Mishap = Literal["", "false start", "stop", "one and a half", "left off", "wrong notes"]
MISHAPS: Final[tuple[Mishap, ...]] = ("", "false start", "stop", "one and a half", "left off", "wrong notes")

#: Formants of spoken vowels in hertz (textbook values from memory; any speech-like sound serves).
_VOWELS: Final = ((730, 1090, 2440), (530, 1840, 2480), (390, 1990, 2550), (570, 840, 2410), (440, 1020, 2240))


def befall(performance: Performance, mishap: Mishap, random: np.random.Generator) -> Performance:
    """`performance` with `mishap`; as it was where the music is too short for one."""
    places = _places(performance)
    if not mishap or len(places) < 4:
        return performance
    return _HAPPENINGS[mishap](performance, places, random)


def _places(performance: Performance) -> list[int]:
    """Indices of the theme notes that no movement stands before: where a player may stop or begin again."""
    notes = performance.notes
    return [
        index for index in range(1, len(notes)) if notes[index].role == "theme" and notes[index - 1].role == "theme"
    ]


def _beat_s(performance: Performance) -> float:
    return 60.0 / performance.tempo_bpm


def later(performance: Performance, by_s: float) -> Performance:
    """All of it `by_s` later."""

    def move(movement: PlayedMovement) -> PlayedMovement:
        return replace(
            movement,
            beat_s=movement.beat_s + by_s,
            start_s=movement.start_s + by_s,
            crossing=tuple((start + by_s, length, note) for start, length, note in movement.crossing),
        )

    return replace(
        performance,
        notes=tuple(replace(n, start_s=n.start_s + by_s, end_s=n.end_s + by_s) for n in performance.notes),
        movements=tuple(map(move, performance.movements)),
        beats_s=tuple(time + by_s for time in performance.beats_s),
        strokes_s=tuple(time + by_s for time in performance.strokes_s),
        first_beats_s=frozenset(time + by_s for time in performance.first_beats_s),
        duration_s=performance.duration_s + by_s,
    )


def _from(performance: Performance, since_s: float) -> Performance:
    """What begins at `since_s` or later."""
    return replace(
        performance,
        notes=tuple(n for n in performance.notes if n.start_s >= since_s - 1e-6),
        movements=tuple(m for m in performance.movements if m.beat_s >= since_s - 0.05),
        beats_s=tuple(time for time in performance.beats_s if time >= since_s - 0.05),
        strokes_s=tuple(time for time in performance.strokes_s if time >= since_s - 0.05),
        first_beats_s=frozenset(time for time in performance.first_beats_s if time >= since_s - 0.05),
    )


def _until(performance: Performance, until_s: float) -> Performance:
    """What begins before `until_s`; the sound ends there."""
    notes = [n for n in performance.notes if n.start_s < until_s - 1e-6]
    notes[-1] = replace(notes[-1], end_s=min(notes[-1].end_s, until_s))
    return replace(
        performance,
        notes=tuple(notes),
        movements=tuple(m for m in performance.movements if m.beat_s < until_s - 0.05),
        beats_s=tuple(time for time in performance.beats_s if time < until_s - 0.05),
        strokes_s=tuple(time for time in performance.strokes_s if time < until_s - 0.05),
        first_beats_s=frozenset(time for time in performance.first_beats_s if time < until_s - 0.05),
    )


def _then(first: Performance, second: Performance, *, strokes_go_on: bool) -> Performance:
    """`first`, then `second`, which already lies later; a metronome does not wait for the player."""
    between: list[float] = []
    if strokes_go_on and first.strokes_s and second.strokes_s:
        beat, time = _beat_s(first), first.strokes_s[-1]
        while (time := time + beat) < second.strokes_s[0] - 0.5 * beat:
            between.append(time)
    return replace(
        second,
        notes=first.notes + second.notes,
        movements=first.movements + second.movements,
        beats_s=first.beats_s + second.beats_s,
        strokes_s=(*first.strokes_s, *between, *second.strokes_s),
        first_beats_s=first.first_beats_s | second.first_beats_s,
    )


def _going_on(performance: Performance) -> bool:
    """Whether strokes sound under the playing."""
    return bool(performance.strokes_s) and performance.strokes_s[-1] > performance.notes[0].start_s + 1.0


def _whole_beats(performance: Performance, at_least_s: float) -> float:
    beat = _beat_s(performance)
    return float(np.ceil(at_least_s / beat)) * beat


def _false_start(performance: Performance, places: list[int], random: np.random.Generator) -> Performance:
    cut = performance.notes[places[int(random.integers(0, max(1, len(places) // 3)))]].start_s
    begun = _until(performance, cut)
    pause = float(random.uniform(0.7, 2.0))
    if _going_on(performance):
        # The metronome goes on: the player begins again a whole number of beats later, with no new count-in.
        shift = _whole_beats(performance, cut + pause - performance.notes[0].start_s)
        again = later(performance, shift)
        again = replace(again, strokes_s=tuple(t for t in again.strokes_s if t > cut))
        return _then(begun, again, strokes_go_on=True)
    first = min([performance.notes[0].start_s, *performance.strokes_s])
    return _then(begun, later(performance, cut + pause - first), strokes_go_on=False)


def _stop(performance: Performance, places: list[int], random: np.random.Generator) -> Performance:
    place = places[int(random.integers(len(places) // 3, max(len(places) // 3 + 1, 2 * len(places) // 3)))]
    start = performance.notes[place].start_s
    pause = float(random.uniform(0.8, 2.5))
    if performance.strokes_s:
        pause = _whole_beats(performance, pause)
    first = _until(performance, start)
    # Breath runs out a little before the note would have ended.
    last = first.notes[-1]
    first = replace(first, notes=(*first.notes[:-1], replace(last, end_s=max(last.start_s + 0.15, last.end_s - 0.1))))
    return _then(first, later(_from(performance, start), pause), strokes_go_on=_going_on(performance))


def _one_and_a_half(performance: Performance, places: list[int], random: np.random.Generator) -> Performance:
    half = _until(performance, performance.notes[places[len(places) // 2]].start_s)
    end = performance.notes[-1].end_s
    first_beat = performance.beats_s[0]
    shift = _whole_beats(performance, end - first_beat - 0.05)
    again = later(replace(half, strokes_s=tuple(t for t in half.strokes_s if t > first_beat - 0.05)), shift)
    if not _going_on(performance):
        again = replace(again, strokes_s=())
    if again.notes[0].start_s < end:
        again = replace(again, notes=(replace(again.notes[0], start_s=end), *again.notes[1:]))
    whole = _then(performance, again, strokes_go_on=_going_on(performance))
    return replace(whole, duration_s=whole.notes[-1].end_s + 0.9)


def _left_off(performance: Performance, places: list[int], random: np.random.Generator) -> Performance:
    cut = performance.notes[places[int(random.integers(len(places) // 2, len(places)))]].start_s
    begun = _until(performance, cut)
    missed = tuple(
        replace(m, offset_ms=None, gap_ms=None, parts=(), crossing=(), faults=("missed",))
        for m in performance.movements
        if m.beat_s >= cut - 0.05
    )
    return replace(begun, movements=begun.movements + missed, duration_s=cut + 1.5)


def _wrong_notes(performance: Performance, places: list[int], random: np.random.Generator) -> Performance:
    notes = list(performance.notes)
    chosen = random.choice(places, size=min(len(places), 2), replace=False)
    for place in sorted(int(value) for value in chosen):
        around = {notes[place - 1].note, notes[place].note, notes[place + 1].note if place + 1 < len(notes) else None}
        others = [note for note in Note if note not in around and abs(note - notes[place].note) <= 2]
        # A note of the same pitch as the one written is no wrong note; a wrong one runs to the next as the right one.
        if others and notes[place].end_s - notes[place].start_s > 0.3:
            notes[place] = replace(notes[place], note=others[int(random.integers(len(others)))])
    return replace(performance, notes=tuple(notes))


_HAPPENINGS: Final[dict[str, Callable[[Performance, list[int], np.random.Generator], Performance]]] = {
    "false start": _false_start,
    "stop": _stop,
    "one and a half": _one_and_a_half,
    "left off": _left_off,
    "wrong notes": _wrong_notes,
}


def talk(samples: Floats, rate_hz: int, spans_s: Iterable[tuple[float, float]], *, level: float, seed: int) -> None:
    """Add speech-like sound to `samples` (n,) in each of `spans_s` (from, to), RMS about `level`."""
    random = np.random.default_rng([seed, 307])
    for start, stop in spans_s:
        time = start
        while time < stop - 0.15:
            length = float(random.uniform(0.12, 0.3))
            _add(samples, rate_hz, time, level * _syllable(rate_hz, length, random))
            time += length + float(random.choice((0.02, 0.06, 0.3), p=(0.6, 0.3, 0.1)))


def count(samples: Floats, rate_hz: int, times_s: Iterable[float], *, level: float, seed: int) -> None:
    """Add a voice counting: a syllable about every one of `times_s`, as late and early as voices are."""
    random = np.random.default_rng([seed, 311])
    for time in times_s:
        _add(samples, rate_hz, time + float(random.normal(-0.03, 0.02)), level * _syllable(rate_hz, 0.25, random))


def _add(samples: Floats, rate_hz: int, time_s: float, sound: Floats) -> None:
    start = max(0, round(time_s * rate_hz))
    stop = min(samples.size, start + sound.size)
    if stop > start:
        samples[start:stop] += sound[: stop - start]


def _syllable(rate_hz: int, length_s: float, random: np.random.Generator) -> Floats:
    """A consonant's noise and a vowel whose pitch falls, RMS about 1."""
    size = round(length_s * rate_hz)
    hz = float(random.uniform(95, 240)) * np.linspace(1.05, 0.9, size)
    phase = np.cumsum(hz) / rate_hz
    pulses = np.diff(np.floor(phase), prepend=0.0) + 0.003 * random.normal(0, 1, size)
    voice = pulses
    for formant in _VOWELS[int(random.integers(len(_VOWELS)))]:
        radius = np.exp(-np.pi * 90.0 / rate_hz)
        voice = lfilter([1 - radius], [1, -2 * radius * np.cos(2 * np.pi * formant / rate_hz), radius**2], voice)
    consonant = random.normal(0, 1, size) * np.exp(-np.arange(size) / (0.02 * rate_hz))
    voice = voice / max(1e-9, float(np.std(voice))) + 0.5 * consonant
    shape = np.minimum(1.0, np.minimum(np.arange(size), np.arange(size)[::-1]) / (0.02 * rate_hz))
    return np.asarray(voice * shape, dtype=np.float32)


def dips(samples: Floats, rate_hz: int, *, depth_db: float, seed: int) -> Floats:
    """`samples` with the level giving way now and then by up to `depth_db`, as when breath runs short."""
    random = np.random.default_rng([seed, 313])
    seconds = samples.size / rate_hz
    places = np.arange(0.0, seconds + 1.0, 0.4)
    low = random.random(places.size) < 0.15
    course = np.where(low, -depth_db * random.random(places.size), random.normal(0, 0.4, places.size))
    gain = np.interp(np.arange(samples.size) / rate_hz, places, course)
    return np.asarray(samples * 10 ** (gain / 20), dtype=np.float32)


def eight_bits(samples: Floats) -> Floats:
    """`samples` (-1..1) as eight bits keep them."""
    return np.asarray(np.round(samples * 127) / 127, dtype=np.float32)


def last_sound_s(notes: Iterable[PlayedNote]) -> float:
    """When the last note ends."""
    return max(note.end_s for note in notes)
