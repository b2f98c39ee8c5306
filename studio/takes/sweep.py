"""The sweep finds takes that the broker or a worker lost, and rings again. It makes the broker a mere doorbell."""

from __future__ import annotations

import logging
import threading
import uuid
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Final

from celery.signals import worker_ready
from django.conf import settings
from django.core.cache import cache
from django.core.files.storage import default_storage
from django.db import connections
from django.db.models import Q
from django.utils import timezone

from studio.exercises.rendered import remove_old_models
from studio.takes import claims
from studio.takes.models import Take
from studio.takes.services import ring
from studio.takes.signals import tidying

log = logging.getLogger(__name__)

_ORPHAN_AGE: Final = timedelta(days=1)


@dataclass(frozen=True)
class Swept:
    """What a sweep did: takes taken back from workers that fell silent, takes rung for again, takes given up."""

    taken_back: int = 0
    rung: int = 0
    given_up: int = 0


def sweep() -> Swept:
    """Take back what silent workers hold, give up what failed too often, ring for what waits unheard."""
    now = timezone.now()
    taken_back = given_up = rung = 0
    silent = Take.objects.filter(
        state=Take.State.ANALYSING, heartbeat_at__lt=now - timedelta(seconds=settings.TAKES_HEARTBEAT_LOST_S)
    )
    for take in silent.only("pk", "claim", "attempts"):
        over = take.attempts >= claims.MAX_ATTEMPTS
        if claims.give_back(take):
            log.warning("the worker on take %s fell silent in attempt %d", take.pk, take.attempts)
            given_up += over
            taken_back += not over
            if not over:
                rung += ring(take.pk)
    unheard = Q(rung_at__isnull=True) | Q(rung_at__lt=now - timedelta(seconds=settings.TAKES_RING_AGAIN_S))
    waiting = Take.objects.filter(unheard, state=Take.State.QUEUED).order_by("queued_at")
    for take in waiting.only("pk", "rung_at"):
        # Several sweeps may run at once: whoever sets the new time rings.
        if Take.objects.filter(pk=take.pk, state=Take.State.QUEUED, rung_at=take.rung_at).update(rung_at=now):
            rung += ring(take.pk)
    return Swept(taken_back, rung, given_up)


def remove_orphans() -> int:
    """Delete stored sound that no take knows and that is older than a day; how many files went."""
    removed = 0
    limit = timezone.now() - _ORPHAN_AGE
    if not default_storage.exists("takes"):
        return 0
    folders, _ = default_storage.listdir("takes")
    for folder in folders:
        known = _known_files(folder)
        for file in default_storage.listdir(f"takes/{folder}")[1]:
            name = f"takes/{folder}/{file}"
            if name not in known and default_storage.get_modified_time(name) < limit:
                default_storage.delete(name)
                removed += 1
    return removed


def _known_files(folder: str) -> set[str]:
    try:
        key = uuid.UUID(folder)
    except ValueError:  # not a take's folder
        return set()
    return set(Take.objects.filter(pk=key).values_list("original", "audio").first() or ())


def tidy_once_a_day() -> None:
    """Delete stored sound that nobody needs any more; of all workers, the first that asks in a day does it."""
    if not cache.add("tidied", True, settings.TAKES_TIDY_EVERY_S):
        return
    orphans, models = remove_orphans(), remove_old_models()
    others = sum(int(removed or 0) for _, removed in tidying.send(Take))
    if orphans or models or others:
        log.info("%d files without a take, %d old model takes, %d old clips were deleted", orphans, models, others)


class Sweeper:
    """Sweeps every few seconds in a thread of the worker's main process; connections are closed in between, so that
    pool processes forked later inherit none."""

    def __init__(self) -> None:
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="sweeper", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Ends the thread, waiting for a sweep in progress."""
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        while True:
            try:
                sweep()
                tidy_once_a_day()
            except Exception:  # whatever it is, the next sweep is worth trying
                log.exception("the sweep broke off")
            finally:
                connections.close_all()
            if self._stop.wait(settings.TAKES_SWEEP_EVERY_S):
                return


@worker_ready.connect  # type: ignore[untyped-decorator]
def _start_sweeper(**kwargs: Any) -> None:
    Sweeper().start()
