"""Who may meet whom. Whoever is not logged in is sent to log in; everything else that is not theirs answers 404."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Concatenate, ParamSpec, cast

from django.contrib.auth.decorators import login_required
from django.contrib.auth.models import AnonymousUser
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponseBase

from studio.people.models import Studio, User

P = ParamSpec("P")


class PersonRequest(HttpRequest):
    """A request by someone who is logged in."""

    user: User


View = Callable[Concatenate[PersonRequest, P], HttpResponseBase]
GuardedView = Callable[Concatenate[HttpRequest, P], HttpResponseBase]


def _guarded(view: View[P], allowed: Callable[[User], bool]) -> GuardedView[P]:
    @wraps(view)
    def guarded(request: HttpRequest, *args: P.args, **kwargs: P.kwargs) -> HttpResponseBase:
        user = request.user
        if not isinstance(user, User) or not allowed(user):
            raise Http404("not for this person")
        return view(request, *args, **kwargs)  # type: ignore[arg-type]  # the user was looked at just now

    return cast(GuardedView[P], login_required(guarded))


def tutor_required(view: View[P]) -> GuardedView[P]:
    """For tutors only."""
    return _guarded(view, lambda user: user.is_tutor)


def learner_required(view: View[P]) -> GuardedView[P]:
    """For learners only."""
    return _guarded(view, lambda user: user.is_learner)


def member_required(view: View[P]) -> GuardedView[P]:
    """For tutors and learners."""
    return _guarded(view, lambda user: user.is_tutor or user.is_learner)


def studio_of(user: User) -> Studio:
    """The studio of a tutor or learner. Raises Http404 for people who belong to none."""
    if user.studio is None:
        raise Http404("this person belongs to no studio")
    return user.studio


def visible_learners(user: User | AnonymousUser) -> QuerySet[User]:
    """A tutor's: all learners of the own studio, those who left included. A learner's: themselves. Else none."""
    learners = User.objects.filter(role=User.Role.LEARNER)
    if isinstance(user, User) and user.is_tutor:
        return learners.filter(studio=user.studio_id)
    if isinstance(user, User) and user.is_learner:
        return learners.filter(pk=user.pk)
    return learners.none()


def learner_or_404(user: User | AnonymousUser, pk: int) -> User:
    """The learner `pk` when `user` may see them. Raises Http404 otherwise."""
    try:
        return visible_learners(user).select_related("studio").get(pk=pk)
    except User.DoesNotExist:
        raise Http404("no such learner") from None
