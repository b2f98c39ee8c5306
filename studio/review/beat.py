"""The beat of a take in words, and what a tutor may change about it."""

from __future__ import annotations

from typing import Any, Final, cast

from django.urls import reverse

from analysis.beat_grid import MOST_SHIFT_MS, GridSource
from analysis.report import BeatSource, Report
from studio.review import wording
from studio.takes import beats
from studio.takes.models import BeatChange, Take

_HEARD: Final[dict[BeatSource, str]] = {
    "click": "the clicks heard in the take",
    "tap": "the taps heard in the take",
    "count-in": "the count-in, carried on",
    "fitted": "a steady line through the notes",
}
_OTHERS: Final[dict[GridSource, str]] = {
    "fitted": "a steady line through the movements",
    "tempo": "the tempo that was set, laid evenly through the movements",
}


def words(take: Take, change: BeatChange | None) -> str:
    """Which beat offsets are told from, and that a tutor chose it, where one did."""
    report = cast(Report, take.report)
    if change is None:
        return wording.beat_words(report["beat"]["source"])
    source = cast(GridSource, change.source)
    if source == "heard":
        return f"{wording.beat_words(report['beat']['source'])} The tutor moved this beat: {_moved(change.shift_ms)}."
    told = f"Measured against {_OTHERS[source]}, as the tutor chose"
    moved = f", {_moved(change.shift_ms)}" if change.shift_ms else ""
    return f"{told}{moved}: it shows evenness, not lateness."


def _moved(shift_ms: float) -> str:
    return f"{abs(shift_ms):.0f} ms {'later' if shift_ms > 0 else 'earlier'}"


def choices(take: Take, change: BeatChange | None) -> dict[str, Any]:
    """For the tutor's form: the beats there are, which one it is, and how far it is moved."""
    heard = cast(Report, change.heard_report if change is not None else take.report)["beat"]["source"]
    named = [
        (source, _HEARD[heard] if source == "heard" else _OTHERS[source]) for source in beats.sources_of(take, change)
    ]
    return {
        "address": reverse("review:beat", args=[take.pk]),
        "sources": named,
        "source": change.source if change is not None else "heard",
        "shift_ms": round(change.shift_ms) if change is not None else 0,
        "most_ms": round(MOST_SHIFT_MS),
        "changed": change is not None,
    }
