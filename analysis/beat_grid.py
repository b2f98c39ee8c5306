"""The beat of a report moved or replaced: from stored measures, without touching any sound.

A tutor may know better where the beat was: the click came late through a loudspeaker, the foot followed instead of
leading, or what was taken for a beat is none. Every moment that a movement met its beat point is known from the
measures (its beat and its distance from it), so another line of beats gives other distances at once; judging them is
:mod:`analysis.judgement`'s. Always start from the report as it was analysed: changes are not laid on changes.
"""

from __future__ import annotations

from typing import Final, Literal, cast, get_args

import numpy as np
from numpy.typing import NDArray

from analysis.beat import BeatLine, fitted_beat
from analysis.report import Beat, MovementReport, Report

#: ``heard``: the beat as it was analysed; ``fitted``: a steady line through the movements themselves; ``tempo``: the
#: tempo that was set, evenly, laid through the movements as a whole.
GridSource = Literal["heard", "fitted", "tempo"]
GRID_SOURCES: Final[tuple[GridSource, ...]] = get_args(GridSource)
#: How far the whole grid may be moved, in ms: half a second is a whole beat at 120.
MOST_SHIFT_MS: Final = 500.0
_LEAST_MOMENTS: Final = 3


class GridError(ValueError):
    """A beat that cannot be had. The message is one plain sentence."""


def regrid(
    report: Report, *, source: GridSource = "heard", shift_ms: float = 0.0, tempo_bpm: float | None = None
) -> Report:
    """A copy of `report` measured against another beat: that of `source`, all of it `shift_ms` later.

    Flags and summary are as they were: judge it anew. `tempo_bpm` is what ``tempo`` goes by. Raises GridError where
    there is no such beat.
    """
    if source not in GRID_SOURCES:
        raise GridError(f"{source!r} is no beat to choose; {', '.join(GRID_SOURCES)} are.")
    if not -MOST_SHIFT_MS <= shift_ms <= MOST_SHIFT_MS:
        raise GridError(f"The beat can be moved by up to {MOST_SHIFT_MS:.0f} ms either way.")
    line = _line(report, source, tempo_bpm)
    moved = BeatLine(line.source, line.beats_s + shift_ms / 1000.0)
    result = report.copy()
    result["beat"] = _beat(report["beat"], moved, keep=source == "heard")
    shift_s = shift_ms / 1000.0
    result["movements"] = [
        _measured(movement, moved, shift_s if source == "heard" else None) for movement in report["movements"]
    ]
    return result


def available(report: Report, *, tempo_bpm: float | None) -> tuple[GridSource, ...]:
    """The sources that this report can be measured against."""
    found: list[GridSource] = ["heard"] if len(report["beat"]["beats_s"]) > 1 else []
    for source in ("fitted", "tempo"):
        if source == "fitted" and report["beat"]["source"] == "fitted" and found:
            continue  # it is what was heard
        try:
            _line(report, source, tempo_bpm)
        except GridError:
            continue
        found.append(source)
    return tuple(found)


def _line(report: Report, source: GridSource, tempo_bpm: float | None) -> BeatLine:
    beats = np.asarray(report["beat"]["beats_s"], dtype=np.float64)
    if source == "heard":
        if beats.size < 2:
            raise GridError("No beat was found in this take; choose another one.")
        return BeatLine(report["beat"]["source"], beats)
    places, moments = _moments(report, beats)
    if places.size < _LEAST_MOMENTS:
        raise GridError("Too few movements were played to lay a beat through them.")
    span = (float(moments.min()), float(moments.max()))
    if source == "fitted":
        line = fitted_beat(places.tolist(), moments.tolist(), playing_s=span)
        if line is None:
            raise GridError("Too few movements were played to lay a beat through them.")
        return line
    if not tempo_bpm:
        raise GridError("No tempo was set for this take; choose another beat.")
    length = 60.0 / tempo_bpm
    start = float(np.median(moments - places * length))
    numbers = np.arange(np.floor(places.min()) - 1, np.ceil(places.max()) + 3)
    return BeatLine("fitted", start + length * numbers)


def _moments(report: Report, beats: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where movements belong, in beats from the first beat, and when they met their beat point, in s.

    By the beats that were heard: which beat each movement belongs to is not in question, only where that beat lies.
    """
    places, moments = [], []
    for movement in report["movements"]:
        moment = moment_of(movement)
        if moment is None or movement["beat_s"] is None or beats.size < 2:
            continue
        places.append(BeatLine(report["beat"]["source"], beats).place(movement["beat_s"]))
        moments.append(moment)
    return np.array(places), np.array(moments)


def moment_of(movement: MovementReport) -> float | None:
    """When the movement met its beat point, in s; None where that is not known."""
    beat_s, offset = movement["beat_s"], movement["beat_offset_ms"]
    return None if beat_s is None or offset is None else beat_s + offset / 1000.0


def _beat(heard: Beat, line: BeatLine, *, keep: bool) -> Beat:
    return {
        "source": line.source,
        "tempo_bpm": heard["tempo_bpm"] if keep else round(line.tempo_bpm, 2),
        "drift_bpm_per_min": heard["drift_bpm_per_min"] if keep else round(line.drift_bpm_per_min, 2) + 0.0,
        "beats_s": [round(float(time), 4) for time in line.beats_s],
    }


def _measured(movement: MovementReport, line: BeatLine, shift_s: float | None) -> MovementReport:
    """The movement against `line`: its own beat moved by `shift_s`, or where that is None the place on the line nearest
    to where it was."""
    if movement["beat_s"] is None:
        return movement
    result = movement.copy()
    beat_s, length = _own_beat(movement, line, shift_s)
    change_ms = 1000.0 * (beat_s - movement["beat_s"])
    result["beat_s"] = round(beat_s, 4)
    if movement["beat_offset_ms"] is not None:
        result["beat_offset_ms"] = round(movement["beat_offset_ms"] - change_ms, 2)
    measures = movement.get("measures")
    if measures is not None:
        changed = measures.copy()
        for key in ("first_offset_ms", "second_offset_ms"):
            value = measures[key]
            changed[key] = None if value is None else round(value - change_ms, 2)
        changed["beat_length_ms"] = measures["beat_length_ms"] if length is None else round(1000.0 * length, 2)
        result["measures"] = changed
    return result


def _own_beat(movement: MovementReport, line: BeatLine, shift_s: float | None) -> tuple[float, float | None]:
    heard = cast(float, movement["beat_s"])
    if shift_s is not None:
        return heard + shift_s, None
    part = (movement["beat"] or 1.0) % 1.0  # off the beat by so much, as written
    place = round(line.place(heard) - part) + part
    return line.at(place), line.length_s(int(np.clip(round(place), 0, line.beats_s.size - 1)))
