"""Finding exercises, copying them, opening them to all, and families that were added later."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from analysis.score import parse_abc
from studio.exercises.access import visible_exercises
from studio.exercises.models import Exercise
from studio.exercises.writing import MOVEMENTS, comes_from
from studio.people.models import Studio, User
from studio.week.services import SetRow, set_plan

ClientFor = Callable[[Any], Client]
HEAD = "X:1\nT:{title}\nM:4/4\nL:1/4\nQ:1/4=54\nK:HP\n"
FAMILY = {
    "movement": "doubling/E",
    "approaches": ["low A", "D"],
    "grip_from_d": "B",
    "cut_share": "0.2500",
    "tempo_bpm": "56",
    "repeats": "1",
}


@pytest.fixture
def client(client_for: ClientFor, tutor: User) -> Client:
    """The tutor's."""
    return client_for(tutor)


def written(client: Client, **changes: Any) -> Exercise:
    answer = client.post(reverse("exercises:new"), {**FAMILY, "family": "single-then-full", **changes})
    assert answer.status_code == 302, answer.context["form"].errors
    return Exercise.objects.latest("pk")


def phrase(studio: Studio, title: str, music: str, **values: Any) -> Exercise:
    abc = HEAD.format(title=title) + music + " |]\n"
    return Exercise.objects.create(studio=studio, title=title, family="phrase", abc=abc, tempo_bpm=54, **values)


def listed(client: Client, **asked: str) -> list[str]:
    return [exercise.title for exercise in client.get(reverse("exercises:list"), asked).context["page"]]


# Finding


def test_exercises_are_found_by_what_they_practise(client: Client, studio: Studio) -> None:
    written(client, level="first")
    written(client, movement="birl/low A", approaches=["B"], family="from-short-notes")
    phrase(studio, "Own", "A {gef}e B {GdGe}A", level="further")
    doubling, birl = "Doubling on E: single then full", "Birl on low A: from short notes"
    assert listed(client, movement="doubling") == [doubling, "Own"]
    assert listed(client, movement="gracenote") == []  # the single before the full is not what it is for
    assert listed(client, movement="taorluath") == ["Own"]
    assert listed(client, approach="B") == [birl, "Own"]
    assert listed(client, approach="D") == [doubling]
    assert listed(client, level="further") == ["Own"]
    assert listed(client, family="from-short-notes") == [birl]
    assert listed(client, movement="doubling", level="first", q="doubling on e") == [doubling]
    assert listed(client, movement="no such", approach="H", level="x") == [birl, doubling, "Own"]
    nothing = client.get(reverse("exercises:list"), {"movement": "grip"}).content.decode()
    assert "No exercise fits what you are looking for." in nothing
    assert "/exercises/library/?movement=grip" in nothing


def test_what_is_changed_is_found_by_what_it_is_now(client: Client) -> None:
    exercise = written(client)
    client.post(reverse("exercises:edit", args=[exercise.pk]), {**FAMILY, "family": "chain", "movement": "grip/B"})
    assert listed(client, movement="doubling") == []
    assert listed(client, movement="grip") == ["Grip: chain"]


def test_the_pages_of_what_was_found_keep_what_was_asked(client: Client, studio: Studio) -> None:
    Exercise.objects.bulk_create(
        Exercise(studio=studio, title=f"G {n}", family="phrase", abc="", tempo_bpm=54, found_by="movement:grip;")
        for n in range(61)
    )
    page = client.get(reverse("exercises:list"), {"movement": "grip"}).content.decode()
    assert "?movement=grip&amp;page=2" in page


def test_exercises_of_before_are_found_too(studio: Studio) -> None:
    from importlib import import_module

    from django.apps import apps
    from django.db import connection

    old = phrase(studio, "Old", "A {gef}e B {g}A")
    Exercise.objects.update(found_by="")
    import_module("studio.exercises.migrations.0004_fill_found_by").fill(apps, connection.schema_editor())
    old.refresh_from_db()
    assert old.found_by == "movement:doubling;movement:gracenote;from:B;from:low A;"


# Copies


def test_a_copy_is_one_more_to_be_changed(client: Client, tutor: User) -> None:
    first = written(client, level="middle", instruction="Slow.")
    client.post(reverse("exercises:open", args=[first.pk]))
    answer = client.post(reverse("exercises:copy", args=[first.pk]))
    second = Exercise.objects.latest("pk")
    assert answer.headers["Location"] == reverse("exercises:edit", args=[second.pk])
    assert (second.pk == first.pk, second.title) == (False, f"{first.title} (2)")
    assert second.abc == first.abc.replace(first.title, second.title)
    assert (second.parameters, second.level) == (first.parameters, "middle")
    assert (second.created_by, second.open_to_all, second.put_away_at) == (tutor, False, None)
    client.post(reverse("exercises:edit", args=[second.pk]), {**FAMILY, "family": "single-then-full", "repeats": "3"})
    before = first.abc
    first.refresh_from_db()
    assert first.abc == before


# Open to all


def test_what_is_open_to_all_is_met_by_every_learner_of_the_studio(
    client: Client, client_for: ClientFor, learner: User, other_learner: User, stranger_tutor: User, exercise: Exercise
) -> None:
    set_plan(learner, starts_on=timezone.localdate(), rows=[SetRow(exercise, 60)])
    opened = written(client)
    address = reverse("exercises:show", args=[opened.pk])
    assert client_for(other_learner).get(address).status_code == 404
    client.post(reverse("exercises:open", args=[opened.pk]))
    page = client_for(learner).get(reverse("exercises:list")).content.decode()
    assert page.index("This week") < page.index(exercise.title) < page.index("Open to all")
    assert page.index("Open to all") < page.rindex(opened.title)
    theirs = client_for(other_learner)
    assert "This week</h2>" not in theirs.get(reverse("exercises:list")).content.decode()
    assert "Record it" in theirs.get(address).content.decode()
    assert opened in visible_exercises(other_learner)
    stranger = User.objects.create_user("pia", studio=stranger_tutor.studio, role="learner", display_name="Pia")
    assert client_for(stranger).get(address).status_code == 404
    client.post(reverse("exercises:close", args=[opened.pk]))
    assert client_for(other_learner).get(address).status_code == 404


def test_what_is_put_away_is_open_to_nobody(client: Client, client_for: ClientFor, learner: User) -> None:
    opened = written(client)
    client.post(reverse("exercises:open", args=[opened.pk]))
    client.post(reverse("exercises:put-away", args=[opened.pk]))
    assert client_for(learner).get(reverse("exercises:show", args=[opened.pk])).status_code == 404
    client.post(reverse("exercises:bring-back", args=[opened.pk]))
    assert client_for(learner).get(reverse("exercises:show", args=[opened.pk])).status_code == 200


def test_an_open_exercise_that_was_set_stands_once(client: Client, client_for: ClientFor, learner: User) -> None:
    opened = written(client)
    client.post(reverse("exercises:open", args=[opened.pk]))
    set_plan(learner, starts_on=timezone.localdate(), rows=[SetRow(opened, 60)])
    assert listed(client_for(learner)) == [opened.title]


# Families and movements


@pytest.mark.parametrize("family", ["single-then-full", "from-short-notes", "one-finger", "chain", "phrase"])
@pytest.mark.parametrize("movement", MOVEMENTS)
def test_every_movement_can_be_written_in_every_family(client: Client, family: str, movement: str) -> None:
    approaches = [note.label for note in comes_from(movement)][:2]
    chosen = MOVEMENTS[movement]
    if chosen.finger is not None:
        approaches = ["low A"] if chosen.on.label != "low A" else ["B"]
    exercise = written(client, family=family, movement=movement, approaches=approaches)
    found = [m for m in parse_abc(exercise.abc).movements if m.kind == chosen.kind]
    assert found
    assert family == "chain" or {m.on for m in found} >= {chosen.on}
    if chosen.finger is not None:
        assert chosen.finger in {m.gracenotes[0] for m in found}
    if chosen.form == "heavy":
        assert {m.form for m in found} == {"heavy"}
    # What was chosen comes back in the form.
    form = client.get(reverse("exercises:edit", args=[exercise.pk]) + ("" if family != "phrase" else "?")).context[
        "form"
    ]
    if family != "phrase":
        assert (form["movement"].value(), form["family"].value()) == (movement, family)


def test_a_phrase_that_was_begun_from_a_movement_is_gone_on_with_as_abc(client: Client) -> None:
    answer = client.post(reverse("exercises:new"), {**FAMILY, "family": "phrase"})
    exercise = Exercise.objects.get()
    edit = reverse("exercises:edit", args=[exercise.pk])
    assert answer.headers["Location"] == edit
    form = client.get(edit).context["form"]
    assert form["abc"].value() == exercise.abc
    own = HEAD.format(title="Own") + "A {gef}e B {GdGe}A |]\n"
    client.post(edit, {"abc": own, "tempo_bpm": "", "title": "", "instruction": "", "level": ""})
    exercise.refresh_from_db()
    assert (exercise.abc, exercise.parameters, exercise.tempo_bpm) == (own, {}, 54)
    assert listed(client, movement="taorluath") == [exercise.title]


def test_an_exercise_of_a_family_can_be_gone_on_with_as_abc(client: Client) -> None:
    exercise = written(client)
    address = f"{reverse('exercises:edit', args=[exercise.pk])}?as=abc"
    assert address in client.get(reverse("exercises:edit", args=[exercise.pk])).content.decode()
    client.post(address, {"abc": exercise.abc.replace("A {g}e", "A {a}e", 1), "tempo_bpm": "56", "title": ""})
    exercise.refresh_from_db()
    assert (exercise.family, exercise.parameters) == ("phrase", {})


@pytest.mark.parametrize("kept", [{}, {"kind": "doubling"}, {"kind": "doubling", "on": "H", "approaches": ["low A"]}])
def test_an_exercise_of_which_only_the_abc_was_kept_is_changed_as_abc(client: Client, kept: dict[str, Any]) -> None:
    exercise = written(client)
    Exercise.objects.update(parameters=kept)
    edit = reverse("exercises:edit", args=[exercise.pk])
    page = client.get(edit)
    assert page.status_code == 200
    assert page.context["form"]["abc"].value() == exercise.abc
    assert "as=abc" not in page.content.decode()  # it is ABC already
    client.post(edit, {"abc": exercise.abc, "tempo_bpm": "50", "title": exercise.title, "instruction": "", "level": ""})
    exercise.refresh_from_db()
    assert (exercise.family, exercise.tempo_bpm) == ("phrase", 50)


def test_a_chain_needs_no_approach_and_follows_the_half_custom(client: Client) -> None:
    exercise = written(client, family="chain", approaches=[], half="on")
    forms = [m.form for m in parse_abc(exercise.abc).movements if m.kind == "doubling" and m.approach.label == "high G"]
    assert forms == ["full", "half"]  # up to high A, then down to F
    assert listed(client, approach="high G") == [exercise.title]


def test_the_preview_says_how_long_it_is(client: Client) -> None:
    told = client.post(reverse("exercises:preview"), {**FAMILY, "family": "one-finger", "tempo_bpm": "60"}).json()
    assert told["length"] == "4 bars, 16 beats, 8 movements; 16 s to play"
    long = {**FAMILY, "family": "single-then-full", "repeats": "8", "tempo_bpm": "48"}
    assert client.post(reverse("exercises:preview"), long).json()["length"].endswith("; 1 min 20 s to play")
    music = HEAD.format(title="Own") + "A {gef}e B | {g}A B c d e |]\n"
    told = client.post(reverse("exercises:preview"), {"abc": music}).json()
    assert told["hints"] == ["Line 7: bar 1 holds 5 beats; 4/4 has 4 beats."]
    assert told["length"].startswith("2 bars, 8 beats, 2 movements")
