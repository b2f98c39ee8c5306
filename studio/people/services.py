"""What happens to people: a studio is set up, learners are added, join by a one-time link, leave and come back."""

from __future__ import annotations

import hashlib
import secrets
from datetime import timedelta
from typing import Final

from django.db import IntegrityError, transaction
from django.utils import timezone

from studio.people.models import Invitation, Studio, User

LINK_LIFE: Final = timedelta(days=14)
_TOKEN_BYTES: Final = 24
_PLACEHOLDER: Final = "joining-"


class LinkSpent(Exception):
    """The join link was used, replaced or has run out since its page was opened."""


class UsernameTaken(Exception):
    """Somebody else chose this user name a moment ago."""


class AlreadySetUp(Exception):
    """There is a studio already."""


def create_studio(*, studio_name: str, display_name: str, username: str, password: str) -> User:
    """The first studio and its tutor. Raises AlreadySetUp when there is any studio."""
    with transaction.atomic():
        if Studio.objects.exists():
            raise AlreadySetUp
        studio = _only_studio(studio_name)
        return User.objects.create_user(
            username, password=password, studio=studio, role=User.Role.TUTOR, display_name=display_name
        )


def _only_studio(name: str) -> Studio:
    """The studio. Raises AlreadySetUp when somebody else made it since one was last looked for."""
    try:
        with transaction.atomic():
            return Studio.objects.create(name=name, set_up_here=True)
    except IntegrityError:
        raise AlreadySetUp from None


def add_learner(studio: Studio, display_name: str) -> User:
    """A learner of `studio` who cannot log in until they have joined by a link."""
    return User.objects.create_user(
        f"{_PLACEHOLDER}{secrets.token_hex(12)}", studio=studio, role=User.Role.LEARNER, display_name=display_name
    )


def has_joined(learner: User) -> bool:
    """Whether the learner has chosen a user name and password."""
    return learner.has_usable_password()


def invite(learner: User, *, by: User) -> tuple[Invitation, str]:
    """A fresh join link for `learner`: its row and its token, which is kept nowhere. Earlier links of theirs die."""
    token = secrets.token_urlsafe(_TOKEN_BYTES)
    with transaction.atomic():
        learner.invitations.filter(used_at=None).delete()
        invitation = Invitation.objects.create(
            learner=learner, token_hash=_hash(token), created_by=by, expires_at=timezone.now() + LINK_LIFE
        )
    return invitation, token


def open_invitation(token: str) -> Invitation | None:
    """The invitation of `token` while it can be used, else None."""
    return (
        Invitation.objects.select_related("learner__studio")
        .filter(token_hash=_hash(token), used_at=None, expires_at__gt=timezone.now(), learner__left_at=None)
        .first()
    )


def join(invitation: Invitation, *, username: str, password: str) -> User:
    """Give the invited learner their log-in and use up the link.

    Raises LinkSpent or UsernameTaken, with nothing changed, when somebody was quicker with the one or the other.
    """
    now = timezone.now()
    with transaction.atomic():
        used = Invitation.objects.filter(pk=invitation.pk, used_at=None, expires_at__gt=now).update(used_at=now)
        if not used:
            raise LinkSpent
        learner = User.objects.select_for_update().get(pk=invitation.learner_id)
        learner.username = username
        learner.set_password(password)
        try:
            learner.save(update_fields=["username", "password"])
        except IntegrityError:
            raise UsernameTaken from None
    return learner


def end_log_in(learner: User) -> None:
    """The learner has left: log-in and open links end at once, takes and plans stay."""
    with transaction.atomic():
        learner.invitations.filter(used_at=None).delete()
        learner.left_at = timezone.now()
        learner.is_active = False
        learner.save(update_fields=["left_at", "is_active"])


def bring_back(learner: User) -> None:
    """The learner is here again, with the user name and password they had."""
    learner.left_at = None
    learner.is_active = True
    learner.save(update_fields=["left_at", "is_active"])


def _hash(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
