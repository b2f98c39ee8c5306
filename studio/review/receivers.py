"""What the review room does when something else changes."""

from __future__ import annotations

from typing import Any

from django.db import transaction
from django.db.models.signals import post_delete
from django.dispatch import receiver

from studio.review.clips import remove_clips, remove_old_clips
from studio.takes.models import Take
from studio.takes.signals import tidying


@receiver(post_delete, sender=Take)
def _clips_go_with_their_take(sender: type[Take], *, instance: Take, **kwargs: Any) -> None:
    key = instance.pk
    transaction.on_commit(lambda: remove_clips(key), robust=True)


@receiver(tidying)
def _old_clips_go(sender: Any, **kwargs: Any) -> int:
    return remove_old_clips()
