"""What takes do when something else changes."""

from __future__ import annotations

from typing import Any

from django.dispatch import receiver

from studio.people.models import Studio
from studio.people.signals import judging_changed
from studio.takes.reports import rejudge


@receiver(judging_changed)
def _judge_anew(sender: type[Studio], *, studio: Studio, **kwargs: Any) -> int:
    return rejudge(studio)
