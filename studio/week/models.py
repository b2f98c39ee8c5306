"""A learner's week: the exercises set from one weekly meeting to the next."""

from __future__ import annotations

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

from studio.exercises.models import Exercise
from studio.people.models import User


class Plan(models.Model):
    """What one learner works on from `starts_on` until the next plan starts."""

    learner = models.ForeignKey(User, on_delete=models.CASCADE, related_name="plans")
    starts_on = models.DateField()
    note = models.TextField(max_length=2000, blank=True)
    created_by = models.ForeignKey(User, on_delete=models.SET_NULL, null=True, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["-starts_on"]
        constraints = [models.UniqueConstraint(fields=["learner", "starts_on"], name="one_plan_a_start")]

    def __str__(self) -> str:
        return f"{self.learner} from {self.starts_on}"


class SetExercise(models.Model):
    """One exercise of a plan: at which tempo, and on how many days it should be played clean."""

    plan = models.ForeignKey(Plan, on_delete=models.CASCADE, related_name="exercises")
    exercise = models.ForeignKey(Exercise, on_delete=models.PROTECT, related_name="settings")
    position = models.PositiveSmallIntegerField(default=0)
    tempo_bpm = models.PositiveSmallIntegerField(validators=[MinValueValidator(30), MaxValueValidator(140)])
    clean_days = models.PositiveSmallIntegerField(default=3, validators=[MinValueValidator(1), MaxValueValidator(7)])
    note = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["position", "pk"]

    def __str__(self) -> str:
        return f"{self.exercise} at {self.tempo_bpm}"
