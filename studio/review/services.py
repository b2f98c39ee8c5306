"""Pinned notes: pinning, answering, editing, deleting with a way back, and reading. The domain's functions, apart from
views."""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from datetime import datetime
from typing import Final, TypedDict

from django.db.models import Exists, OuterRef, QuerySet
from django.utils import timezone

from studio.people.models import User
from studio.review.models import NoteRead, PinnedNote
from studio.takes.models import Take

LONGEST_TEXT: Final = 2000


class NoteError(ValueError):
    """A note that is not taken. The message is one plain sentence for its author."""


class NoteData(TypedDict):
    """A note as the page shows it. `mine`: the reader wrote it; `tutor`: a tutor did; `unread`: the reader has not
    read it."""

    id: str
    author: str
    mine: bool
    tutor: bool
    text: str
    created: str
    edited: bool
    movement_index: int | None
    start_s: float | None
    end_s: float | None
    answer_to: str | None
    unread: bool


def pin(
    take: Take,
    author: User,
    text: str,
    *,
    movement_index: int | None = None,
    start_s: float | None = None,
    end_s: float | None = None,
    answer_to: PinnedNote | None = None,
) -> PinnedNote:
    """Pin `text` to a movement, to a spot or stretch of time, or as an answer. Raises NoteError."""
    words = _checked(text)
    if answer_to is not None:
        # An answer to an answer belongs to the same thread, which hangs on its first note.
        first = answer_to.answer_to or answer_to
        if first.take_id != take.pk or first.deleted_at is not None:
            raise NoteError("The note you answer is no longer there; please write yours anew.")
        return PinnedNote.objects.create(
            take=take, author=author, text=words, answer_to=first, movement_index=first.movement_index,
            start_s=first.start_s, end_s=first.end_s,
        )  # fmt: skip
    if movement_index is not None:
        start_s, end_s = _movement_span(take, movement_index)
    elif start_s is None:
        raise NoteError("Choose a movement or a spot of the take that the note belongs to.")
    else:
        _check_spot(take, start_s, end_s)
    return PinnedNote.objects.create(
        take=take, author=author, text=words, movement_index=movement_index, start_s=start_s, end_s=end_s
    )


def _checked(text: str) -> str:
    words = text.replace("\r\n", "\n").strip()
    if not words:
        raise NoteError("The note is empty; write a word or two.")
    if len(words) > LONGEST_TEXT:
        raise NoteError(f"The note has {len(words)} characters; up to {LONGEST_TEXT} are kept.")
    # Databases keep neither a null nor half of a surrogate pair, which JSON can carry.
    if "\x00" in words or any("\ud800" <= letter <= "\udfff" for letter in words):
        raise NoteError("The note holds a character that cannot be kept; please write it again.")
    return words


def _movement_span(take: Take, index: int) -> tuple[float | None, float | None]:
    movements = (take.report or {}).get("movements", [])
    for movement in movements:
        if movement["index"] == index:
            return movement["start_s"], movement["end_s"]
    raise NoteError("This take has no such movement; choose one from the list.")


def _check_spot(take: Take, start_s: float, end_s: float | None) -> None:
    length = take.duration_s or 0.0
    last = start_s if end_s is None else end_s
    if not 0.0 <= start_s <= last <= length + 0.5:
        raise NoteError(f"That spot is outside the take, which is {length:.1f} s long.")


def edit(note: PinnedNote, text: str) -> None:
    """Give the note another text. Raises NoteError."""
    if note.deleted_at is not None:
        raise NoteError("The note was deleted; bring it back before you edit it.")
    note.text = _checked(text)
    note.edited_at = timezone.now()
    note.save(update_fields=["text", "edited_at"])


def delete(note: PinnedNote) -> None:
    """Take the note off the page; :func:`restore` brings it back."""
    note.deleted_at = timezone.now()
    note.save(update_fields=["deleted_at"])


def restore(note: PinnedNote) -> None:
    """Undo :func:`delete`."""
    note.deleted_at = None
    note.save(update_fields=["deleted_at"])


def mark_read(take: Take, reader: User, ids: Iterable[uuid.UUID] | None = None) -> int:
    """Mark notes of others on `take` as read by `reader`: those of `ids`, or all; how many were unread."""
    notes = PinnedNote.objects.filter(take=take, deleted_at=None).exclude(author=reader)
    if ids is not None:
        notes = notes.filter(pk__in=list(ids))
    unread = notes.exclude(reads__reader=reader).values_list("pk", flat=True)
    rows = [NoteRead(note_id=pk, reader=reader) for pk in unread]
    NoteRead.objects.bulk_create(rows, ignore_conflicts=True)
    return len(rows)


def visible_notes(take: Take) -> QuerySet[PinnedNote]:
    """The notes of `take` that stand, oldest first; answers to deleted notes are gone with them."""
    standing = PinnedNote.objects.filter(take=take, deleted_at=None).exclude(answer_to__deleted_at__isnull=False)
    return standing.select_related("author").order_by("created_at")


def notes_of(take: Take, reader: User) -> list[NoteData]:
    """The notes of `take` as `reader` sees them, oldest first."""
    read = NoteRead.objects.filter(note=OuterRef("pk"), reader=reader)
    return [note_data(note, reader, read=note.was_read) for note in visible_notes(take).annotate(was_read=Exists(read))]


def note_data(note: PinnedNote, reader: User, *, read: bool) -> NoteData:
    """One note as `reader` sees it."""
    return {
        "id": str(note.pk),
        "author": str(note.author),
        "mine": note.author_id == reader.pk,
        "tutor": note.author.is_tutor,
        "text": note.text,
        "created": _when(note.created_at),
        "edited": note.edited_at is not None,
        "movement_index": note.movement_index,
        "start_s": note.start_s,
        "end_s": note.end_s,
        "answer_to": str(note.answer_to_id) if note.answer_to_id else None,
        "unread": not read and note.author_id != reader.pk,
    }


def _when(moment: datetime) -> str:
    return timezone.localtime(moment).strftime("%-d %b, %H:%M")
