"""What a learner's plans say of exercises. Plans (studio.week) build on exercises, so they are reached by name."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.db.models import BooleanField, Case, Exists, OuterRef, QuerySet, Value, When
from django.utils import timezone

from studio.exercises.models import Exercise
from studio.people.models import User


def tempos_set_for(learner: User, on: date | None = None) -> dict[int, int]:
    """By the keys of exercises, the tempo that each was set for the learner last, up to the day `on` (None: today)."""
    plans = learner.plans.filter(starts_on__lte=on or timezone.localdate(), exercises__isnull=False)
    # The first place in a plan counts where an exercise has two.
    places = plans.order_by("starts_on", "-exercises__position", "-exercises__pk")
    return dict(places.values_list("exercises__exercise", "exercises__tempo_bpm"))


def tempo_for(exercise: Exercise, person: User) -> int:
    """The tempo at which this person practises the exercise: as it was set for a learner last, else its own."""
    set_tempo = tempos_set_for(person).get(exercise.pk) if person.is_learner else None
    return set_tempo or exercise.tempo_bpm


def plan_for(learner: User, on: date | None = None) -> Any:
    """The learner's plan that began last up to the day `on`; without a day their newest, begun or to come. Or None."""
    plans = learner.plans.all() if on is None else learner.plans.filter(starts_on__lte=on)
    return plans.order_by("-starts_on").first()


def with_places(exercises: QuerySet[Exercise], learner: User) -> QuerySet[Exercise]:
    """`exercises` with `is_now`, whether each is in the learner's plan of today, and `was_set`, whether it ever was in
    one; those of today first."""
    plan = plan_for(learner, timezone.localdate())
    now = [] if plan is None else list(plan.exercises.values_list("exercise", flat=True))
    was_set = Exercise.objects.filter(pk=OuterRef("pk"), settings__plan__learner=learner)
    is_now = Case(When(pk__in=now, then=Value(True)), default=Value(False), output_field=BooleanField())
    return exercises.annotate(is_now=is_now, was_set=Exists(was_set)).order_by("-is_now", "-was_set", "title", "pk")
