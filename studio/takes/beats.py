"""A tutor's beat for a whole take: chosen, moved, taken back; measured and judged anew at once, without any sound."""

from __future__ import annotations

from typing import cast

from django.db import transaction

from analysis import comparison
from analysis.beat_grid import GridError, GridSource, available, regrid
from analysis.report import Report
from analysis.score import Score, ScoreError, parse_abc
from studio.people.models import Studio, User
from studio.takes.models import BeatChange, Take
from studio.takes.reports import measure_anew
from studio.takes.rulings import plain

__all__ = ["GridError", "change_beat", "change_of", "sources_of"]


def change_of(take: Take) -> BeatChange | None:
    """The take's change of beat, if its tutor made one."""
    return BeatChange.objects.filter(take=take).first()


def sources_of(take: Take, change: BeatChange | None) -> tuple[GridSource, ...]:
    """The beats that this take can be measured against."""
    return available(_heard(take, change), tempo_bpm=take.tempo_bpm)


def change_beat(take: Take, *, source: GridSource, shift_ms: float, by: User) -> Report:
    """Measure the take against the beat of `source`, moved by `shift_ms`; the beat as heard and unmoved takes back
    whatever was changed. Raises GridError, with nothing written, where there is no such beat."""
    with transaction.atomic():
        Studio.objects.select_for_update().get(people=take.learner_id)
        take.refresh_from_db(fields=["report"])
        heard = _heard(take, change_of(take))
        if source == "heard" and shift_ms == 0.0:
            BeatChange.objects.filter(take=take).delete()
            return measure_anew(take, heard)
        changed = regrid(heard, source=source, shift_ms=shift_ms, tempo_bpm=take.tempo_bpm)
        BeatChange.objects.update_or_create(
            take=take, defaults={"source": source, "shift_ms": shift_ms, "heard_report": heard, "by": by}
        )
        if "comparison" in changed:
            changed["comparison"] = comparison.compare(changed, _score(take))
        return measure_anew(take, changed)


def on_the_tutors_beat(take: Take, report: Report) -> Report:
    """A new analysis's `report` on the beat that the tutor chose for this take earlier, if that can still be had."""
    change = change_of(take)
    if change is None:
        return report
    change.heard_report = report
    change.save(update_fields=["heard_report"])
    try:
        return regrid(
            report, source=cast(GridSource, change.source), shift_ms=change.shift_ms, tempo_bpm=take.tempo_bpm
        )
    except GridError:
        change.delete()
        return report


def _heard(take: Take, change: BeatChange | None) -> Report:
    return cast(Report, change.heard_report) if change is not None else plain(cast(Report, take.report))


def _score(take: Take) -> Score | None:
    try:
        return parse_abc(take.abc) if take.abc else None
    except ScoreError:
        return None
