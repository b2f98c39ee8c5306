"""Reports in the database: stored whole, with one row a movement, judged again when tolerances change.

A stored report holds the tutor's word (studio/takes/rulings.py), and so does everything counted from it: rows, counts,
summary. What the analysis itself said is kept inside, movement by movement.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, cast

from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone

from analysis.judgement import Level, Tolerances, is_clean, tolerances
from analysis.movements import Form, Kind
from analysis.report import Flag, Report
from studio.people.models import Studio
from studio.takes.models import Movement, Ruling, Take
from studio.takes.rulings import Name, Word, is_ruled, ruled

if TYPE_CHECKING:
    from analysis.api import Options

_BATCH = 50


def studio_tolerances(studio: Studio) -> Tolerances:
    """The studio's level with its own values over it. Raises ValueError on names or values that are none."""
    return tolerances(cast(Level, studio.level), studio.tolerances)


def analysis_options(studio: Studio, *, tempo_bpm: float | None = None) -> Options:
    """How this studio has its takes analysed."""
    from analysis.api import Options  # numerical libraries: only where something is analysed

    return Options(
        tempo_bpm=tempo_bpm,
        beat_points=studio.beat_points,
        tolerances=studio_tolerances(studio),
        tuning="older" if studio.tuning == Studio.Tuning.OLDER else "harmonic",
    )


def words_of(rulings: Iterable[Ruling]) -> dict[int, Word]:
    """What a tutor said of one take's movements, by their index."""
    by_index: dict[int, list[Ruling]] = {}
    for ruling in rulings:
        by_index.setdefault(ruling.index, []).append(ruling)
    return {index: _word(said) for index, said in by_index.items()}


def _word(said: list[Ruling]) -> Word:
    of = {ruling.about: ruling for ruling in said if ruling.about != Ruling.About.FLAG}
    name, beat = of.get(Ruling.About.NAME), of.get(Ruling.About.BEAT)
    return Word(
        flags={cast(Flag, ruling.flag): ruling.holds for ruling in said if ruling.about == Ruling.About.FLAG},
        name=Name(cast(Kind, name.kind), cast(Form, name.form), name.on) if name else None,
        beat_s=beat.beat_s if beat else None,
        heard=Ruling.About.HEARD in of,
    )


def movement_rows(take: Take, report: Report) -> Iterator[Movement]:
    """One unsaved row for each movement of the report."""
    for entry in report["movements"]:
        yield Movement(
            take=take,
            index=entry["index"],
            kind=entry["kind"],
            form=entry["form"],
            on=entry["on"],
            approach=entry["from"] or "",
            start_s=entry["start_s"],
            end_s=entry["end_s"],
            beat_offset_ms=entry["beat_offset_ms"],
            flags=entry["flags"],
            own_flags=entry["overruled"]["flags"] if "overruled" in entry else None,
            clean=is_clean(entry),
            confidence=entry["confidence"],
        )


def store_report(take: Take, report: Report, *, audio: str = "") -> bool:
    """Store the report and its movements in one transaction and make the take ready.

    Only the holder of the claim in `take` may: False, with nothing written, when the row carries another. `audio` is
    the storage name of the transcode. The report is judged by the tolerances of this very moment, since they may have
    changed while the analysis ran.
    """
    from studio.takes.beats import on_the_tutors_beat  # builds on what is here

    with transaction.atomic():
        # The lock keeps a re-judgement from passing between our reading of the tolerances and our writing.
        studio = Studio.objects.select_for_update().get(people=take.learner_id)
        report = on_the_tutors_beat(take, report)
        judged = ruled(report, words_of(Ruling.objects.filter(take=take)), studio_tolerances(studio))
        now = timezone.now()
        held = Take.objects.filter(pk=take.pk, claim=take.claim).update(
            state=Take.State.READY,
            claim=None,
            stage="",
            failure="",
            ready_at=now,
            judged_at=now,
            report=judged,
            audio=audio or take.audio,
            duration_s=judged["recording"]["duration_s"],
            movement_count=judged["summary"]["movements"],
            clean_count=judged["summary"]["clean"],
        )
        if not held:
            return False
        Movement.objects.filter(take=take).delete()
        Movement.objects.bulk_create(movement_rows(take, judged), batch_size=500)
    take.refresh_from_db()
    return True


def rejudge(studio: Studio) -> int:
    """Judge every stored report of `studio` anew by its tolerances, without touching any sound; how many changed.

    Raises ValueError, with nothing written, when the studio's tolerances are not usable.
    """
    changed = 0
    with transaction.atomic():
        limits = studio_tolerances(Studio.objects.select_for_update().get(pk=studio.pk))
        ready = Take.objects.filter(learner__studio=studio, state=Take.State.READY, report__isnull=False)
        keys = list(ready.order_by("pk").values_list("pk", flat=True))
        for start in range(0, len(keys), _BATCH):
            changed += _rejudge(Take.objects.filter(pk__in=keys[start : start + _BATCH]), limits)
    return changed


def rejudge_take(take: Take) -> Report:
    """Judge one stored report anew, with all that a tutor said of it by now; the report as it is stored then."""
    with transaction.atomic():
        # The same lock as above, before the report is read, so that neither writes over the other.
        Studio.objects.select_for_update().get(people=take.learner_id)
        take.refresh_from_db(fields=["report"])
        return measure_anew(take, cast(Report, take.report))


def _rejudge(takes: QuerySet[Take], limits: Tolerances) -> int:
    batch: list[Take] = []
    found = list(takes.only("pk", "report", "movement_count", "clean_count"))
    said = _said([take for take in found if is_ruled(cast(Report, take.report))])
    for take in found:
        judged = ruled(cast(Report, take.report), words_of(said.get(take.pk, [])), limits)
        if judged != take.report:
            take.report = judged
            take.movement_count = judged["summary"]["movements"]
            take.clean_count = judged["summary"]["clean"]
            batch.append(take)
    _write(batch)
    return len(batch)


def _said(takes: list[Take]) -> dict[uuid.UUID, list[Ruling]]:
    """What a tutor said, by the takes' keys; most takes are spoken about by nobody."""
    found: dict[uuid.UUID, list[Ruling]] = {}
    for ruling in Ruling.objects.filter(take__in=takes) if takes else ():
        found.setdefault(ruling.take_id, []).append(ruling)
    return found


def measure_anew(take: Take, report: Report) -> Report:
    """Store other measures for a ready take, judged, with all that a tutor said of it; the report as it is stored then.

    Raises ValueError, with nothing written, when the studio's tolerances are not usable.
    """
    with transaction.atomic():
        studio = Studio.objects.select_for_update().get(people=take.learner_id)
        judged = ruled(report, words_of(Ruling.objects.filter(take=take)), studio_tolerances(studio))
        take.report = judged
        take.movement_count = judged["summary"]["movements"]
        take.clean_count = judged["summary"]["clean"]
        _write([take])
    return judged


def _write(batch: list[Take]) -> None:
    """Reports, counts and the movements' rows of takes that were judged anew."""
    if batch:
        now = timezone.now()
        for take in batch:
            take.judged_at = now
        Take.objects.bulk_update(batch, ["report", "movement_count", "clean_count", "judged_at"])
        rows = [row for take in batch for row in movement_rows(take, cast(Report, take.report))]
        Movement.objects.bulk_create(
            rows,
            batch_size=500,
            update_conflicts=True,
            unique_fields=["take", "index"],
            update_fields=["kind", "form", "on", "beat_offset_ms", "flags", "own_flags", "clean", "confidence"],
        )
