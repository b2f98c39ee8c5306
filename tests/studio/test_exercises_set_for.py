"""What a learner meets of exercises: at the tempo that was set, in which order, and with what to mind."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from analysis.model_player import LEAD_S
from studio.exercises.models import Exercise
from studio.exercises.set_for import tempo_for, tempos_set_for
from studio.people.models import Studio, User
from studio.week.services import SetRow, set_plan

ClientFor = Callable[[Any], Client]
ABC = "X:1\nT:Two\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\nA {gef}e A {gef}e |]\n"


def in_days(days: int) -> Any:
    return timezone.localdate() + timedelta(days=days)


@pytest.fixture
def exercises(studio: Studio) -> list[Exercise]:
    return [
        Exercise.objects.create(studio=studio, title=title, family="phrase", abc=ABC, tempo_bpm=60, open_to_all=opened)
        for title, opened in (("Alder", True), ("Birch", False), ("Cedar", False))
    ]


def test_the_tempo_is_that_of_the_last_plan_that_has_begun(learner: User, exercises: list[Exercise]) -> None:
    _, birch, cedar = exercises
    set_plan(learner, starts_on=in_days(-9), rows=[SetRow(birch, 50), SetRow(cedar, 51)])
    set_plan(learner, starts_on=in_days(-2), rows=[SetRow(birch, 54), SetRow(birch, 99)])
    set_plan(learner, starts_on=in_days(5), rows=[SetRow(birch, 58)])
    assert tempos_set_for(learner) == {birch.pk: 54, cedar.pk: 51}
    assert tempos_set_for(learner, in_days(-5)) == {birch.pk: 50, cedar.pk: 51}
    assert tempos_set_for(learner, in_days(6))[birch.pk] == 58
    assert [tempo_for(one, learner) for one in exercises] == [60, 54, 51]


def test_a_tutor_hears_it_at_its_own_tempo(tutor: User, learner: User, exercises: list[Exercise]) -> None:
    set_plan(learner, starts_on=in_days(-2), rows=[SetRow(exercises[1], 54)])
    assert tempo_for(exercises[1], tutor) == 60


def test_a_learners_list_begins_with_this_week(
    client_for: ClientFor, learner: User, other_learner: User, exercises: list[Exercise]
) -> None:
    _, birch, cedar = exercises
    set_plan(learner, starts_on=in_days(-9), rows=[SetRow(birch, 50)])
    set_plan(learner, starts_on=in_days(-2), rows=[SetRow(cedar, 54)])
    set_plan(other_learner, starts_on=in_days(-2), rows=[SetRow(birch, 70)])
    page = client_for(learner).get(reverse("exercises:list")).content.decode()
    words = re.findall(r"This week</h2>|Set for you before|Open to all|Alder|Birch|Cedar|>(?:50|54|60)<", page)
    assert words[:3] == ["This week</h2>", "Cedar", ">54<"]
    assert words[3:] == ["Set for you before", "Birch", ">50<", "Open to all", "Alder", ">60<"]


def test_a_set_exercise_is_shown_heard_and_recorded_at_its_tempo(
    client_for: ClientFor, learner: User, exercises: list[Exercise]
) -> None:
    birch = exercises[1]
    set_plan(learner, starts_on=in_days(-2), rows=[SetRow(birch, 48)])
    client = client_for(learner)
    page = client.get(reverse("exercises:show", args=[birch.pk])).content.decode()
    assert "set for you at 48 beats a minute" in page
    assert "5 s to play" in page
    assert f"{reverse('exercises:model', args=[birch.pk])}?tempo=48" in page
    assert f"{reverse('takes:new')}?exercise={birch.pk}&amp;tempo=48" in page
    listening = client.get(reverse("exercises:listen", args=[birch.pk]))
    assert listening.context["form"]["tempo"].value() == 48
    sound = client.get(reverse("exercises:listen-sound", args=[birch.pk]), {"as": "wav"})
    assert sound["Content-Disposition"] == 'attachment; filename="birch-48.wav"'
    sound.close()
    birch.refresh_from_db()
    assert birch.tempo_bpm == 60


@pytest.mark.parametrize("name", ["exercises:show", "exercises:listen"])
def test_a_drill_for_one_finger_comes_with_care(client_for: ClientFor, tutor: User, studio: Studio, name: str) -> None:
    values: dict[str, Any] = {"studio": studio, "abc": ABC, "tempo_bpm": 50}
    drill = Exercise.objects.create(title="E on and on", family="one-finger", **values)
    other = Exercise.objects.create(title="Another", family="chain", **values)
    client = client_for(tutor)
    assert "pain is not" in client.get(reverse(name, args=[drill.pk])).content.decode()
    assert "pain is not" not in client.get(reverse(name, args=[other.pk])).content.decode()


def test_a_week_has_care_where_a_drill_is_for_one_finger(
    client_for: ClientFor, tutor: User, studio: Studio, learner: User
) -> None:
    values: dict[str, Any] = {"studio": studio, "abc": ABC, "tempo_bpm": 50}
    drill = Exercise.objects.create(title="E on and on", family="one-finger", **values)
    other = Exercise.objects.create(title="Another", family="chain", **values)
    set_plan(learner, starts_on=timezone.localdate(), rows=[SetRow(drill, 50), SetRow(other, 60)], by=tutor)
    page = client_for(learner).get(reverse("week:mine")).content.decode()
    assert page.count("Mind your hand") == 1


def test_the_library_has_care_too(client_for: ClientFor, tutor: User) -> None:
    entry = reverse("exercises:library-entry", args=["one-finger-gracenote-e-f-from-e"])
    assert "pain is not" in client_for(tutor).get(entry).content.decode()


@pytest.mark.parametrize("script", ["hear.js", "listen.js"])
def test_scripts_know_when_a_model_begins(script: str) -> None:
    text = Path(settings.BASE_DIR, "static", "js", script).read_text(encoding="utf-8")
    assert re.findall(r"^const LEAD_S = ([\d.]+);", text, re.MULTILINE) == [str(LEAD_S)]
