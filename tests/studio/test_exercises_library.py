"""The starter library: what it holds, finding, hearing and copying it; and customs where teachers differ."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from analysis.chanter import Note
from analysis.score import parse_abc, to_abc
from studio.exercises import library
from studio.exercises.models import Customs, Exercise
from studio.exercises.writing import MOVEMENTS, read_phrase
from studio.people.models import Studio, User

ClientFor = Callable[[Any], Client]
OTHER_CUSTOMS = {"half_from_high_g": True, "grip_from_d": "D"}
FROM_D = "single-then-full-crunluath-e-from-low-g-d"


@pytest.fixture
def client(client_for: ClientFor, tutor: User) -> Client:
    """The tutor's."""
    return client_for(tutor)


def titles(page: Any) -> list[str]:
    return [entry.title for _, found in page.context["levels"] for entry, _ in found]


# What it holds


def test_it_holds_enough_of_every_level_family_and_movement() -> None:
    every = library.entries().values()
    assert len(every) >= 60
    assert min(Counter(entry.level for entry in every)[level] for level in Exercise.Level.values) >= 20
    assert min(Counter(entry.family for entry in every)[family] for family in Exercise.Family.values) >= 8
    kinds = {MOVEMENTS[entry.movement].kind for entry in every}
    assert kinds == {chosen.kind for chosen in MOVEMENTS.values()}
    assert all(entry.key == key and len(key) <= 120 for key, entry in library.entries().items())


@pytest.mark.parametrize("customs", [{}, OTHER_CUSTOMS], ids=["usual", "other"])
def test_every_entry_is_written_in_known_movements_at_a_learners_tempo(customs: dict[str, Any]) -> None:
    for entry in library.entries().values():
        score = entry.score(Customs(**customs))
        wanted = MOVEMENTS[entry.movement]
        assert read_phrase(to_abc(score)).themes == score.themes, entry.key
        assert "unknown" not in {movement.kind for movement in score.movements}, entry.key
        assert wanted.kind in {movement.kind for movement in score.movements}, entry.key
        assert 40 <= entry.tempo_bpm <= 72, entry.key
        assert entry.instruction.endswith("."), entry.key
        assert not (entry.family == "phrase" and score.themes[-1].bar > 8), entry.key


def test_no_two_entries_are_the_same_music() -> None:
    music = [to_abc(entry.score(Customs())) for entry in library.entries().values()]
    assert len(set(music)) == len(music)


# Looking through it


@pytest.mark.parametrize(
    ("asked", "holds", "holds_not"),
    [
        ({"movement": "birl"}, "Birl on low A: single then full", "Doubling on E: single then full"),
        ({"movement": "doubling", "approach": "high G"}, "Doubling: chain", "Doubling on C: single then full"),
        ({"level": "first", "movement": "doubling"}, "Doubling on B: single then full", "Doubling: chain"),
        ({"family": "one-finger", "q": "THROW"}, "Light throw on D: one finger", "Light throw on D: single then full"),
    ],
)
def test_it_is_found_by_movement_approach_level_and_family(
    client: Client, asked: dict[str, str], holds: str, holds_not: str
) -> None:
    found = titles(client.get(reverse("exercises:library"), asked))
    assert holds in found
    assert holds_not not in found
    assert len(found) < len(library.entries())


def test_what_it_has_not_and_what_is_unknown_is_answered(client: Client) -> None:
    address = reverse("exercises:library")
    nothing = client.get(address, {"movement": "birl", "level": "first"}).content.decode()
    assert "The library has nothing that fits all of this" in nothing
    assert len(titles(client.get(address, {"movement": "no such", "level": "?", "q": "\0"}))) == len(library.entries())
    assert client.get(reverse("exercises:library-entry", args=["no-such"])).status_code == 404


def test_an_entry_is_seen_and_heard_before_it_is_copied(client: Client) -> None:
    page = client.get(reverse("exercises:library-entry", args=[FROM_D])).content.decode()
    assert "4 bars, 16 beats, 8 movements; 20 s to play" in page
    assert "Bar 1: low G; E with a high G gracenote; low G; crunluath on E." in page
    assert f"/exercises/library/{FROM_D}/music.svg" in page
    drawn = client.get(reverse("exercises:library-music", args=[FROM_D]), {"width": "400"})
    assert b"data-movement" in drawn.content
    sound = client.get(reverse("exercises:library-model", args=[FROM_D]), {"tempo": "60"})
    assert b"".join(sound.streaming_content)[:4] == b"fLaC"
    assert client.get(reverse("exercises:library-model", args=[FROM_D]), {"tempo": "6"}).status_code == 400
    assert not Exercise.objects.exists()


# Copying


def test_an_entry_is_copied_into_the_studio(client: Client, studio: Studio, tutor: User) -> None:
    key = "from-short-notes-doubling-e-from-low-a-b-c-d-1-of-4"
    entry = library.entries()[key]
    answer = client.post(reverse("exercises:library-copy", args=[key]))
    made = Exercise.objects.get()
    assert answer.headers["Location"] == reverse("exercises:show", args=[made.pk])
    assert (made.studio, made.created_by, made.level, made.library_entry) == (studio, tutor, "further", key)
    assert (made.title, made.instruction, made.tempo_bpm) == (entry.title, entry.instruction, 60)
    assert parse_abc(made.abc).themes == entry.score(Customs()).themes
    assert made.parameters["cut_share"] == 0.25
    assert client.get(reverse("exercises:edit", args=[made.pk])).context["form"]["approaches"].value() == [
        "low A", "B", "C", "D",
    ]  # fmt: skip
    page = client.get(reverse("exercises:library"), {"movement": "doubling", "level": "further"})
    assert {entry.key: copied for _, found in page.context["levels"] for entry, copied in found}[key]
    client.post(reverse("exercises:library-copy", args=[key]))
    assert Exercise.objects.latest("pk").title == f"{entry.title} (2)"


def test_a_copy_that_was_put_away_does_not_count(client: Client) -> None:
    client.post(reverse("exercises:library-copy", args=[FROM_D]))
    client.post(reverse("exercises:put-away", args=[Exercise.objects.get().pk]))
    page = client.get(reverse("exercises:library"))
    assert not any(copied for _, found in page.context["levels"] for _, copied in found)
    assert "Copy into my studio" in client.get(reverse("exercises:library-entry", args=[FROM_D])).content.decode()


# Customs where teachers differ


def test_customs_are_chosen_on_the_studios_page_and_followed(client: Client, studio: Studio) -> None:
    assert "How exercises are written" in client.get(reverse("people:studio")).content.decode()
    answer = client.post(reverse("exercises:customs"), {"half_from_high_g": "on", "grip_from_d": "D"}, follow=True)
    assert "New exercises are written so" in answer.content.decode()
    customs = Customs.objects.get(studio=studio)
    assert (customs.half_from_high_g, customs.grip_from_d) == (True, "D")
    form = client.get(reverse("exercises:new")).context["form"]
    assert (form["half"].value(), form["grip_from_d"].value()) == (True, "D")
    client.post(reverse("exercises:library-copy", args=[FROM_D]))
    made = Exercise.objects.get()
    crunluaths = [m for m in parse_abc(made.abc).movements if m.approach == Note.D and len(m.gracenotes) > 1]
    assert {m.gracenotes[1] for m in crunluaths} == {Note.D}
    client.post(reverse("exercises:customs"), {"grip_from_d": "B"})
    customs.refresh_from_db()
    assert (customs.half_from_high_g, customs.grip_from_d) == (False, "B")
    assert "{GdGeAfA}e" in made.abc  # those that are there stay as they are


def test_half_doublings_by_custom_in_the_library(studio: Studio) -> None:
    entry = library.entries()["single-then-full-doubling-e-from-high-g-high-a"]
    assert [m.form for m in entry.score(Customs()).movements if m.kind == "doubling"][:2] == ["thumb", "half"]
    Customs.objects.create(studio=studio, half_from_high_g=True)
    forms = {m.form for m in parse_abc(entry.exercise(studio).abc).movements if m.kind == "doubling"}
    assert forms == {"half"}
    assert (entry.title, entry.exercise(studio).title) == (
        "Doubling on E: single then full",
        "Half doubling on E: single then full",
    )


def test_customs_that_do_not_exist_are_refused(client: Client) -> None:
    page = client.post(reverse("exercises:customs"), {"grip_from_d": "x"}, follow=True).content.decode()
    assert "Nothing is saved: choose what a grip from D is from the list." in page
    assert not Customs.objects.exists()
