"""Run as a program, on the database and storage that the environment names: fills them for tests of real processes.

outside.py populate          a studio, a tutor, a learner, an exercise set; prints its key and a session for each person
outside.py takes NUMBER      that many queued takes, each rung for; prints their keys as JSON
outside.py set-ups NUMBER    that many people who set up a studio at the same moment; prints what came of each
"""

# ruff: noqa: E402  (Django is set up before anything of it is imported)

from __future__ import annotations

import json
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Barrier
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))

import django

django.setup()

from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore
from django.core.files.base import ContentFile
from django.core.management import call_command
from django.db import connection
from django.utils import timezone

from studio.exercises.models import Exercise
from studio.people.models import Studio, User
from studio.people.services import AlreadySetUp, create_studio
from studio.takes.services import create_take
from studio.week.services import SetRow, set_plan

ABC = Path(__file__).parents[1] / "data" / "sample_report.abc"


def _session(user: User) -> str:
    session = SessionStore()
    session[SESSION_KEY] = str(user.pk)
    session[BACKEND_SESSION_KEY] = "django.contrib.auth.backends.ModelBackend"
    session[HASH_SESSION_KEY] = user.get_session_auth_hash()
    session.create()
    return str(session.session_key)


def populate() -> dict[str, Any]:
    call_command("migrate", verbosity=0)
    studio = Studio.objects.create(name="Strathmorrow Juniors")
    people = {
        role: User.objects.create_user(role, studio=studio, role=role, display_name=role)
        for role in ("tutor", "learner")
    }
    exercise = Exercise.objects.create(
        studio=studio,
        title="Doubling on E",
        family=Exercise.Family.PHRASE,
        abc=ABC.read_text(encoding="utf-8"),
        tempo_bpm=60,
    )
    set_plan(people["learner"], starts_on=timezone.localdate(), rows=[SetRow(exercise, 60)])
    return {"exercise": exercise.pk, **{role: _session(user) for role, user in people.items()}}


def takes(number: int) -> list[str]:
    learner, exercise = User.objects.get(role="learner"), Exercise.objects.get()
    made = [
        create_take(
            learner=learner, exercise=exercise, upload=ContentFile(f"sound number {place:3}".encode(), "take.wav")
        )
        for place in range(number)
    ]
    return [str(take.pk) for take in made]


def set_ups(number: int) -> list[str]:
    call_command("migrate", verbosity=0)
    together = Barrier(number)

    def set_up(place: int) -> str:
        together.wait()
        try:
            create_studio(studio_name=f"S{place}", display_name="T", username=f"tutor-{place}", password="x")
        except AlreadySetUp:
            return "too late"
        finally:
            connection.close()
        return "made"

    with ThreadPoolExecutor(number) as pool:
        return sorted(pool.map(set_up, range(number)))


if __name__ == "__main__":
    command, *rest = sys.argv[1:]
    commands = {"populate": populate, "takes": takes, "set-ups": set_ups}
    print(json.dumps(commands[command](*map(int, rest))))
