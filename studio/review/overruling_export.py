"""Every movement of a studio's heard takes as CSV: what the analysis said, what the tutor did, and the measures."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from typing import Any, Final, cast

from django.utils import timezone

from analysis.judgement import is_clean
from analysis.report import MovementReport, Report
from studio.people.models import User
from studio.review.wording import movement_name
from studio.takes.models import Take

COLUMNS: Final = (
    "learner", "played", "take", "exercise", "tempo_bpm", "beat_source", "index", "movement", "kind", "form", "on",
    "from", "bar", "beat", "start_s", "end_s", "beat_s", "beat_offset_ms", "beat_length_ms", "gap_ms", "gracenotes_ms",
    "noises_ms", "parts_ms", "confidence", "clean", "flags", "analysis_flags", "struck", "added", "analysis_movement",
    "analysis_beat_s", "analysis_beat_offset_ms", "analysis_confidence",
)  # fmt: skip
#: A cell that begins like this is a formula to a spreadsheet.
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


class _Echo:
    """A file that hands back what is written to it."""

    def write(self, value: str) -> str:
        return value


def lines(tutor: User) -> Iterator[str]:
    """The file, line by line, so that a large studio takes no more memory than one take."""
    writer = csv.writer(_Echo())
    # By this mark spreadsheets know the file's letters.
    yield "\N{ZERO WIDTH NO-BREAK SPACE}" + writer.writerow(COLUMNS)
    heard = Take.objects.filter(
        learner__studio=tutor.studio_id,
        learner__role=User.Role.LEARNER,
        heard_at__isnull=False,
        state=Take.State.READY,
        report__isnull=False,
    )
    for take in heard.select_related("learner", "exercise").order_by("created_at").iterator(chunk_size=20):
        report = cast(Report, take.report)
        for movement in report["movements"]:
            yield writer.writerow([_cell(value) for value in _row(take, report, movement)])


def _row(take: Take, report: Report, movement: MovementReport) -> Iterable[Any]:
    own = movement.get("overruled")
    measures = movement.get("measures")
    own_flags = own["flags"] if own else movement["flags"]
    own_name = movement_name(cast(MovementReport, {**movement, **own})) if own else movement_name(movement)
    return (
        str(take.learner),
        timezone.localtime(take.created_at).strftime("%Y-%m-%d %H:%M"),
        take.pk,
        take.exercise.title if take.exercise else "free playing",
        take.tempo_bpm,
        report["beat"]["source"],
        movement["index"],
        movement_name(movement),
        movement["kind"],
        movement["form"],
        movement["on"],
        movement["from"],
        movement["bar"],
        movement["beat"],
        movement["start_s"],
        movement["end_s"],
        movement["beat_s"],
        movement["beat_offset_ms"],
        measures["beat_length_ms"] if measures else None,
        movement["gap_ms"],
        "; ".join(f"{note['note']} {note['length_ms']:.1f}" for note in movement["gracenotes"]),
        "; ".join(f"{note['note']} {note['length_ms']:.1f}" for note in measures["noises"]) if measures else "",
        "; ".join(f"{part:.1f}" for part in measures["parts_ms"]) if measures else "",
        movement["confidence"],
        "yes" if is_clean(movement) else "no",
        "; ".join(movement["flags"]),
        "; ".join(own_flags),
        "; ".join(flag for flag in own_flags if flag not in movement["flags"]),
        "; ".join(flag for flag in movement["flags"] if flag not in own_flags),
        own_name,
        own["beat_s"] if own else movement["beat_s"],
        own["beat_offset_ms"] if own else movement["beat_offset_ms"],
        own["confidence"] if own else movement["confidence"],
    )


def _cell(value: Any) -> Any:
    """The value as a spreadsheet takes it for itself: words of people are no formulas, numbers stay numbers."""
    if isinstance(value, str) and value.startswith(_FORMULA):
        return f"'{value}"
    return "" if value is None else value
