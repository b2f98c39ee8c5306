"""`manage.py sweep`: rings again for takes that were lost; workers do it by themselves every few seconds."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand

from studio.exercises.rendered import remove_old_models
from studio.takes.sweep import remove_orphans, sweep


class Command(BaseCommand):
    help = "Ring again for takes that wait unheard, take back those of silent workers, delete old sound."

    def handle(self, *args: Any, **options: Any) -> None:
        swept = sweep()
        removed, models = remove_orphans(), remove_old_models()
        self.stdout.write(
            f"{swept.rung} rung for, {swept.taken_back} taken back from silent workers, {swept.given_up} given up, "
            f"{removed} files without a take and {models} old model takes deleted"
        )
