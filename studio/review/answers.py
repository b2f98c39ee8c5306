"""Recorded answers: what a tutor plays or says under a learner's take, analysed like a take of the tutor's own."""

from __future__ import annotations

import uuid
from datetime import timedelta
from typing import Any, Final

from django.core.files.base import File
from django.db import transaction
from django.db.models.signals import post_delete
from django.dispatch import receiver
from django.http import Http404
from django.urls import reverse
from django.utils import timezone

from studio.people.models import User
from studio.review.models import PinnedNote
from studio.review.services import NoteError, RecordingData, Target, checked, placed, visible_notes
from studio.takes.access import visible_takes
from studio.takes.models import Take
from studio.takes.services import UploadError, create_take, forget_take
from studio.takes.signals import tidying
from studio.takes.uploads import MAX_ANSWER_BYTES

LONGEST_S: Final = 180.0
_KEPT_FOR_UNDO: Final = timedelta(days=7)
TOO_BIG: Final = "This file is larger than 60 MB; an answer lasts up to 3 minutes, as m4a or mp3 it is far smaller."


def record(
    take: Take,
    author: User,
    upload: File[bytes],
    *,
    target: Target,
    text: str = "",
    whole: bool = False,
    recorder_settings: dict[str, Any] | None = None,
) -> PinnedNote:
    """Pin a recording, with or without words, and have it analysed. Raises NoteError.

    `whole`: the author plays the whole exercise of `take`, so that it is read against the same music; else it is heard
    as free playing.
    """
    if upload.size > MAX_ANSWER_BYTES:
        raise NoteError(TOO_BIG)
    note = placed(take, author, target)
    note.text = checked(text, may_be_empty=True)
    try:
        with transaction.atomic():
            recording = create_take(
                learner=author,
                exercise=take.exercise if whole else None,
                upload=upload,
                recorder_settings=recorder_settings,
                tempo_bpm=take.tempo_bpm if whole else None,
                longest_s=LONGEST_S,
            )
            if whole:  # from the music that this take was played from, whatever became of the exercise
                recording.abc = take.abc
                recording.save(update_fields=["abc"])
            note.recording = recording
            note.save(force_insert=True)
    except UploadError as error:
        raise NoteError(str(error)) from None
    return note


def recording_data(note: PinnedNote) -> RecordingData | None:
    """The note's recording as the page shows it; None for a note in words alone."""
    recording = note.recording
    if recording is None:
        return None
    return {
        "state": recording.state,
        "words": _words(recording),
        "sound": reverse("review:answer-sound", args=[note.pk]) if recording.audio else "",
        "beside": reverse("review:answer", args=[note.pk]) if recording.state == Take.State.READY else "",
    }


def _words(recording: Take) -> str:
    if recording.state == Take.State.READY:
        return ""
    if recording.state == Take.State.FAILED:
        # Whoever only speaks is answered as well: there is nothing to measure then, and nothing wrong.
        return "No chanter was measured in this recording; it can be heard." if recording.audio else recording.failure
    return "Being analysed; it can be heard in a moment."


def answer_or_404(user: User, pk: uuid.UUID) -> PinnedNote:
    """The standing note `pk` with its recording, on a take open to `user`. Raises Http404 otherwise."""
    take = visible_takes(user).filter(pinned_notes=pk).first()
    note = visible_notes(take).filter(pk=pk, recording__isnull=False).first() if take is not None else None
    if take is None or note is None:
        raise Http404("no such answer")
    note.take = take
    return note


@receiver(post_delete, sender=PinnedNote)
def _forget_recording(sender: type[PinnedNote], *, instance: PinnedNote, **kwargs: Any) -> None:
    """A recording goes with its note: nobody can reach it any more."""
    if instance.recording_id is not None:
        forget_take(instance.recording_id)


@receiver(tidying)
def _forget_deleted_notes(sender: Any, **kwargs: Any) -> int:
    """What was deleted a week ago is not brought back any more: words and recordings go for good."""
    gone = PinnedNote.objects.filter(deleted_at__lt=timezone.now() - _KEPT_FOR_UNDO)
    return gone.delete()[1].get("review.PinnedNote", 0)
