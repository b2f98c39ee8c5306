"""Studios, the people in them, and the one-time links by which learners join."""

from __future__ import annotations

from django.contrib.auth.models import AbstractUser
from django.db import models


class Studio(models.Model):
    """One tutor's teaching: its people, exercises and takes, and how it judges."""

    class Level(models.TextChoices):
        GENTLE = "gentle", "gentle"
        STANDARD = "standard", "standard"
        STRICT = "strict", "strict"

    class Tuning(models.TextChoices):
        HARMONIC = "harmonic", "harmonic"
        OLDER = "older", "older"

    name = models.CharField(max_length=120)
    level = models.CharField(max_length=10, choices=Level, default=Level.STANDARD)
    tuning = models.CharField(max_length=10, choices=Tuning, default=Tuning.HARMONIC)
    # Single tolerances over the level's own (names of analysis.judgement.Tolerances) and beat points by movement.
    tolerances = models.JSONField(default=dict, blank=True)
    beat_points = models.JSONField(default=dict, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)
    # True for the one that was set up through the web, else empty: two set-ups at once cannot both make one.
    set_up_here = models.BooleanField(null=True, unique=True, editable=False)

    def __str__(self) -> str:
        return self.name


class User(AbstractUser):
    """A tutor or a learner; each belongs to one studio. Children have no e-mail, so it stays empty."""

    class Role(models.TextChoices):
        TUTOR = "tutor", "tutor"
        LEARNER = "learner", "learner"

    studio = models.ForeignKey(Studio, on_delete=models.PROTECT, related_name="people", null=True, blank=True)
    role = models.CharField(max_length=10, choices=Role, default=Role.LEARNER)
    display_name = models.CharField("name", max_length=80)
    # Learners stop taking lessons; their takes stay, their log-in does not.
    left_at = models.DateTimeField(null=True, blank=True)

    class Meta(AbstractUser.Meta):
        pass

    def __str__(self) -> str:
        return self.display_name or self.username

    @property
    def is_tutor(self) -> bool:
        return self.role == self.Role.TUTOR and self.studio_id is not None

    @property
    def is_learner(self) -> bool:
        return self.role == self.Role.LEARNER and self.studio_id is not None


class Invitation(models.Model):
    """A one-time link by which a learner chooses a user name and a password. Only the token's hash is stored."""

    learner = models.ForeignKey(User, on_delete=models.CASCADE, related_name="invitations")
    token_hash = models.CharField(max_length=64, unique=True)
    created_by = models.ForeignKey(User, on_delete=models.CASCADE, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return f"invitation of {self.learner}"
