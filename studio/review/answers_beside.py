"""A recorded answer under the learner's playing: one movement of both, drawn to one scale, measures side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import Final, cast

from analysis.chanter import LABELS
from analysis.report import MovementReport, Report, SoundedNote
from studio.review.models import PinnedNote
from studio.review.wording import chart_word, movement_name, place_of
from studio.takes.models import Take

WIDTH: Final = 960.0
_LEFT: Final = 76.0
_LANE: Final = 22.0
_TOP: Final = 12.0
_BEFORE_S: Final = 0.4
_AFTER_S: Final = 0.6
#: A recording in which the movement is not found is shown from its first sound on, for no longer than this.
_LONGEST_S: Final = 8.0
_NARROWEST: Final = 2.0


@dataclass(frozen=True)
class Sound:
    """One sound as a box; `words` say the same."""

    role: str
    x: float
    y: float
    width: float
    height: float
    words: str


@dataclass(frozen=True)
class Panel:
    """One player's stretch: lanes as (y, note), sounds, and where the beats are."""

    title: str
    verdict: str
    lanes: list[tuple[float, str]]
    sounds: list[Sound]
    beats: list[float]
    height: float


@dataclass(frozen=True)
class Measure:
    """One thing measured of both."""

    name: str
    learner: str
    tutor: str


@dataclass(frozen=True)
class Beside:
    """Both panels and what was measured. `found`: the same movement was found in the answer."""

    learner: Panel
    tutor: Panel
    measures: list[Measure]
    found: bool
    name: str
    width: float = WIDTH
    left: float = _LEFT


def of(note: PinnedNote) -> Beside | None:
    """The answer of `note` under the playing it answers; None where either was not measured."""
    recording = note.recording
    if recording is None or recording.state != Take.State.READY or not recording.report or not note.take.report:
        return None
    own, answer = cast(Report, note.take.report), cast(Report, recording.report)
    movement = next((entry for entry in own["movements"] if entry["index"] == note.movement_index), None)
    match = _same(movement, answer, whole=bool(recording.abc)) if movement else None
    spans = [_span(own, movement, (note.start_s, note.end_s)), _span(answer, match, _from_first_sound(answer))]
    length = max(end - start for start, end in spans)
    shown = [(start, start + length) for start, _ in spans]
    lanes = _lanes([(own, shown[0]), (answer, shown[1])])
    return Beside(
        learner=_panel(str(note.take.learner), own, movement, spans[0][0], length, lanes),
        tutor=_panel(str(note.author), answer, match, spans[1][0], length, lanes),
        measures=_measures(movement, match) if movement and match else [],
        found=match is not None,
        name=movement_name(movement) if movement else "",
    )


def _same(wanted: MovementReport, report: Report, *, whole: bool) -> MovementReport | None:
    """The movement of `report` most like `wanted`: at its place in the music, else by kind, note and approach."""
    played = [movement for movement in report["movements"] if movement["start_s"] is not None]
    if whole:
        written = wanted.get("written_index", wanted["index"])
        played = [movement for movement in played if movement.get("written_index", movement["index"]) == written]
    alike = [movement for movement in played if movement["kind"] == wanted["kind"]]
    return max(alike, key=lambda m: (m["on"] == wanted["on"], m["from"] == wanted["from"], -m["index"]), default=None)


def _span(
    report: Report, movement: MovementReport | None, other: tuple[float | None, float | None]
) -> tuple[float, float]:
    """What is shown of a report: the movement, or else the `other` stretch, with a little around."""
    place = place_of(movement) if movement else None
    start, end = place if place else other
    first = max(0.0, (start or 0.0) - _BEFORE_S)
    last = (start or 0.0) + 1.0 if end is None else end
    return first, min(last + _AFTER_S, report["recording"]["duration_s"], first + _LONGEST_S)


def _from_first_sound(report: Report) -> tuple[float, float]:
    first = report["notes"][0]["start_s"] if report["notes"] else 0.0
    return first, first + _LONGEST_S


def _inside(report: Report, span: tuple[float, float]) -> list[SoundedNote]:
    return [note for note in report["notes"] if note["end_s"] > span[0] and note["start_s"] < span[1]]


def _lanes(shown: Sequence[tuple[Report, tuple[float, float]]]) -> list[str]:
    """The notes that sound in either, from high to low."""
    sounding = {note["note"] for report, span in shown for note in _inside(report, span)}
    return [label for label in reversed(LABELS) if label in sounding]


def _panel(
    title: str,
    report: Report,
    movement: MovementReport | None,
    start_s: float,
    length_s: float,
    lanes: Sequence[str],
) -> Panel:
    scale = (WIDTH - _LEFT) / length_s
    span = (start_s, start_s + length_s)

    def x(at_s: float) -> float:
        return round(_LEFT + scale * (min(max(at_s, span[0]), span[1]) - start_s), 1)

    sounds = [
        Sound(
            role=note["role"],
            x=x(note["start_s"]),
            y=round(_TOP + _LANE * lanes.index(note["note"]) + 4.0, 1),
            width=max(_NARROWEST, round(x(note["end_s"]) - x(note["start_s"]), 1)),
            height=_LANE - 8.0,
            words=f"{note['note']}, {1000 * (note['end_s'] - note['start_s']):.0f} ms",
        )
        for note in _inside(report, span)
    ]
    return Panel(
        title=title,
        verdict=chart_word(movement) if movement else "",
        lanes=[(round(_TOP + _LANE * (number + 0.5), 1), name) for number, name in enumerate(lanes)],
        sounds=sounds,
        beats=[x(beat) for beat in report["beat"]["beats_s"] if span[0] <= beat <= span[1]],
        height=_TOP * 2 + _LANE * max(1, len(lanes)),
    )


def _measures(learner: MovementReport, tutor: MovementReport) -> list[Measure]:
    rows = [
        Measure(
            f"{(first or second or {'note': ''})['note']} gracenote",
            f"{first['length_ms']:.0f} ms" if first else "not there",
            f"{second['length_ms']:.0f} ms" if second else "not there",
        )
        for first, second in zip_longest(learner["gracenotes"], tutor["gracenotes"])
    ]
    rows.append(Measure(f"{learner['on']} between them", _ms(learner["gap_ms"]), _ms(tutor["gap_ms"])))
    rows.append(Measure("Against the beat", _offset(learner), _offset(tutor)))
    rows.append(Measure("Crossing noises", _count(learner), _count(tutor)))
    return [row for row in rows if {row.learner, row.tutor} != {"–"}]


def _ms(value: float | None) -> str:
    return "–" if value is None else f"{value:.0f} ms"


def _offset(movement: MovementReport) -> str:
    offset = movement["beat_offset_ms"]
    return "–" if offset is None else f"{abs(offset):.0f} ms {'after' if offset > 0 else 'before'}"


def _count(movement: MovementReport) -> str:
    return str(len(movement["crossing_noises"])) if movement["crossing_noises"] else "none"
