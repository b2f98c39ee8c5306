"""Who works on a take. The row decides: a worker holds a take as long as the row carries the worker's claim.

Every write about a take that is being analysed is a conditional UPDATE on that claim, so that a worker which was taken
for dead and is not can no longer change anything.
"""

from __future__ import annotations

import logging
import threading
import uuid
from types import TracebackType
from typing import Any, Final

from django.conf import settings
from django.db import DatabaseError, connection
from django.db.models import F
from django.utils import timezone

from studio.takes.models import Take

log = logging.getLogger(__name__)

#: How often a take is tried before it is given up.
MAX_ATTEMPTS: Final = 3
GAVE_UP: Final = (
    "The analysis broke off three times on this recording, through no fault of yours. Try again later; "
    "if it breaks off once more, record the take anew."
)


class ClaimLost(Exception):
    """Another worker has the take now, or it was deleted: stop and write nothing."""


def claim(pk: uuid.UUID | str) -> Take | None:
    """The queued take `pk`, now held by the caller; None when it is not waiting (any more)."""
    token, now = uuid.uuid4(), timezone.now()
    claimed = Take.objects.filter(pk=pk, state=Take.State.QUEUED).update(
        state=Take.State.ANALYSING, claim=token, attempts=F("attempts") + 1, heartbeat_at=now, stage="", failure=""
    )
    return Take.objects.select_related("learner__studio").filter(claim=token).first() if claimed else None


def fail(take: Take, sentence: str, *, audio: str = "") -> bool:
    """Give the take up, showing `sentence`; False when the claim on it is lost.

    `audio` is the stored part that could be read; without it the take keeps what an earlier attempt stored.
    """
    kept = {"audio": audio} if audio else {}
    return _update(take, state=Take.State.FAILED, claim=None, stage="", failure=sentence[:400], **kept)


def give_back(take: Take) -> bool:
    """Put the take back into the queue for another attempt, or give it up after the last; False when the claim is lost.

    It is not rung for at once: what just went wrong may need a moment to pass, so the sweep does it.
    """
    if take.attempts >= MAX_ATTEMPTS:
        return fail(take, GAVE_UP)
    return _update(take, state=Take.State.QUEUED, claim=None, stage="", rung_at=timezone.now())


def _update(take: Take, **values: Any) -> bool:
    return bool(Take.objects.filter(pk=take.pk, claim=take.claim).update(**values))


class Heart:
    """Shows that the claim on `take` is alive, from a thread of its own, for as long as the context lasts."""

    def __init__(self, take: Take) -> None:
        self._take = take
        self._stage = ""
        self._lost = threading.Event()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"heart of {take.pk}", daemon=True)

    def __enter__(self) -> Heart:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop.set()
        self._thread.join()

    def stage(self, name: str, share: float = 0.0) -> None:
        """Note the stage reached. Raises ClaimLost when the take is no longer ours."""
        if self._lost.is_set():
            raise ClaimLost
        if name != self._stage:
            self._stage = name
            if not _update(self._take, stage=name[:40], heartbeat_at=timezone.now()):
                raise ClaimLost

    def _run(self) -> None:
        try:
            while not self._stop.wait(settings.TAKES_HEARTBEAT_S):
                try:
                    if not _update(self._take, heartbeat_at=timezone.now()):
                        self._lost.set()
                        return
                except DatabaseError:  # a busy or absent database for one beat is no reason to stop the analysis
                    log.warning("no heartbeat could be written for take %s", self._take.pk, exc_info=True)
        finally:
            connection.close()
