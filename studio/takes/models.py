"""Takes: a learner's recordings, their way through the analysis, and the movements found in them."""

from __future__ import annotations

import uuid

from django.db import models

from studio.exercises.models import Exercise
from studio.people.models import User


def original_path(take: Take, filename: str) -> str:
    """Where an upload is kept. The name is random: nothing of the learner's own file name reaches the disk."""
    return f"takes/{take.pk}/original"


class Take(models.Model):
    """One recording. `abc` and `tempo_bpm` are what it was played from, whatever becomes of the exercise later."""

    class State(models.TextChoices):
        QUEUED = "queued", "queued"
        ANALYSING = "analysing", "analysing"
        READY = "ready", "ready"
        FAILED = "failed", "failed"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    learner = models.ForeignKey(User, on_delete=models.CASCADE, related_name="takes")
    exercise = models.ForeignKey(Exercise, on_delete=models.SET_NULL, null=True, blank=True, related_name="takes")
    abc = models.TextField(blank=True)
    tempo_bpm = models.PositiveSmallIntegerField(null=True, blank=True)
    created_at = models.DateTimeField(db_index=True)

    original = models.FileField(upload_to=original_path)
    original_name = models.CharField(max_length=200, blank=True)
    original_bytes = models.BigIntegerField(default=0)
    # What the browser said of its microphone (MediaStreamTrack.getSettings); missing keys mean unknown.
    recorder_settings = models.JSONField(default=dict, blank=True)
    # The one transcode, mono FLAC, that is both analysed and played; a storage name, empty until it is made.
    audio = models.CharField(max_length=200, blank=True)
    duration_s = models.FloatField(null=True, blank=True)
    # What is longer is refused once it is decoded; null: any length that the analysis takes.
    longest_s = models.FloatField(null=True, blank=True)

    state = models.CharField(max_length=10, choices=State, default=State.QUEUED, db_index=True)
    stage = models.CharField(max_length=40, blank=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    claim = models.UUIDField(null=True, blank=True)
    queued_at = models.DateTimeField()
    # When the broker was last asked to have this take analysed; the sweep asks again.
    rung_at = models.DateTimeField(null=True, blank=True)
    heartbeat_at = models.DateTimeField(null=True, blank=True)
    ready_at = models.DateTimeField(null=True, blank=True)
    failure = models.CharField(max_length=400, blank=True)

    report = models.JSONField(null=True, blank=True)
    movement_count = models.PositiveIntegerField(default=0)
    clean_count = models.PositiveIntegerField(default=0)
    # When what the report says last changed: by the analysis, a tutor's word, another beat, other tolerances.
    judged_at = models.DateTimeField(null=True, blank=True)
    # When a tutor first opened the ready take.
    heard_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-created_at"]
        indexes = [models.Index(fields=["state", "queued_at"])]

    def __str__(self) -> str:
        return f"{self.learner}, {self.exercise or 'free playing'}, {self.created_at:%d %b %H:%M}"


class Movement(models.Model):
    """One movement of a ready take: what boards and queries need from the report."""

    take = models.ForeignKey(Take, on_delete=models.CASCADE, related_name="movements")
    index = models.PositiveIntegerField()
    kind = models.CharField(max_length=20)
    form = models.CharField(max_length=20, blank=True)
    on = models.CharField(max_length=10)
    approach = models.CharField(max_length=10, blank=True)
    start_s = models.FloatField(null=True)
    end_s = models.FloatField(null=True)
    beat_offset_ms = models.FloatField(null=True)
    flags = models.JSONField(default=list)
    # What the analysis itself says, where a tutor spoke about this movement; null everywhere else.
    own_flags = models.JSONField(null=True, blank=True)
    clean = models.BooleanField()  # type: ignore[assignment]  # hides Model.clean, which rows made by program never need
    confidence = models.FloatField()

    class Meta:
        ordering = ["take", "index"]
        constraints = [models.UniqueConstraint(fields=["take", "index"], name="one_row_per_movement")]

    def __str__(self) -> str:
        return f"{self.kind} on {self.on} from {self.approach}"


class Ruling(models.Model):
    """A tutor's word on one movement of a take: on a flag, the movement's name, its beat, or that it is well heard."""

    class About(models.TextChoices):
        FLAG = "flag", "a flag"
        NAME = "name", "the name"
        BEAT = "beat", "the beat"
        HEARD = "heard", "well heard"

    take = models.ForeignKey(Take, on_delete=models.CASCADE, related_name="rulings")
    index = models.PositiveIntegerField()
    about = models.CharField(max_length=5, choices=About)
    # Of a flag: which one, and whether it holds.
    flag = models.CharField(max_length=20, blank=True)
    holds = models.BooleanField(default=True)
    # Of a name.
    kind = models.CharField(max_length=20, blank=True)
    form = models.CharField(max_length=20, blank=True)
    on = models.CharField(max_length=10, blank=True)
    # Of a beat: where it lies in the take.
    beat_s = models.FloatField(null=True, blank=True)
    by = models.ForeignKey(User, on_delete=models.SET_NULL, null=True, related_name="+")
    made_at = models.DateTimeField(auto_now=True)

    class Meta:
        ordering = ["take", "index", "about", "flag"]
        constraints = [
            models.UniqueConstraint(fields=["take", "index", "about", "flag"], name="one_ruling_on_each_thing")
        ]

    def __str__(self) -> str:
        return f"{self.get_about_display()} of movement {self.index}"


class BeatChange(models.Model):
    """A tutor's beat for a whole take: another source, or the grid moved. `heard_report` is as it was analysed."""

    take = models.OneToOneField(Take, on_delete=models.CASCADE, related_name="beat_change")
    source = models.CharField(max_length=10)
    shift_ms = models.FloatField(default=0.0)
    heard_report = models.JSONField()
    by = models.ForeignKey(User, on_delete=models.SET_NULL, null=True, related_name="+")
    made_at = models.DateTimeField(auto_now=True)

    def __str__(self) -> str:
        return f"{self.source}, {self.shift_ms:+.0f} ms"
