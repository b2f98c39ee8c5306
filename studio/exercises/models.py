"""Exercises of a studio. The ABC text is the exercise; the family's parameters say how it was made."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from django.db import models
from django.utils.functional import cached_property

from analysis.score import ScoreError, parse_abc
from studio.exercises.finding import found_by
from studio.people.models import Studio, User


class Exercise(models.Model):
    """One exercise. Put away, it is no longer offered, but takes and plans that used it keep it."""

    class Family(models.TextChoices):
        SINGLE_THEN_FULL = "single-then-full", "single then full"
        FROM_SHORT_NOTES = "from-short-notes", "from short notes"
        ONE_FINGER = "one-finger", "one finger"
        CHAIN = "chain", "chain"
        PHRASE = "phrase", "in a phrase"

    class Level(models.TextChoices):
        FIRST = "first", "first steps"
        MIDDLE = "middle", "getting on"
        FURTHER = "further", "advanced"

    studio = models.ForeignKey(Studio, on_delete=models.CASCADE, related_name="exercises")
    title = models.CharField(max_length=120)
    family = models.CharField(max_length=30, choices=Family)
    # What the family was asked for: {"kind": "doubling", "on": "E", "approaches": ["low A", …], "repeats": 1,
    # "cut_share": 0.25, "form": "half", "finger": "F", "grip_from_d": "D"}; those after repeats only where they count.
    parameters = models.JSONField(default=dict, blank=True)
    abc = models.TextField()
    tempo_bpm = models.PositiveSmallIntegerField()
    instruction = models.CharField(max_length=300, blank=True)
    level = models.CharField(max_length=10, choices=Level, blank=True)
    # Every learner of the studio meets it, not only those whom it was set for.
    open_to_all = models.BooleanField(default=False)
    # The entry of the starter library that it was copied from.
    library_entry = models.CharField(max_length=120, blank=True, editable=False)
    # What it can be found by: words such as "movement:doubling;" and "from:low A;". Kept up to date by save().
    found_by = models.TextField(blank=True, editable=False)
    created_by = models.ForeignKey(User, on_delete=models.SET_NULL, null=True, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)
    put_away_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["title", "pk"]

    def __str__(self) -> str:
        return self.title

    def save(self, *args: Any, **kwargs: Any) -> None:
        if kwargs.get("update_fields") is None:
            self.found_by = found_by(self.abc, self.parameters)
        super().save(*args, **kwargs)

    @cached_property
    def beats_a_bar(self) -> int:
        """How many beats one bar has: what a count-in of one bar takes. Of music that cannot be read, four."""
        try:
            score = parse_abc(self.abc)
        except ScoreError:
            return 4
        return round(Fraction(*score.meter) / score.beat_unit)


class Customs(models.Model):
    """What a studio writes where teachers differ; new exercises follow it. The beat points are the studio's own."""

    class GripFromD(models.TextChoices):
        B = "B", "low G, B, low G"
        D = "D", "low G, D, low G, as from any other note"

    studio = models.OneToOneField(Studio, on_delete=models.CASCADE, related_name="customs")
    half_from_high_g = models.BooleanField(default=False)
    grip_from_d = models.CharField(max_length=1, choices=GripFromD, default=GripFromD.B)

    class Meta:
        verbose_name_plural = "customs"

    def __str__(self) -> str:
        return f"customs of {self.studio}"


def customs_of(studio: Studio) -> Customs:
    """The studio's customs, unsaved where it never chose any."""
    return Customs.objects.filter(studio=studio).first() or Customs(studio=studio)
