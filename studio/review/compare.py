"""Two takes of one exercise held against each other, and one movement over the last takes: what got cleaner, where.

Takes are aligned by bar: each bar is drawn as wide as the other take's, whatever its tempo. Movements are matched by
their number in the music; of one that was played twice in a take, the last playing counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import mode
from typing import Any, Final, TypedDict, cast

from django.db.models import QuerySet
from django.urls import reverse
from django.utils import timezone

from analysis.chanter import LABELS
from analysis.report import MovementReport, Report
from studio.people.models import User
from studio.review import wording
from studio.review.timeline import bar_starts
from studio.takes.access import visible_takes
from studio.takes.models import Take

MOST_OFFERED: Final = 40
MOST_MULTIPLES: Final = 8
#: What is drawn of a movement around its beat, in beats.
_BEFORE: Final = 0.3
_AFTER: Final = 0.45
#: Sizes in the drawing's own units.
BEAT_WIDE: Final = 100.0
LANE_HIGH: Final = 7.0
TOP: Final = 3.0
HIGH: Final = TOP + 9 * LANE_HIGH + 3.0
#: A movement on a bar's first beat starts before it: so much of the bar before is shown, in beats.
_MARGIN: Final = 0.14


class Box(TypedDict):
    """One sound in a strip, in the drawing's units; `role` is its class."""

    x: float
    y: float
    wide: float
    high: float
    role: str


class Mark(TypedDict):
    """What a movement of the strip came to."""

    verdict: str
    word: str


class Strip(TypedDict):
    """A stretch of a take as lanes. `words` say what it shows."""

    boxes: list[Box]
    told: list[Mark]
    beats: list[float]
    left: float
    wide: float
    words: str


@dataclass(frozen=True)
class Bar:
    """A bar as it was played: from and to in s, and its number of beats."""

    number: int
    start_s: float
    end_s: float
    beats: int


def offered(take: Take, reader: User) -> QuerySet[Take]:
    """The takes that this one can be held against: the learner's others of the same exercise, newest first."""
    return (
        visible_takes(reader)
        .filter(learner=take.learner_id, exercise=take.exercise_id, exercise__isnull=False, state=Take.State.READY)
        .filter(report__isnull=False)
        .exclude(pk=take.pk)
        .order_by("-created_at")
    )


def report_of(take: Take) -> Report:
    """The stored report of a ready take."""
    return cast(Report, take.report)


def bars_of(report: Report) -> dict[int, Bar]:
    """The bars by their number, each as it was first played."""
    beats = report["beat"]["beats_s"]
    starts = bar_starts(report)
    counts = [
        beats.index(after) - beats.index(here)
        for (bar, here), (next_bar, after) in pairwise(starts)
        if next_bar == bar + 1
    ]
    usual = mode(counts) if counts else 4
    found: dict[int, Bar] = {}
    for bar, start in starts:
        first = beats.index(start)
        last = min(first + usual, len(beats) - 1)
        if bar not in found and last > first:
            found[bar] = Bar(bar, start, beats[last], last - first)
    return found


def strip(report: Report, bar: Bar) -> Strip:
    """The bar's sounds in lanes, and what its movements came to."""
    scale = BEAT_WIDE * bar.beats / (bar.end_s - bar.start_s)
    left, right = -_MARGIN * BEAT_WIDE, bar.beats * BEAT_WIDE

    def at(seconds: float) -> float:
        return (seconds - bar.start_s) * scale

    inside = [movement for movement in report["movements"] if movement["bar"] == bar.number]
    placed = [(place[0], movement) for movement in inside if (place := wording.place_of(movement)) is not None]
    shown = [movement for start, movement in placed if left <= at(start) <= right]
    words = "; ".join(f"{wording.movement_name(m)}: {wording.chart_word(m)}" for m in shown)
    return {
        "boxes": _boxes(report, at, left, right),
        "told": [{"verdict": wording.verdict(m), "word": wording.chart_word(m)} for m in shown],
        "beats": [BEAT_WIDE * number for number in range(bar.beats)],
        "left": left,
        "wide": right - left,
        "words": words or "no movement",
    }


def _boxes(report: Report, at: Any, left: float, right: float) -> list[Box]:
    found: list[Box] = []
    for note in report["notes"]:
        start, end = max(left, at(note["start_s"])), min(right, at(note["end_s"]))
        if end <= start:
            continue
        thick = 0.4 if note["role"] == "theme" else 0.86
        middle = TOP + (8 - LABELS.index(note["note"]) + 0.5) * LANE_HIGH
        found.append(
            {
                "x": round(start, 2),
                "y": round(middle - thick * LANE_HIGH / 2, 2),
                "wide": round(max(end - start, 1.5), 2),
                "high": round(thick * LANE_HIGH, 2),
                "role": note["role"],
            }
        )
    return found


def by_number(report: Report) -> dict[int, MovementReport]:
    """The movements by their number in the music; of one played twice, the last playing."""
    found: dict[int, MovementReport] = {}
    for movement in report["movements"]:
        number = movement.get("written_index")
        if number is None and movement["bar"] is not None:
            number = movement["index"]
        if number is not None:
            found[number] = movement
    return found


def compared(older: Take, newer: Take) -> dict[str, Any]:
    """Both takes bar by bar, what changed movement by movement, and by the note approached from."""
    before, after = report_of(older), report_of(newer)
    bars = [bars_of(before), bars_of(after)]
    both = sorted(bars[0].keys() & bars[1].keys())
    return {
        "bars": [
            {"number": number, "older": strip(before, bars[0][number]), "newer": strip(after, bars[1][number])}
            for number in both
        ],
        "changes": _changes(before, after, newer),
        "approaches": _approaches(before, after),
    }


def _changes(before: Report, after: Report, newer: Take) -> dict[str, list[dict[str, Any]]]:
    """Movements of both takes: cleaner than before, no longer clean, still with a fault, and how many clean in both."""
    found: dict[str, list[dict[str, Any]]] = {"cleaner": [], "worse": [], "still": [], "both": []}
    old, new = by_number(before), by_number(after)
    for number in sorted(old.keys() & new.keys()):
        was, now = old[number], new[number]
        clean = (wording.verdict(was) == "clean", wording.verdict(now) == "clean")
        kind = {(False, True): "cleaner", (True, False): "worse", (False, False): "still", (True, True): "both"}[clean]
        found[kind].append(
            {
                "number": number,
                "bar": now["bar"],
                "name": wording.movement_name(now),
                "was": wording.chart_word(was),
                "now": wording.chart_word(now),
                "address": _address(newer, now["index"]),
            }
        )
    return found


def _address(take: Take, index: int) -> str:
    return f"{reverse('review:take', args=[take.pk])}#movement-{index}"


def _approaches(before: Report, after: Report) -> list[dict[str, Any]]:
    old, new = before["summary"]["by_approach"], after["summary"]["by_approach"]
    rows = []
    for note in (*LABELS, "start"):
        was, now = old.get(note), new.get(note)
        if was is None or now is None:
            continue
        rows.append(
            {
                "approach": note,
                "was": f"{was['clean']} of {was['movements']}",
                "now": f"{now['clean']} of {now['movements']}",
                "change": _change(was["clean"] / was["movements"], now["clean"] / now["movements"]),
            }
        )
    return rows


def _change(was: float, now: float) -> str:
    return "the same" if abs(now - was) < 1e-9 else ("cleaner" if now > was else "less clean")


def movement_choices(report: Report) -> list[tuple[int, str]]:
    """The movements of the music by number, named, for a choice."""
    return [
        (number, f"bar {movement['bar']}, beat {movement['beat']:g}: {wording.movement_name(movement)}")
        for number, movement in sorted(by_number(report).items())
        if movement["beat"] is not None
    ]


def usual_movement(older: Report, newer: Report) -> int | None:
    """The movement to look at where nobody chose one: the first that is not clean yet, else the first."""
    movements = by_number(newer)
    faulty = [number for number, movement in sorted(movements.items()) if wording.verdict(movement) == "fault"]
    before = by_number(older)
    return next((number for number in faulty if number in before), next(iter(sorted(movements)), None))


def multiples(takes: Sequence[Take], number: int) -> list[dict[str, Any]]:
    """Movement `number` of the music in each of `takes`, all on one scale, their beats at the same place."""
    found = []
    for take in takes:
        movement = by_number(report_of(take)).get(number)
        if movement is not None:
            found.append(
                {
                    "date": timezone.localtime(take.created_at),
                    "address": _address(take, movement["index"]),
                    "verdict": wording.verdict(movement),
                    "word": wording.chart_word(movement),
                    "offset": _offset(movement),
                    "strip": _around(report_of(take), movement),
                }
            )
    return found


def _offset(movement: MovementReport) -> str:
    offset = movement["beat_offset_ms"]
    if offset is None:
        return ""
    if abs(offset) < 1.0:
        return "on the beat"
    return f"{abs(offset):.0f} ms {'after' if offset > 0 else 'before'} the beat"


def _around(report: Report, movement: MovementReport) -> Strip | None:
    measures = movement.get("measures")
    beat_s = movement["beat_s"] if movement["beat_s"] is not None else movement["start_s"]
    if beat_s is None:
        return None
    length = (measures["beat_length_ms"] if measures else None) or 1000.0
    scale = BEAT_WIDE * 1000.0 / length

    def at(seconds: float) -> float:
        return 4.0 * (seconds - beat_s) * scale  # a movement is a small part of a beat

    left, right = -4.0 * _BEFORE * BEAT_WIDE, 4.0 * _AFTER * BEAT_WIDE
    return {
        "boxes": _boxes(report, at, left, right),
        "told": [],
        "beats": [0.0] if movement["beat_s"] is not None else [],
        "left": left,
        "wide": right - left,
        "words": f"{wording.movement_name(movement)}: {wording.chart_word(movement)}",
    }
