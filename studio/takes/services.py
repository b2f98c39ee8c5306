"""The way of a take: made from an upload, queued, analysed once, kept or deleted.

The database is the truth and the broker a doorbell: `ring` may fail, the sweep (studio/takes/sweep.py) rings again.
"""

from __future__ import annotations

import logging
import shutil
import tempfile
import uuid
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from django.conf import settings
from django.core.files.base import File
from django.core.files.storage import default_storage
from django.db import transaction
from django.db.models import Count, Sum
from django.utils import timezone
from django.utils.module_loading import import_string

from studio.exercises.models import Exercise
from studio.exercises.set_for import tempo_for
from studio.people.models import User
from studio.takes import claims
from studio.takes.models import Take
from studio.takes.reports import analysis_options, rejudge, store_report

if TYPE_CHECKING:
    from analysis.report import Report

__all__ = [
    "UploadError", "analyse_take", "analysis_options", "create_take", "delete_take", "forget_take", "may_delete",
    "place_in_queue", "rejudge", "retry_take", "ring", "store_report",
]  # fmt: skip

log = logging.getLogger(__name__)

MAX_UPLOAD_BYTES: Final = 200 * 1024 * 1024
#: The last stage's name; those before it are the analysis's own (analysis.api.STAGES).
STORING: Final = "storing what was found"
#: What one learner may send in one day: far more than practice needs, far less than would fill a tutor's disk.
MAX_TAKES_A_DAY: Final = 60
MAX_BYTES_A_DAY: Final = 1024 * 1024 * 1024

TOO_BIG: Final = "This file is larger than 200 MB. Send a shorter recording, or one saved as m4a, mp3 or FLAC."
_EMPTY: Final = "This file is empty. Choose the recording again, or record it anew."
_ENOUGH_TAKES: Final = (
    f"That would be more than {MAX_TAKES_A_DAY} takes in one day. Send the best of them tomorrow; today's are safe."
)
_ENOUGH_BYTES: Final = (
    "That would be more than 1 GB of recordings in one day. Send it tomorrow, or send a smaller file (m4a or mp3)."
)


class UploadError(ValueError):
    """An upload that is not taken. The message is one plain sentence for the person who sent it."""


class _SoundGone(Exception):
    """The upload is not in storage. The message is for people."""


def create_take(
    *,
    learner: User,
    exercise: Exercise | None,
    upload: File[bytes],
    recorder_settings: Mapping[str, Any] | None = None,
    tempo_bpm: int | None = None,
    recorded_at: datetime | None = None,
    longest_s: float | None = None,
) -> Take:
    """Keep `upload` as a queued take of `learner` and ring for its analysis once it is safely stored.

    Without `tempo_bpm` it counts as played at the tempo that the exercise was set for last.
    `recorder_settings` is what the browser said of its microphone; `recorded_at` dates it (now, when None). What turns
    out to be longer than `longest_s` is not analysed but fails with a sentence about that. Raises UploadError on a file
    too big or empty and when the learner's daily share is used up.
    """
    size = upload.size
    if size > MAX_UPLOAD_BYTES:
        raise UploadError(TOO_BIG)
    if size == 0:
        raise UploadError(_EMPTY)
    now = timezone.now()
    take = Take(
        learner=learner,
        exercise=exercise,
        abc=exercise.abc if exercise else "",
        tempo_bpm=tempo_bpm or (tempo_for(exercise, learner) if exercise else None),
        created_at=recorded_at or now,
        original_name=Path(upload.name or "").name[-200:],
        original_bytes=size,
        recorder_settings=dict(recorder_settings or {}),
        longest_s=longest_s,
        queued_at=now,
        rung_at=now,
    )
    _check_share(take)  # before the file is copied; what counts is the same check under the lock below
    take.original.save("original", upload, save=False)
    try:
        with transaction.atomic():
            User.objects.select_for_update().get(pk=learner.pk)
            _check_share(take)
            take.save(force_insert=True)
            transaction.on_commit(lambda: ring(take.pk), robust=True)
    except BaseException:
        _remove_files([take.original.name or ""])
        raise
    return take


def _check_share(take: Take) -> None:
    """Raises UploadError when the learner has had this day's share of takes or bytes without `take`."""
    sent = Take.objects.filter(learner=take.learner, created_at__date=timezone.localdate(take.created_at)).aggregate(
        takes=Count("pk"), bytes=Sum("original_bytes", default=0)
    )
    if sent["takes"] >= MAX_TAKES_A_DAY:
        raise UploadError(_ENOUGH_TAKES)
    if sent["bytes"] + take.original_bytes > MAX_BYTES_A_DAY:
        raise UploadError(_ENOUGH_BYTES)


def ring(pk: uuid.UUID) -> bool:
    """Ask the broker to have take `pk` analysed; False when the broker cannot be reached, which loses nothing."""
    from studio.celery import app

    try:
        app.send_task("takes.analyse", args=[str(pk)], retry=False, ignore_result=True)
    except Exception:
        log.warning("the broker did not take the ring for take %s; the sweep will ring again", pk, exc_info=True)
        return False
    return True


def analyse_take(pk: uuid.UUID | str) -> None:
    """Claim take `pk`, analyse it, and store what was found or why it could not be.

    Nothing happens when the take is not waiting (any more).
    """
    from analysis.score import ScoreError

    take = claims.claim(pk)
    if take is None:
        return
    try:
        with claims.Heart(take) as heart:
            _analyse(take, heart)
    except claims.ClaimLost:
        log.warning("take %s was taken over or deleted while it was analysed; nothing is stored", pk)
    except _SoundGone as error:
        claims.fail(take, str(error))
    except ScoreError as error:
        claims.fail(take, f"The exercise's music cannot be read: {error}. Ask your tutor to mend it.")
    except Exception:
        log.exception("take %s broke off in attempt %d", pk, take.attempts)
        claims.give_back(take)


def _analyse(take: Take, heart: claims.Heart) -> None:
    from analysis.score import parse_abc
    from analysis.sound import SoundError
    from studio.takes.pipeline import TooLongError

    hear: Callable[..., Report] = import_string(settings.TAKES_ANALYSIS)
    score = parse_abc(take.abc) if take.abc else None
    studio = take.learner.studio
    if studio is None:
        raise ValueError(f"{take.learner} belongs to no studio")
    options = analysis_options(studio, tempo_bpm=take.tempo_bpm)
    limits = {} if take.longest_s is None else {"longest_s": take.longest_s}
    with tempfile.TemporaryDirectory(prefix="take-") as folder:
        original, flac = Path(folder, "original"), Path(folder, "take.flac")
        _fetch(take, original)
        try:
            report = hear(original, flac, score, options, heart.stage, **limits)
        except TooLongError as error:
            claims.fail(take, str(error))
            return
        except SoundError as error:
            sentence = str(error)
            _keep_sound(take, flac, lambda audio: claims.fail(take, sentence, audio=audio))
            return
        heart.stage(STORING)
        _keep_sound(take, flac, lambda audio: store_report(take, report, audio=audio))


def _keep_sound(take: Take, flac: Path, write: Callable[[str], bool]) -> None:
    """Put the transcode into storage and have `write` note its name. Raises ClaimLost, leaving nothing, when it cannot.

    An unusable recording is kept as well, as far as it could be read: hearing it tells its player most about what went
    wrong.
    """
    audio = ""
    if flac.exists() and flac.stat().st_size:
        with flac.open("rb") as sound:
            # Each attempt has a name of its own, so that two workers never write the same file.
            audio = default_storage.save(f"takes/{take.pk}/{take.claim}.flac", File(sound))
    before = take.audio
    try:
        if not write(audio):
            raise claims.ClaimLost
    except BaseException:
        _remove_files([audio])
        raise
    if audio:
        _remove_files([before])


def _fetch(take: Take, target: Path) -> None:
    """Copy the upload out of storage. Raises _SoundGone when it is not there."""
    try:
        source = take.original.open("rb")
    except FileNotFoundError:
        raise _SoundGone("The recording itself is no longer stored. Record the take anew.") from None
    with source, target.open("wb") as file:
        shutil.copyfileobj(source, file, 1024 * 1024)


def retry_take(take: Take) -> bool:
    """Queue a failed take again with all its attempts; False when it is not failed (any more)."""
    now = timezone.now()
    with transaction.atomic():
        queued = Take.objects.filter(pk=take.pk, state=Take.State.FAILED).update(
            state=Take.State.QUEUED, attempts=0, failure="", stage="", queued_at=now, rung_at=now
        )
        if queued:
            transaction.on_commit(lambda: ring(take.pk), robust=True)
    return bool(queued)


def may_delete(user: User, take: Take) -> bool:
    """Learners delete their own takes until the tutor has heard them; the tutor any take of the studio."""
    if user.is_tutor:
        return take.learner.studio_id == user.studio_id
    return take.learner_id == user.pk and take.heard_at is None


def delete_take(user: User, take: Take) -> bool:
    """Delete the take, its movements, notes and files; False when `user` may not (any more)."""
    with transaction.atomic():
        current = Take.objects.select_for_update().select_related("learner").filter(pk=take.pk).first()
        if current is None or not may_delete(user, current):
            return False
        names = [current.original.name or "", current.audio]
        current.delete()
        transaction.on_commit(lambda: _remove_files(names), robust=True)
    return True


def forget_take(pk: uuid.UUID) -> None:
    """Delete a take and its files, whoever asks: for recordings that belong to something which is gone."""
    take = Take.objects.filter(pk=pk).only("pk", "original", "audio").first()
    if take is None:
        return
    names = [take.original.name or "", take.audio]
    take.delete()
    transaction.on_commit(lambda: _remove_files(names), robust=True)


def place_in_queue(take: Take) -> int:
    """1 for the take that is analysed next, counted over all studios, since they share the workers."""
    return Take.objects.filter(state=Take.State.QUEUED, queued_at__lt=take.queued_at).count() + 1


def _remove_files(names: list[str]) -> None:
    for name in filter(None, names):
        try:
            default_storage.delete(name)
        except OSError:
            log.warning("%s could not be deleted from storage; the sweep removes it", name, exc_info=True)
