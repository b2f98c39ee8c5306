"""Fixtures that the tests of every part share: two studios, their people, an exercise and a take."""

# ruff: noqa: E402  (the settings must not be read before the data folder is chosen)

from __future__ import annotations

import io
import json
import os
import tempfile
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "studio.settings")
if "FINGERWORK_DATA" not in os.environ:  # nothing that a test does may reach a real data folder
    _folder = tempfile.TemporaryDirectory(prefix="fingerwork-tests-")
    os.environ["FINGERWORK_DATA"] = _folder.name

import av
import django
import numpy as np
import pytest

# Set up here and not by an option of pytest: the data folder above has to be known before the settings are read.
django.setup()

from django.conf import LazySettings
from django.core.cache import cache
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.test import Client
from django.utils import timezone

DATA = Path(__file__).parent / "data"
PASSWORD = "grace-note-7"


@pytest.fixture(autouse=True)
def _own_places(settings: LazySettings, tmp_path: Path) -> Iterator[None]:
    """Every test has its own storage and an empty cache, and hashes passwords fast."""
    settings.MEDIA_ROOT = tmp_path / "media"
    settings.WHITENOISE_AUTOREFRESH = True  # looks for static files when they are asked for, not for all at every start
    backend = "django.core.cache.backends.locmem.LocMemCache"
    settings.CACHES = {"default": {"BACKEND": backend, "LOCATION": str(tmp_path)}}
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    yield
    cache.clear()


def make_studio(name: str) -> Any:
    from studio.people.models import Studio

    return Studio.objects.create(name=name)


def make_person(studio: Any, role: str, username: str, display_name: str) -> Any:
    """Someone of `studio` who can log in with PASSWORD."""
    from studio.people.models import User

    return User.objects.create_user(username, password=PASSWORD, studio=studio, role=role, display_name=display_name)


@pytest.fixture
def studio(db: None) -> Any:
    return make_studio("Strathmorrow Juniors")


@pytest.fixture
def tutor(studio: Any) -> Any:
    return make_person(studio, "tutor", "isla", "Isla Farrow")


@pytest.fixture
def learner(studio: Any) -> Any:
    return make_person(studio, "learner", "rory", "Rory Tulloch-Vane")


@pytest.fixture
def other_learner(studio: Any) -> Any:
    return make_person(studio, "learner", "mina", "Mina Corrieburn")


@pytest.fixture
def stranger_tutor(db: None) -> Any:
    return make_person(make_studio("Glenquoich Lessons"), "tutor", "tavish", "Tavish Overlaw")


@pytest.fixture
def client_for() -> Callable[[Any], Client]:
    """A test client logged in as the given person; None gives an anonymous one."""

    def make(user: Any) -> Client:
        client = Client()
        if user is not None:
            client.force_login(user)
        return client

    return make


@pytest.fixture
def sample_abc() -> str:
    return (DATA / "sample_report.abc").read_text(encoding="utf-8")


@pytest.fixture
def sample_report() -> dict[str, Any]:
    """A fresh copy of the sample report, which belongs to the sample ABC."""
    return json.loads((DATA / "sample_report.json").read_text(encoding="utf-8"))


@pytest.fixture
def exercise(studio: Any, tutor: Any, sample_abc: str) -> Any:
    """Single then full: the doubling on E from every note."""
    from studio.exercises.models import Exercise

    return Exercise.objects.create(
        studio=studio,
        title="Doubling on E: single then full",
        family=Exercise.Family.SINGLE_THEN_FULL,
        parameters={
            "kind": "doubling",
            "on": "E",
            "approaches": ["low G", "low A", "B", "C", "D", "F", "high G", "high A"],
            "repeats": 1,
        },
        abc=sample_abc,
        tempo_bpm=60,
        created_by=tutor,
    )


@pytest.fixture(scope="session")
def small_flac() -> bytes:
    """One second of 48 kHz mono FLAC."""
    samples = (8000 * np.sin(2 * np.pi * 236.0 * np.arange(48_000) / 48_000)).astype(np.int16)
    buffer = io.BytesIO()
    with av.open(buffer, "w", format="flac") as container:
        stream = container.add_stream("flac", rate=48_000, layout="mono", format="s16")
        frame = av.AudioFrame.from_ndarray(samples[np.newaxis, :], format="s16", layout="mono")
        frame.sample_rate = 48_000
        for packet in [*stream.encode(frame), *stream.encode(None)]:
            container.mux(packet)
    return buffer.getvalue()


def make_ready_take(learner: Any, exercise: Any, report: dict[str, Any], sound: bytes, **values: Any) -> Any:
    """A take as it is once it has been analysed: report, movements and sound in storage."""
    from studio.takes.models import Take
    from studio.takes.reports import movement_rows

    when = values.pop("created_at", None) or timezone.now() - timedelta(hours=1)
    take = Take(
        learner=learner,
        exercise=exercise,
        abc=exercise.abc if exercise else "",
        tempo_bpm=values.pop("tempo_bpm", exercise.tempo_bpm if exercise else None),
        created_at=when,
        queued_at=when,
        ready_at=when,
        state=Take.State.READY,
        report=report,
        duration_s=report["recording"]["duration_s"],
        movement_count=report["summary"]["movements"],
        clean_count=report["summary"]["clean"],
        original_name="take.flac",
        original_bytes=len(sound),
        **values,
    )
    take.original.save("original", ContentFile(sound), save=False)
    take.audio = default_storage.save(f"takes/{take.pk}/sound.flac", ContentFile(sound))
    take.save(force_insert=True)
    type(take).movements.rel.related_model.objects.bulk_create(movement_rows(take, report))
    return take


@pytest.fixture
def ready_take(learner: Any, exercise: Any, sample_report: dict[str, Any], small_flac: bytes) -> Any:
    """The learner's analysed take of the exercise, not heard by the tutor yet."""
    return make_ready_take(learner, exercise, sample_report, small_flac)
