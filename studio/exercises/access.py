"""Which exercises a person may meet."""

from __future__ import annotations

from django.contrib.auth.models import AnonymousUser
from django.db.models import Q, QuerySet
from django.http import Http404

from studio.exercises.models import Exercise
from studio.people.models import User


def visible_exercises(user: User | AnonymousUser) -> QuerySet[Exercise]:
    """A tutor's: all of the own studio, put away or not. A learner's: those that were ever set for them, and those that
    the tutor opened to all, while they are in use. Else none."""
    if isinstance(user, User) and user.is_tutor:
        return Exercise.objects.filter(studio=user.studio_id)
    if isinstance(user, User) and user.is_learner:
        # `settings` are the places of the exercise in plans (studio.week), reached by name: plans build on exercises.
        was_set = Exercise.objects.filter(settings__plan__learner=user).values("pk")
        is_open = Q(open_to_all=True, put_away_at__isnull=True)
        return Exercise.objects.filter(Q(pk__in=was_set) | is_open, studio=user.studio_id)
    return Exercise.objects.none()


def exercise_or_404(user: User | AnonymousUser, pk: int) -> Exercise:
    """The exercise `pk` when `user` may see it. Raises Http404 otherwise."""
    try:
        return visible_exercises(user).select_related("studio").get(pk=pk)
    except Exercise.DoesNotExist:
        raise Http404("no such exercise") from None
