"""Exercises of a studio. The ABC text is the exercise; the family's parameters say how it was made."""

from __future__ import annotations

from fractions import Fraction

from django.db import models
from django.utils.functional import cached_property

from analysis.score import ScoreError, parse_abc
from studio.people.models import Studio, User


class Exercise(models.Model):
    """One exercise. Put away, it is no longer offered, but takes and plans that used it keep it."""

    class Family(models.TextChoices):
        SINGLE_THEN_FULL = "single-then-full", "single then full"
        FROM_SHORT_NOTES = "from-short-notes", "from short notes"
        PHRASE = "phrase", "in a phrase"

    studio = models.ForeignKey(Studio, on_delete=models.CASCADE, related_name="exercises")
    title = models.CharField(max_length=120)
    family = models.CharField(max_length=30, choices=Family)
    # What the family was asked for: {"kind": "doubling", "on": "E", "approaches": ["low A", …], "repeats": 1,
    # "cut_share": 0.25, "form": "half"}; the last two only where they count.
    parameters = models.JSONField(default=dict, blank=True)
    abc = models.TextField()
    tempo_bpm = models.PositiveSmallIntegerField()
    instruction = models.CharField(max_length=300, blank=True)
    created_by = models.ForeignKey(User, on_delete=models.SET_NULL, null=True, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)
    put_away_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["title", "pk"]

    def __str__(self) -> str:
        return self.title

    @cached_property
    def beats_a_bar(self) -> int:
        """How many beats one bar has: what a count-in of one bar takes. Of music that cannot be read, four."""
        try:
            score = parse_abc(self.abc)
        except ScoreError:
            return 4
        return round(Fraction(*score.meter) / score.beat_unit)
