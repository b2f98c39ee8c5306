"""Pinned notes: pinning, answering, editing, deleting with a way back, and reading. The domain's functions, apart from
views."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, TypedDict

from django.db.models import Exists, OuterRef, QuerySet
from django.utils import timezone

from analysis.report import MovementReport
from studio.people.models import User
from studio.review.models import NoteRead, PinnedNote
from studio.review.wording import FLAG_WORDS
from studio.takes.models import Take

LONGEST_TEXT: Final = 2000
MOST_MOVEMENTS: Final = 200
#: What was said longer ago stays said: the other has read it and played by it. Later words are an answer.
EDITABLE_FOR: Final = timedelta(days=7)


class NoteError(ValueError):
    """A note that is not taken. The message is one plain sentence for its author."""


class RecordingData(TypedDict):
    """A recorded answer as the page shows it. `sound` and `beside` are addresses, empty until there is something."""

    state: str
    words: str
    sound: str
    beside: str


class NoteData(TypedDict):
    """A note as the page shows it. `mine`: the reader wrote it; `tutor`: a tutor did; `unread`: the reader has not
    read it; `seen`: somebody else has; `place`: what several movements are together."""

    id: str
    author: str
    mine: bool
    tutor: bool
    text: str
    created: str
    edited: bool
    editable: bool
    movement_index: int | None
    movement_indexes: list[int]
    place: str
    start_s: float | None
    end_s: float | None
    answer_to: str | None
    recording: RecordingData | None
    unread: bool
    seen: bool


@dataclass(frozen=True)
class Target:
    """What a note is to be pinned to: movements, or a spot (`start_s` alone) or stretch, or another note."""

    movement_indexes: Sequence[int] = ()
    start_s: float | None = None
    end_s: float | None = None
    answer_to: PinnedNote | None = None


def pin(
    take: Take,
    author: User,
    text: str,
    *,
    movement_index: int | None = None,
    movement_indexes: Sequence[int] = (),
    start_s: float | None = None,
    end_s: float | None = None,
    answer_to: PinnedNote | None = None,
) -> PinnedNote:
    """Pin `text` to a movement or several, to a spot or stretch of time, or as an answer. Raises NoteError."""
    indexes = movement_indexes or ([] if movement_index is None else [movement_index])
    note = placed(take, author, Target(indexes, start_s, end_s, answer_to))
    note.text = checked(text)
    note.save(force_insert=True)
    return note


def placed(take: Take, author: User, target: Target) -> PinnedNote:
    """An unsaved note without words at its place. Raises NoteError when there is no such place."""
    note = PinnedNote(take=take, author=author)
    if target.answer_to is not None:
        # An answer to an answer belongs to the same thread, which hangs on its first note.
        first = target.answer_to.answer_to or target.answer_to
        if first.take_id != take.pk or first.deleted_at is not None:
            raise NoteError("The note you answer is no longer there; please write yours anew.")
        note.answer_to, note.movement_index = first, first.movement_index
        note.start_s, note.end_s = first.start_s, first.end_s
    elif target.movement_indexes:
        _place_on_movements(note, take, target.movement_indexes)
    elif target.start_s is None:
        raise NoteError("Choose a movement or a spot of the take that the note belongs to.")
    else:
        _check_spot(take, target.start_s, target.end_s)
        note.start_s, note.end_s = target.start_s, target.end_s
    return note


def _place_on_movements(note: PinnedNote, take: Take, indexes: Sequence[int]) -> None:
    movements: list[MovementReport] = (take.report or {}).get("movements", [])
    wanted = set(indexes)
    chosen = [movement for movement in movements if movement["index"] in wanted]
    if len(chosen) != len(wanted):
        raise NoteError("This take has no such movement; choose one from the list.")
    if len(chosen) > MOST_MOVEMENTS:
        raise NoteError(f"One note goes on up to {MOST_MOVEMENTS} movements; choose fewer, or pin it to a stretch.")
    first = chosen[0]
    note.movement_index, note.start_s, note.end_s = first["index"], first["start_s"], first["end_s"]
    if len(chosen) > 1:
        note.movement_indexes = [movement["index"] for movement in chosen]
        note.place = _together(chosen, movements)


def _together(chosen: Sequence[MovementReport], movements: Sequence[MovementReport]) -> str:
    """What several movements have in common that no other has, such as "all 3 from low A"."""
    approaches = {movement["from"] for movement in chosen}
    if len(approaches) == 1:
        approach = approaches.pop()
        if sum(movement["from"] == approach for movement in movements) == len(chosen):
            return f"all {len(chosen)} from {approach or 'the start'}"
    for flag in chosen[0]["flags"]:
        if [movement["index"] for movement in movements if flag in movement["flags"]] == [m["index"] for m in chosen]:
            return f"all {len(chosen)} with “{FLAG_WORDS[flag]}”"
    if len(chosen) == len(movements):
        return f"all {len(chosen)} movements"
    return f"{len(chosen)} movements"


def checked(text: str, *, may_be_empty: bool = False) -> str:
    """The words of a note as they are kept. Raises NoteError for none, too many or unusable ones."""
    words = text.replace("\r\n", "\n").strip()
    if not words and not may_be_empty:
        raise NoteError("The note is empty; write a word or two.")
    if len(words) > LONGEST_TEXT:
        raise NoteError(f"The note has {len(words)} characters; up to {LONGEST_TEXT} are kept.")
    # Databases keep neither a null nor half of a surrogate pair, which JSON can carry.
    if "\x00" in words or any("\ud800" <= letter <= "\udfff" for letter in words):
        raise NoteError("The note holds a character that cannot be kept; please write it again.")
    return words


def _check_spot(take: Take, start_s: float, end_s: float | None) -> None:
    length = take.duration_s or 0.0
    if end_s is not None and end_s <= start_s:
        raise NoteError("The stretch ends before it begins; set its end after its beginning.")
    last = start_s if end_s is None else end_s
    if not 0.0 <= start_s <= last <= length + 0.5:
        raise NoteError(f"That spot is outside the take, which is {length:.1f} s long.")


def editable(note: PinnedNote) -> bool:
    """Whether the note may still be given other words."""
    return timezone.now() - note.created_at < EDITABLE_FOR


def edit(note: PinnedNote, text: str) -> None:
    """Give the note another text, which is news to whoever read the old one. Raises NoteError."""
    if note.deleted_at is not None:
        raise NoteError("The note was deleted; bring it back before you edit it.")
    if not editable(note):
        raise NoteError(f"Notes can be edited for {EDITABLE_FOR.days} days; write an answer under it instead.")
    words = checked(text, may_be_empty=note.recording_id is not None)
    if words == note.text:
        return
    note.text = words
    note.edited_at = timezone.now()
    note.save(update_fields=["text", "edited_at"])
    note.reads.all().delete()


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
    unread = _of_others(take, reader, ids).exclude(reads__reader=reader).values_list("pk", flat=True)
    rows = [NoteRead(note_id=pk, reader=reader) for pk in unread]
    NoteRead.objects.bulk_create(rows, ignore_conflicts=True)
    return len(rows)


def mark_unread(take: Take, reader: User, ids: Iterable[uuid.UUID]) -> int:
    """Undo :func:`mark_read` for the notes of `ids`, to come back to them; how many were read."""
    return NoteRead.objects.filter(reader=reader, note__in=_of_others(take, reader, ids)).delete()[0]


def _of_others(take: Take, reader: User, ids: Iterable[uuid.UUID] | None) -> QuerySet[PinnedNote]:
    notes = PinnedNote.objects.filter(take=take, deleted_at=None).exclude(author=reader)
    return notes if ids is None else notes.filter(pk__in=list(ids))


def visible_notes(take: Take) -> QuerySet[PinnedNote]:
    """The notes of `take` that stand, oldest first; answers to deleted notes are gone with them."""
    standing = PinnedNote.objects.filter(take=take, deleted_at=None).exclude(answer_to__deleted_at__isnull=False)
    recorded = ("recording__report", "recording__abc", "recording__recorder_settings")
    return standing.select_related("author", "recording").defer(*recorded).order_by("created_at")


def notes_of(take: Take, reader: User) -> list[NoteData]:
    """The notes of `take` as `reader` sees them, oldest first."""
    reads = NoteRead.objects.filter(note=OuterRef("pk"))
    notes = visible_notes(take).annotate(
        was_read=Exists(reads.filter(reader=reader)), was_seen=Exists(reads.exclude(reader=OuterRef("author")))
    )
    return [note_data(note, reader, read=note.was_read, seen=note.was_seen) for note in notes]


def note_data(note: PinnedNote, reader: User, *, read: bool, seen: bool = False) -> NoteData:
    """One note as `reader` sees it."""
    from studio.review.answers import recording_data  # which builds on this module

    return {
        "id": str(note.pk),
        "author": str(note.author),
        "mine": note.author_id == reader.pk,
        "tutor": note.author.is_tutor,
        "text": note.text,
        "created": _when(note.created_at),
        "edited": note.edited_at is not None,
        "editable": editable(note),
        "movement_index": note.movement_index,
        "movement_indexes": note.indexes,
        "place": note.place,
        "start_s": note.start_s,
        "end_s": note.end_s,
        "answer_to": str(note.answer_to_id) if note.answer_to_id else None,
        "recording": recording_data(note),
        "unread": not read and note.author_id != reader.pk,
        "seen": seen and note.author_id == reader.pk,
    }


def _when(moment: datetime) -> str:
    return timezone.localtime(moment).strftime("%-d %b, %H:%M")
