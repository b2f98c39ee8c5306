"""Which takes a person may meet. Everything else answers as if it did not exist."""

from __future__ import annotations

import uuid

from django.contrib.auth.models import AnonymousUser
from django.db.models import QuerySet
from django.http import Http404

from studio.people.models import User
from studio.takes.models import Take


def visible_takes(user: User | AnonymousUser) -> QuerySet[Take]:
    """A tutor's: all that learners of the own studio played. A learner's: their own. Anybody else's: none.

    What a tutor recorded as an answer is a take as well, reached by the note that it belongs to and never here.
    """
    takes = Take.objects.select_related("learner", "exercise")
    if not isinstance(user, User):
        return takes.none()
    if user.is_tutor:
        return takes.filter(learner__studio=user.studio_id, learner__role=User.Role.LEARNER)
    return takes.filter(learner=user) if user.is_learner else takes.none()


def take_or_404(user: User | AnonymousUser, pk: uuid.UUID) -> Take:
    """The take `pk` when `user` may see it. Raises Http404 otherwise."""
    try:
        return visible_takes(user).get(pk=pk)
    except Take.DoesNotExist:
        raise Http404("no such take") from None
