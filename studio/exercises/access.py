"""Which exercises a person may meet."""

from __future__ import annotations

from django.contrib.auth.models import AnonymousUser
from django.db.models import QuerySet
from django.http import Http404

from studio.exercises.models import Exercise
from studio.people.models import User


def visible_exercises(user: User | AnonymousUser) -> QuerySet[Exercise]:
    """A tutor's: all of the own studio, put away or not. A learner's: those that were ever set for them. Else none."""
    if isinstance(user, User) and user.is_tutor:
        return Exercise.objects.filter(studio=user.studio_id)
    if isinstance(user, User) and user.is_learner:
        # `settings` are the places of the exercise in plans (studio.week), reached by name: plans build on exercises.
        return Exercise.objects.filter(studio=user.studio_id, settings__plan__learner=user).distinct()
    return Exercise.objects.none()


def exercise_or_404(user: User | AnonymousUser, pk: int) -> Exercise:
    """The exercise `pk` when `user` may see it. Raises Http404 otherwise."""
    try:
        return visible_exercises(user).select_related("studio").get(pk=pk)
    except Exercise.DoesNotExist:
        raise Http404("no such exercise") from None
