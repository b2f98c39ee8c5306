"""Weekly plans: which one counts, setting one, and the days that count as clean.

A plan counts from its first day until the day before the next one starts. A clean day of a set exercise is a day, in
the studio's time zone, on which at least one take of that exercise, at the set tempo or faster, had every movement
clean: days are counted and not takes, since what was played clean once may have been luck.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Final

from django.db import transaction
from django.db.models import OuterRef, QuerySet, Subquery
from django.utils import timezone

from studio.exercises.models import Exercise
from studio.people.models import User
from studio.takes.models import Take
from studio.week.models import Plan, SetExercise

WEEK: Final = timedelta(days=7)
MAX_ROWS: Final = 20


class PlanClash(Exception):
    """The learner has another plan from that day on."""


@dataclass(frozen=True)
class SetRow:
    """One exercise to be set: `clean_days` days at `tempo_bpm` beats a minute or faster."""

    exercise: Exercise
    tempo_bpm: int
    clean_days: int = 3
    note: str = ""


@dataclass(frozen=True)
class PlayedTake:
    """What counting needs of a ready take."""

    learner_id: int
    exercise_id: int | None
    tempo_bpm: int | None
    day: date
    movements: int
    clean: int

    @property
    def wholly_clean(self) -> bool:
        return 0 < self.movements == self.clean


def current_plan(learner: User, on: date | None = None) -> Plan | None:
    """The plan that counts for `learner` on that day (today, when None)."""
    started = Plan.objects.filter(learner=learner, starts_on__lte=on or timezone.localdate())
    return started.order_by("-starts_on").first()


def current_plans(learners: Iterable[User], on: date | None = None) -> dict[int, Plan]:
    """The plans that count on that day, by the learner's primary key, exercises included; in three queries."""
    started = Plan.objects.filter(learner=OuterRef("learner"), starts_on__lte=on or timezone.localdate())
    latest = Subquery(started.order_by("-starts_on").values("starts_on")[:1])
    plans = Plan.objects.filter(learner__in=list(learners), starts_on=latest).prefetch_related("exercises__exercise")
    return {plan.learner_id: plan for plan in plans}


def coming_plans(learners: Iterable[User]) -> dict[int, Plan]:
    """The next plans of those who have one set already, by the learner's primary key; in one query."""
    coming = Plan.objects.filter(learner__in=list(learners), starts_on__gt=timezone.localdate()).order_by("-starts_on")
    return {plan.learner_id: plan for plan in coming}  # of several, the first to come stays


def next_start(current: Plan | None, today: date) -> date:
    """From which day the next plan would count: whole weeks after the current one, today at the earliest."""
    if current is None:
        return today
    weeks = max(1, -(-(today - current.starts_on).days // 7))
    return current.starts_on + weeks * WEEK


def set_plan(
    learner: User,
    *,
    starts_on: date,
    rows: Sequence[SetRow],
    note: str = "",
    by: User | None = None,
    plan: Plan | None = None,
) -> Plan:
    """Set what `learner` works on from `starts_on`, in the order of `rows`; replaces what a given `plan`, or else the
    plan of that day, held before. Raises PlanClash when `plan` would be moved onto another one's day."""
    with transaction.atomic():
        User.objects.select_for_update().get(pk=learner.pk)  # one at a time for each learner
        there = Plan.objects.filter(learner=learner, starts_on=starts_on).first()
        if plan is None:
            plan = there or Plan(learner=learner, created_by=by)
        elif there is not None and there.pk != plan.pk:
            raise PlanClash
        plan.starts_on, plan.note = starts_on, note
        plan.save()
        plan.exercises.all().delete()
        SetExercise.objects.bulk_create(
            SetExercise(
                plan=plan,
                exercise=row.exercise,
                position=position,
                tempo_bpm=row.tempo_bpm,
                clean_days=row.clean_days,
                note=row.note,
            )
            for position, row in enumerate(rows)
        )
    return plan


def plan_end(plan: Plan) -> date | None:
    """The first day on which the next plan counts instead, or None."""
    later = Plan.objects.filter(learner=plan.learner_id, starts_on__gt=plan.starts_on).order_by("starts_on")
    return later.values_list("starts_on", flat=True).first()


def start_of(day: date) -> datetime:
    """The moment at which `day` begins in the studio's time zone."""
    return timezone.make_aware(datetime.combine(day, time.min))


def played(takes: QuerySet[Take], *, since: date, until: date | None = None) -> list[PlayedTake]:
    """The ready ones of `takes` from the day `since` to the day before `until`, oldest first; one query."""
    ready = takes.filter(state=Take.State.READY, created_at__gte=start_of(since))
    if until is not None:
        ready = ready.filter(created_at__lt=start_of(until))
    rows = ready.order_by("created_at").values_list(
        "learner_id", "exercise_id", "tempo_bpm", "created_at", "movement_count", "clean_count"
    )
    return [
        PlayedTake(learner, exercise, tempo, timezone.localdate(when), movements, clean)
        for learner, exercise, tempo, when, movements, clean in rows
    ]


def takes_of(set_exercise: SetExercise, takes: Iterable[PlayedTake]) -> list[PlayedTake]:
    """Those of `takes` that count for a set exercise: of it, at its tempo or faster."""
    return [
        take
        for take in takes
        if take.exercise_id == set_exercise.exercise_id and (take.tempo_bpm or 0) >= set_exercise.tempo_bpm
    ]


def days_clean(set_exercise: SetExercise, takes: Iterable[PlayedTake]) -> list[date]:
    """The clean days of a set exercise among `takes`, in order."""
    return sorted({take.day for take in takes_of(set_exercise, takes) if take.wholly_clean})


def clean_days(learner: User, set_exercise: SetExercise) -> list[date]:
    """The clean days of a set exercise of `learner` while its plan counts, in order."""
    plan = set_exercise.plan
    takes = Take.objects.filter(learner=learner, exercise=set_exercise.exercise_id)
    return days_clean(set_exercise, played(takes, since=plan.starts_on, until=plan_end(plan)))
