"""The one call from a file to its report."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis import (
    beat,
    click_removal,
    comparison,
    matched_filter,
    notes,
    octaves,
    percussion,
    presence,
    readings,
    second_look,
    spectra,
    tuning,
)
from analysis.beat import BeatLine
from analysis.chanter import Note, Tuning, cents, table_cents
from analysis.click_removal import Clicks
from analysis.judgement import Tolerances, judge
from analysis.measures import Played
from analysis.movements import gracenote_places
from analysis.notes import Decoded, Sounded
from analysis.percussion import Strokes
from analysis.readings import Heard
from analysis.report import SCHEMA, Beat, Instrument, NoteTuning, Report, Role, SoundedNote
from analysis.score import Score
from analysis.sound import Sound, SoundError, read
from analysis.spectra import Floats

#: Called with the stage's name and the share done, 0 to 1.
Progress = Callable[[str, float], None]

STAGES: Final = ("reading the file", "finding the beat", "finding the notes", "reading the movements")
#: Clicks are at least this alike under the playing; marks of note changes at most half of it.
_ALIKE: Final = 0.25
#: A bar may have so many beats.
_BEATS_BEFORE: Final = 6
#: Of strokes that go on by chance less than this share lies on the beat, and these are less alike than this.
_CHANCE: Final = 0.25
_ALIKE_ON_BEAT: Final = 0.5
#: Clicks that go on after a count-in lie this near to its beats, in beats.
_KEEPS_TO: Final = 0.02
_FOR_KEEPING: Final = 24
#: Strokes before the playing, as strong as this (6: as all of them are on average), of which so many show the beat and
#: so much is on it.
_PLAIN_STROKE: Final = 4.0
_FEWEST_ALONE: Final = 3
_MOST_ALONE: Final = 0.7
#: Somebody plays from a held note on if notes are held for this share of so long.
_AMONG_OTHERS_S: Final = 2.0
_PLAYS: Final = 0.5
#: Or if one note is held for so long, at most so far from where somebody plays.
_HELD_FOR_LONG_S: Final = 0.4
_NOT_FAR_S: Final = 3.0
_NO_CHANTER: Final = (
    "No chanter is to be heard in this recording; "
    "it takes a practice chanter or pipes playing for at least a few notes."
)


@dataclass(frozen=True)
class Options:
    """How to analyse: a tempo that overrides the score's, where beats fall, tolerances, and the tuning for cents."""

    tempo_bpm: float | None = None
    beat_points: Mapping[str, str] = field(default_factory=dict)
    tolerances: Tolerances = field(default_factory=Tolerances)
    tuning: Tuning = "harmonic"


def analyse(
    path: Path, score: Score | None = None, *, options: Options | None = None, progress: Progress | None = None
) -> Report:
    """The report on the recording at `path`. Raises analysis.sound.SoundError with one plain sentence on bad input."""
    tell = progress or (lambda stage, share: None)
    tell(STAGES[0], 0.0)
    return analyse_sound(read(path), score, options=options, progress=progress)


def analyse_sound(
    sound: Sound, score: Score | None = None, *, options: Options | None = None, progress: Progress | None = None
) -> Report:
    """The report on a sound already read. Raises SoundError where no chanter is to be heard."""
    chosen = options or Options()
    tell = progress or (lambda stage, share: None)
    tempo = chosen.tempo_bpm or (score.tempo_bpm if score else None)
    tell(STAGES[1], 0.1)
    samples = spectra.at_listening_rate(sound.samples, sound.rate_hz)
    fit = tuning.fit(samples, expected=_written_shares(score) if score else None)
    if fit is None or not presence.is_chanter(samples, fit):
        raise SoundError(_NO_CHANTER)
    heard = _heard_beat(sound, samples, _held_span(fit), tempo)
    tell(STAGES[2], 0.3)
    samples, clicks = _without_clicks(samples, heard)
    decoded = notes.hear(samples, fit, clicks)
    sounded = notes.sounded(decoded) if decoded else []
    if heard is not None and beat.echoes_notes(heard.strokes_s, [note.start_s for note in sounded], _held_span(fit)):
        heard = None
        # Made anew, not kept: in a long recording it takes its room, and seldom is it wanted.
        samples, clicks = spectra.at_listening_rate(sound.samples, sound.rate_hz), []
        decoded = notes.hear(samples, fit)
        sounded = notes.sounded(decoded) if decoded else []
    if decoded is None or not sounded:
        raise SoundError(_NO_CHANTER)
    if score is not None and score.themes:
        sounded = _as_written(decoded, sounded, score, fit)
    tell(STAGES[3], 0.9)
    if score is not None and score.themes:
        reading = readings.written(score, sounded, heard, tempo_bpm=tempo, beat_points=chosen.beat_points)
    else:
        reading = readings.unwritten(sounded, heard, tempo_bpm=tempo, beat_points=chosen.beat_points)
    report: Report = {
        "schema": SCHEMA,
        "recording": {
            "duration_s": round(sound.duration_s, 4),
            "sample_rate_hz": sound.source_rate_hz,
            "sha256": sound.sha256,
        },
        "instrument": _instrument(fit, chosen.tuning),
        "beat": _beat(reading.line, tempo),
        "notes": _roles(sounded, reading.played, reading.themes),
        "movements": reading.movements,
        "summary": {"movements": 0, "clean": 0, "offset_median_ms": None, "offset_spread_ms": None, "by_approach": {}},
    }
    tell(STAGES[3], 1.0)
    return judge(comparison.completed(report, score, tuning=chosen.tuning), chosen.tolerances)


def _as_written(decoded: Decoded, sounded: list[Sounded], score: Score, fit: tuning.Fit) -> list[Sounded]:
    """`sounded` again, with what only the score can tell."""
    known = octaves.known(fit)
    told = octaves.moments(sounded, score, known)
    again = notes.hear(decoded.samples, fit, decoded.clicks, told=told) if told else None
    if again is not None:
        # Heard again, now that moments of the note that was never held are known.
        decoded, sounded = again, notes.sounded(again)
    renamed = octaves.by_score(sounded, score, known)
    wanted = second_look.places(score, renamed)
    if not wanted:
        return renamed
    hop_s = notes.HOP / spectra.RATE_HZ
    named = octaves.path(decoded.path, renamed, hop_s)
    path, found = second_look.path(named, decoded.log_likelihood, decoded.change_cost, wanted, hop_s)
    if not found:
        return renamed
    looked = notes.sounded(decoded, path, lambda sound: any(moment.is_in(sound) for moment in found))
    return octaves.joined(looked, score)


def _written_shares(score: Score) -> dict[Note, float]:
    """Each theme note's share of the written time."""
    shares: dict[Note, float] = {}
    for theme in score.themes:
        shares[theme.note] = shares.get(theme.note, 0.0) + float(theme.duration) / max(1.0, float(score.beats))
    return shares


def _heard_beat(sound: Sound, samples: Floats, span_s: tuple[float, float], tempo_bpm: float | None) -> Heard | None:
    """The beat of clicks, taps or a count-in: by strokes like those before the playing, else by any that stand out, and
    where no beat goes on through the playing, by a foot's thump alone."""
    heard = _by_strokes(sound, samples, span_s, tempo_bpm)
    if heard is not None and heard.line.source != "count-in":
        return heard
    by_thump = _as_beat(percussion.thumps(sound.samples, sound.rate_hz), span_s, tempo_bpm)
    return by_thump if by_thump is not None and by_thump.line.source == "tap" else heard


def _by_strokes(sound: Sound, samples: Floats, span_s: tuple[float, float], tempo_bpm: float | None) -> Heard | None:
    alike = matched_filter.strokes_like_the_first(samples, spectra.RATE_HZ, until_s=span_s[0])
    counted: Heard | None = None
    if alike is not None:
        counted = _as_beat(alike, span_s, tempo_bpm, are_alike=True)
        if counted is not None and counted.line.source != "count-in" and _is_chance(sound, alike, counted, span_s):
            counted = _as_beat(alike.until(span_s[0]), span_s, tempo_bpm, are_alike=True)
        if counted is not None and counted.line.source != "count-in":
            return counted
    found = percussion.strokes(sound.samples, sound.rate_hz)
    by_rise = _as_beat(found, span_s, tempo_bpm)
    if by_rise is None or not _stands_out(sound, found, by_rise, span_s):
        return counted
    return counted if counted is not None and _strays(by_rise, counted, span_s) else by_rise


def _as_beat(
    found: Strokes, span_s: tuple[float, float], tempo_bpm: float | None, *, are_alike: bool = False
) -> Heard | None:
    heard = beat.heard_beat(found, playing_s=span_s, tempo_bpm=tempo_bpm, are_alike=are_alike)
    return Heard(*heard, found.times_s) if heard is not None else None


def _stands_out(sound: Sound, found: Strokes, heard: Heard, span_s: tuple[float, float]) -> bool:
    """Whether strokes, of those `found`, are more than the marks of note changes, or a voice that counts: some sound
    alone and they go on, or they are a foot's, or they are alike."""
    alone = int(np.sum(heard.strokes_s < span_s[0] - 0.05))
    if heard.line.source == "tap" or (alone >= 2 and heard.line.source == "click"):
        return True
    depth = float(np.median(found.depth[np.isin(found.times_s, heard.strokes_s)]))
    return depth > beat.TAP_DEPTH or matched_filter.likeness(sound.samples, sound.rate_hz, heard.strokes_s) >= _ALIKE


def _strays(heard: Heard, counted: Heard, span_s: tuple[float, float]) -> bool:
    """Whether what seems to be clicks under the playing is not what was counted in: clicks that go on keep to its
    beats."""
    under = heard.strokes_s[(heard.strokes_s > span_s[0]) & (heard.strokes_s < span_s[1])]
    if heard.line.source != "click" or not under.size:
        return False
    # Not to the end: the count-in's tempo is known but to a fraction of a millisecond a beat.
    places = np.array([counted.line.place(float(time)) for time in under[:_FOR_KEEPING]])
    return float(np.median(np.abs(places - np.round(places)))) > _KEEPS_TO


def _is_chance(sound: Sound, alike: Strokes, heard: Heard, span_s: tuple[float, float]) -> bool:
    """Whether the strokes of a count-in only seem to go on: not all of its own, which sound alone, are among them; or
    few of the many that are a little like them are on the beat, and these are hardly alike."""
    alone = (alike.times_s < span_s[0] - 0.05) & (alike.strength >= _PLAIN_STROKE)
    if alone.sum() >= _FEWEST_ALONE and np.isin(alike.times_s[alone], heard.strokes_s).mean() < _MOST_ALONE:
        return True
    under = int(np.sum((alike.times_s > span_s[0]) & (alike.times_s < span_s[1])))
    on_beat = heard.strokes_s[(heard.strokes_s > span_s[0]) & (heard.strokes_s < span_s[1])]
    if on_beat.size >= _CHANCE * under:
        return False
    return matched_filter.likeness(sound.samples, sound.rate_hz, on_beat) < _ALIKE_ON_BEAT


def _held_span(fit: tuning.Fit) -> tuple[float, float]:
    """When the first and the last held note sound, in seconds: those among others, and those held for long not far from
    them, since a vowel of somebody who talks before or after is held for a moment too."""
    held = fit.labels >= 0
    around = round(_AMONG_OTHERS_S / tuning.HOP_S)
    counts = np.concatenate([[0], np.cumsum(held)])
    frames = np.flatnonzero(held)
    after = counts[np.minimum(frames + around, held.size)] - counts[frames]
    before = counts[frames + 1] - counts[np.maximum(frames + 1 - around, 0)]
    starts, stops = frames[after >= _PLAYS * around], frames[before >= _PLAYS * around]
    if not starts.size:  # a short recording, or notes far apart
        return float(frames[0] * tuning.HOP_S), float(frames[-1] * tuning.HOP_S)
    first, last = int(starts[0]), int(stops[-1])
    long = [(a, b - 1) for a, b in presence.runs(fit) if (b - a) * tuning.HOP_S >= _HELD_FOR_LONG_S]
    near = _NOT_FAR_S / tuning.HOP_S
    for start, stop in reversed(long):
        first = min(first, start) if first - stop <= near else first
    for start, stop in long:
        last = max(last, stop) if start - last <= near else last
    return first * tuning.HOP_S, last * tuning.HOP_S


def _without_clicks(samples: Floats, heard: Heard | None) -> tuple[Floats, list[Clicks]]:
    if heard is None or heard.line.source == "tap":
        return samples, []
    times_s, numbers = _every_click(heard.line, heard.strokes_s, samples)
    return click_removal.subtract(samples, spectra.RATE_HZ, times_s, numbers)


def _every_click(
    line: BeatLine, strokes_s: NDArray[np.float64], samples: Floats
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """When clicks sound, in seconds, and on which beats: those heard and, where they go on, those that must be there.

    The first click of a bar may differ from the others, and is then not found by its likeness to them: also that of the
    bar before, which sounds alone and shows best what has to be taken out.
    """
    numbers = np.array([round(line.place(time)) for time in strokes_s], dtype=np.int64)
    times = np.asarray(strokes_s, dtype=np.float64)
    if line.source == "click" and numbers.size > 1 and np.median(np.diff(numbers)) <= 1:
        inner = np.setdiff1d(np.arange(numbers[0], numbers[-1] + 1), numbers)
        sharp = [percussion.sharpest(samples, spectra.RATE_HZ, line.at(float(number))) for number in inner]
        outer = np.concatenate([numbers[0] - np.arange(1, _BEATS_BEFORE + 1), numbers[-1:] + 1])
        alone = [percussion.stroke_near(samples, spectra.RATE_HZ, line.at(float(number))) for number in outer]
        there = np.array([time is not None for time in alone])
        times = np.concatenate([times, sharp, [time for time in alone if time is not None]])
        numbers = np.concatenate([numbers, inner, outer[there]])
    order = np.argsort(times)
    return times[order], numbers[order]


def _instrument(fit: tuning.Fit, table: Tuning) -> Instrument:
    places = table_cents(tuning=table)
    entries: dict[str, NoteTuning] = {}
    for note in Note:
        if not fit.heard[note]:
            continue
        frames = fit.frame_hz[fit.labels == note]
        if frames.size == 0:
            continue
        hz = float(np.median(frames))
        wobble = 1200.0 * np.log2(frames / hz)
        entries[note.label] = {
            "hz": round(hz, 2),
            "cents": round(cents(hz, fit.low_a_hz) - places[note], 1),
            "wobble_cents": round(1.4826 * float(np.median(np.abs(wobble))), 1),
        }
    return {"kind": fit.kind, "low_a_hz": round(fit.low_a_hz, 2), "notes": entries}


def _beat(line: BeatLine | None, tempo_bpm: float | None) -> Beat:
    if line is None:  # too few notes for a line: all that is known is the tempo that was asked for
        return {"source": "fitted", "tempo_bpm": tempo_bpm, "drift_bpm_per_min": 0.0, "beats_s": []}
    return {
        "source": line.source,
        "tempo_bpm": round(line.tempo_bpm, 2),
        "drift_bpm_per_min": round(line.drift_bpm_per_min, 2) + 0.0,
        "beats_s": [round(float(time), 4) for time in line.beats_s],
    }


def _roles(sounded: Sequence[Sounded], played: Sequence[Played], themes: Sequence[Sounded]) -> list[SoundedNote]:
    """Every sound with its role: a movement's sounds and its noises, theme notes, and what nothing accounts for."""
    roles: dict[float, Role] = {sound.start_s: "theme" for sound in themes}
    for movement in played:
        places = gracenote_places(movement.written, movement.on, movement.kind.kind)
        for sound, is_gracenote in zip(movement.sounds, places, strict=True):
            if sound is not None:
                roles[sound.start_s] = "gracenote" if is_gracenote else "theme"
        for sound in movement.extra:
            roles[sound.start_s] = "crossing"
    return [
        {
            "start_s": round(sound.start_s, 4),
            "end_s": round(sound.end_s, 4),
            "note": sound.note.label,
            "role": roles.get(sound.start_s, "unwritten"),
            "confidence": round(sound.confidence, 3),
        }
        for sound in sounded
    ]
