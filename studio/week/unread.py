"""Pinned notes that somebody has not read yet."""

from __future__ import annotations

from django.db.models import Exists, OuterRef, Q, QuerySet

from studio.people.models import User
from studio.review.models import NoteRead, PinnedNote


def unread_notes(reader: User) -> QuerySet[PinnedNote]:
    """What `reader` has still to read, newest first: a learner what others wrote on their takes, a tutor what the
    learners of the studio wrote on theirs."""
    own = Q(take__learner=reader) if reader.is_learner else Q(take__learner__studio=reader.studio_id)
    notes = PinnedNote.objects.filter(own, deleted_at=None).exclude(author=reader)
    if reader.is_tutor:
        notes = notes.filter(author__role=User.Role.LEARNER)
    answered = Q(answer_to=None) | Q(answer_to__deleted_at=None)
    read = NoteRead.objects.filter(note=OuterRef("pk"), reader=reader)
    return (
        notes.filter(answered, ~Exists(read))
        .select_related("author", "take__exercise", "take__learner")
        .defer("take__report", "take__abc")
        .order_by("-created_at")
    )
