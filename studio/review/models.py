"""Notes pinned to movements, spots or stretches of a take, who has read them, and a tutor's own quick phrases."""

from __future__ import annotations

import uuid

from django.db import models

from studio.people.models import User
from studio.takes.models import Take


class PinnedNote(models.Model):
    """A note on one movement or several, on a spot or a stretch of time, or an answer to another note (`answer_to`).

    `movement_index` is the first of `movement_indexes`; `start_s` and `end_s` are its place, or the spot or stretch.
    """

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    take = models.ForeignKey(Take, on_delete=models.CASCADE, related_name="pinned_notes")
    author = models.ForeignKey(User, on_delete=models.CASCADE, related_name="+")
    answer_to = models.ForeignKey("self", on_delete=models.CASCADE, null=True, blank=True, related_name="answers")
    movement_index = models.PositiveIntegerField(null=True, blank=True)
    # Only where there are several, with what they are together, such as "all 3 from low A".
    movement_indexes = models.JSONField(default=list, blank=True)
    place = models.CharField(max_length=80, blank=True)
    start_s = models.FloatField(null=True, blank=True)
    end_s = models.FloatField(null=True, blank=True)
    text = models.TextField(max_length=2000, blank=True)
    # Played or spoken, and analysed like a take.
    recording = models.OneToOneField(
        Take, on_delete=models.SET_NULL, null=True, blank=True, related_name="recorded_for"
    )
    created_at = models.DateTimeField(auto_now_add=True)
    edited_at = models.DateTimeField(null=True, blank=True)
    # Kept for undo, shown to nobody.
    deleted_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["created_at"]

    def __str__(self) -> str:
        return self.text[:60]

    @property
    def indexes(self) -> list[int]:
        """The movements that the note is on, one, several or none."""
        return self.movement_indexes or ([] if self.movement_index is None else [self.movement_index])


class NoteRead(models.Model):
    """That `reader` has read `note`."""

    note = models.ForeignKey(PinnedNote, on_delete=models.CASCADE, related_name="reads")
    reader = models.ForeignKey(User, on_delete=models.CASCADE, related_name="+")
    read_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["note", "reader"], name="read_once")]

    def __str__(self) -> str:
        return f"{self.reader} read {self.note_id}"


class QuickPhrase(models.Model):
    """What a tutor says so often that one press should write it."""

    tutor = models.ForeignKey(User, on_delete=models.CASCADE, related_name="quick_phrases")
    text = models.CharField(max_length=200)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["created_at", "pk"]
        constraints = [models.UniqueConstraint(fields=["tutor", "text"], name="one_of_each_phrase")]

    def __str__(self) -> str:
        return self.text
