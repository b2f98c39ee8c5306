"""How a week went: for one learner, for all on the board, and over several weeks."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Final

from django.db.models import prefetch_related_objects
from django.utils import timezone

from studio.people.models import User
from studio.takes.models import Take
from studio.week.models import Plan, SetExercise
from studio.week.services import WEEK, PlayedTake, current_plans, days_clean, played, takes_of

WEEKS_SHOWN: Final = 8


@dataclass(frozen=True)
class ExerciseProgress:
    """How far a set exercise has come: `takes` are those that count for it."""

    set_exercise: SetExercise
    takes: Sequence[PlayedTake]
    clean_days: int

    @property
    def reached(self) -> bool:
        return self.clean_days >= self.set_exercise.clean_days

    @property
    def wanted_days(self) -> int:
        return self.set_exercise.clean_days

    @property
    def best(self) -> PlayedTake | None:
        """The take with the largest share of clean movements, of several the latest."""
        shares = [(take.clean / take.movements, number) for number, take in enumerate(self.takes) if take.movements]
        return self.takes[max(shares)[1]] if shares else None


@dataclass(frozen=True)
class WeekProgress:
    """A learner's week: its plan, if there is one, and what was played since `since`."""

    plan: Plan | None
    since: date
    takes: Sequence[PlayedTake] = field(default_factory=tuple)

    @property
    def movements(self) -> int:
        return sum(take.movements for take in self.takes)

    @property
    def clean(self) -> int:
        return sum(take.clean for take in self.takes)

    @property
    def exercises(self) -> list[ExerciseProgress]:
        """In the plan's order."""
        rows = self.plan.exercises.all() if self.plan is not None else []
        return [ExerciseProgress(row, takes_of(row, self.takes), len(days_clean(row, self.takes))) for row in rows]


def week_of(learner: User, plan: Plan | None, until: date | None = None) -> WeekProgress:
    """The week of `plan`; without one the last seven days."""
    if plan is not None:
        prefetch_related_objects([plan], "exercises__exercise")
    since = plan.starts_on if plan is not None else timezone.localdate() - WEEK
    return WeekProgress(plan, since, played(Take.objects.filter(learner=learner), since=since, until=until))


def weeks_of_all(learners: Sequence[User]) -> dict[int, WeekProgress]:
    """The current week of each learner by primary key, in three queries however many there are."""
    plans = current_plans(learners)
    week_ago = timezone.localdate() - WEEK
    since = {learner.pk: plans[learner.pk].starts_on if learner.pk in plans else week_ago for learner in learners}
    takes: dict[int, list[PlayedTake]] = defaultdict(list)
    if learners:
        for take in played(Take.objects.filter(learner__in=list(learners)), since=min(since.values())):
            if take.day >= since[take.learner_id]:
                takes[take.learner_id].append(take)
    return {pk: WeekProgress(plans.get(pk), day, takes[pk]) for pk, day in since.items()}


def past_weeks(learner: User) -> list[WeekProgress]:
    """The last weeks that had a plan, newest first."""
    today = timezone.localdate()
    plans = list(
        Plan.objects.filter(learner=learner, starts_on__lte=today)
        .prefetch_related("exercises__exercise")
        .order_by("-starts_on")[:WEEKS_SHOWN]
    )
    if not plans:
        return []
    takes = played(Take.objects.filter(learner=learner), since=plans[-1].starts_on)
    weeks: list[WeekProgress] = []
    until: date | None = None
    for plan in plans:
        own = [take for take in takes if take.day >= plan.starts_on and (until is None or take.day < until)]
        weeks.append(WeekProgress(plan, plan.starts_on, own))
        until = plan.starts_on
    return weeks
