"""Notes pinned to movements or to spots of a take, and who has read them."""

from __future__ import annotations

import uuid

from django.db import models

from studio.people.models import User
from studio.takes.models import Take


class PinnedNote(models.Model):
    """A note on one movement, or on a stretch of time, or an answer to another note (`answer_to`)."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    take = models.ForeignKey(Take, on_delete=models.CASCADE, related_name="pinned_notes")
    author = models.ForeignKey(User, on_delete=models.CASCADE, related_name="+")
    answer_to = models.ForeignKey("self", on_delete=models.CASCADE, null=True, blank=True, related_name="answers")
    movement_index = models.PositiveIntegerField(null=True, blank=True)
    start_s = models.FloatField(null=True, blank=True)
    end_s = models.FloatField(null=True, blank=True)
    text = models.TextField(max_length=2000)
    created_at = models.DateTimeField(auto_now_add=True)
    edited_at = models.DateTimeField(null=True, blank=True)
    # Kept for undo, shown to nobody.
    deleted_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["created_at"]

    def __str__(self) -> str:
        return self.text[:60]


class NoteRead(models.Model):
    """That `reader` has read `note`."""

    note = models.ForeignKey(PinnedNote, on_delete=models.CASCADE, related_name="reads")
    reader = models.ForeignKey(User, on_delete=models.CASCADE, related_name="+")
    read_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["note", "reader"], name="read_once")]

    def __str__(self) -> str:
        return f"{self.reader} read {self.note_id}"
