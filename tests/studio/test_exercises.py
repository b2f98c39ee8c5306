"""Writing exercises, showing them as music, and hearing them."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any
from xml.etree import ElementTree as ET

import av
import numpy as np
import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from django.utils.html import escape

from analysis.chanter import LABELS
from analysis.score import parse_abc
from studio.exercises import rendered
from studio.exercises.models import Exercise
from studio.people.models import Studio, User
from studio.week.services import SetRow, set_plan

ClientFor = Callable[[Any], Client]
FAMILY = {
    "family": "single-then-full",
    "movement": "doubling/E",
    "approaches": ["low A", "B", "F"],
    "grip_from_d": "B",
    "cut_share": "0.2500",
    "tempo_bpm": "56",
    "repeats": "2",
    "title": "",
    "instruction": "Slow and wide.",
}
PHRASE = "X:1\nT:Two bars\nM:4/4\nL:1/4\nQ:1/4=54\nK:HP\n{g}A {d}B {gcd}c {e}A | {gef}e2 {g}A2 |]\n"


@pytest.fixture
def client(client_for: ClientFor, tutor: User) -> Client:
    """The tutor's."""
    return client_for(tutor)


def new(client: Client, **changes: Any) -> Any:
    return client.post(reverse("exercises:new"), {**FAMILY, **changes})


def new_phrase(client: Client, **changes: Any) -> Any:
    sent = {"abc": PHRASE, "tempo_bpm": "", "title": "", "instruction": ""}
    return client.post(reverse("exercises:new-phrase"), {**sent, **changes})


# Families


def test_a_family_is_written_and_shown(client: Client, tutor: User, studio: Studio) -> None:
    response = new(client)
    exercise = Exercise.objects.get()
    assert response.headers["Location"] == reverse("exercises:show", args=[exercise.pk])
    assert (exercise.studio, exercise.created_by, exercise.tempo_bpm) == (studio, tutor, 56)
    assert exercise.title == "Doubling on E: single then full"
    assert exercise.parameters == {"kind": "doubling", "on": "E", "approaches": ["low A", "B", "F"], "repeats": 2}
    movements = parse_abc(exercise.abc).movements
    assert [(m.kind, m.form, m.approach.label if m.approach else "") for m in movements[:4]] == [
        ("gracenote", "", "low A"),
        ("doubling", "full", "low A"),
        ("gracenote", "", "B"),
        ("doubling", "full", "B"),
    ]
    assert len(movements) == 12
    page = client.get(reverse("exercises:show", args=[exercise.pk])).content.decode()
    assert "Slow and wide." in page
    assert "12 movements" in page
    assert "Bar 1: low A; E with a high G gracenote; low A; doubling on E." in page


@pytest.mark.parametrize("on", LABELS)
@pytest.mark.parametrize("family", ["single-then-full", "from-short-notes"])
def test_every_doubling_can_be_written_in_both_families(client: Client, family: str, on: str) -> None:
    approaches = [label for label in ("low A", "D", "high G") if label != on]
    assert new(client, family=family, movement=f"doubling/{on}", approaches=approaches).status_code == 302
    exercise = Exercise.objects.get()
    doublings = [m for m in parse_abc(exercise.abc).movements if m.kind == "doubling"]
    assert {m.on.label for m in doublings} == {on}
    assert exercise.parameters.get("cut_share") == (0.25 if family == "from-short-notes" else None)


def test_single_gracenotes_are_written_too(client: Client) -> None:
    assert new(client, movement="gracenote/low A", approaches=["B", "D"]).status_code == 302
    movements = parse_abc(Exercise.objects.get().abc).movements
    assert {(m.kind, m.on.label, m.gracenotes[0].label) for m in movements} == {("gracenote", "low A", "high G")}


@pytest.mark.parametrize(
    ("asked", "title"),
    [
        ({"movement": "throw on D/D"}, "Light throw on D"),
        ({"movement": "throw on D/D/heavy"}, "Heavy throw on D"),
        ({"movement": "birl/low A", "approaches": ["B"]}, "Birl on low A"),
        ({"movement": "birl/low A/with-gracenote", "approaches": ["B"]}, "Birl with a gracenote on low A"),
        ({"approaches": ["low A", "high G"]}, "Doubling on E"),
        ({"approaches": ["low A", "high G"], "half": "on"}, "Doubling on E, half from high G"),
        ({"approaches": ["high G", "high A"], "half": "on"}, "Half doubling on E"),
        ({"approaches": ["high G"]}, "Thumb doubling on E"),
        ({"approaches": ["high G", "high A"]}, "Doubling on E"),
        ({"approaches": ["high A"]}, "Half doubling on E"),
        ({"approaches": ["low A"], "half": "on"}, "Doubling on E"),
        ({"family": "chain", "approaches": [], "half": "on"}, "Doubling, half from high G: chain"),
        ({"family": "chain", "approaches": ["low A"], "half": "on"}, "Doubling: chain"),
        ({"movement": "grip/E", "approaches": ["D"], "grip_from_d": "D"}, "Grip on E, with its D from D too"),
        ({"movement": "taorluath/low A", "approaches": ["D", "E"]}, "Taorluath on low A"),
        ({"movement": "taorluath/low A", "approaches": ["E"], "grip_from_d": "D"}, "Taorluath on low A"),
        ({"approaches": ["high G"], "half": "on", "title": "For Rory"}, "For Rory"),
    ],
)
def test_a_made_title_says_which_form_was_chosen(client: Client, asked: dict[str, Any], title: str) -> None:
    assert new(client, **{"approaches": ["low A"], **asked}).status_code == 302
    exercise = Exercise.objects.get()
    assert exercise.title.removesuffix(": single then full") == title
    assert f"T:{exercise.title}\n" in exercise.abc
    form = client.get(reverse("exercises:edit", args=[exercise.pk])).context["form"]
    assert form["title"].value() == asked.get("title", "")  # what was made follows a change


def test_a_made_title_that_is_there_already_is_numbered(client: Client) -> None:
    for tempo in ("56", "60", "64"):
        new(client, tempo_bpm=tempo)
    made = list(Exercise.objects.order_by("pk"))
    title = made[0].title
    assert [entry.title for entry in made] == [title, f"{title} (2)", f"{title} (3)"]
    assert f"T:{title} (2)\n" in made[1].abc
    # Changed without a title of its own, each keeps its number; a title that somebody wrote is left as it is.
    address = reverse("exercises:edit", args=[made[1].pk])
    form = client.get(address).context["form"]
    assert form["title"].value() == ""
    client.post(address, FAMILY)
    made[1].refresh_from_db()
    assert made[1].title == f"{title} (2)"
    new(client, title=title)
    assert Exercise.objects.filter(title=title).count() == 2


def test_from_high_g_the_tutor_may_prefer_the_half_doubling(client: Client) -> None:
    new(client, approaches=["low A", "high G"], half="on", repeats="1")
    forms = [m.form for m in parse_abc(Exercise.objects.get().abc).movements if m.kind == "doubling"]
    assert forms == ["full", "half"]
    Exercise.objects.all().delete()
    assert (
        new(client, approaches=["low A"], half="on").status_code == 302
    )  # no such choice there: nothing to complain of
    assert "form" not in Exercise.objects.get().parameters


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"approaches": []}, "Choose at least one note to approach from."),
        ({"tempo_bpm": "500"}, "The tempo is a whole number of beats a minute, from 30 to 140."),
        ({"tempo_bpm": "fast"}, "The tempo is a whole number of beats a minute, from 30 to 140."),
        ({"repeats": "40"}, "It is written a whole number of times, from 1 to 8."),
        ({"movement": "doubling/H"}, "choose one of the list"),
        ({"approaches": ["Q"]}, "Q is no note of the chanter"),
        ({"repeats": ""}, "from 1 to 8"),
        ({"title": "x" * 121}, "120 characters are possible"),
        ({"movement": "doubling/low G", "approaches": ["high A"], "family": "x"}, "choose one of the list"),
        (
            {"movement": "doubling/high A", "approaches": ["high A"]},
            "A doubling on high A cannot be played from high A; it can from ",
        ),
    ],
)
def test_what_cannot_be_written_is_said_in_words(client: Client, change: dict[str, Any], said: str) -> None:
    page = new(client, **change)
    assert page.status_code == 200
    assert said in page.content.decode()
    assert not Exercise.objects.exists()


def test_the_address_may_carry_first_choices_and_where_to_go_on(client: Client, learner: User) -> None:
    then = f"/learners/{learner.pk}/plan/?starts=2026-03-02"
    query = {"movement": "doubling/D", "approaches": ["low G", "C"], "tempo_bpm": "50", "then": then}
    page = client.get(reverse("exercises:new"), query)
    form = page.context["form"]
    assert (form["movement"].value(), form["approaches"].value()) == ("doubling/D", ["low G", "C"])
    answer = client.post(f"{reverse('exercises:new')}?then={then}", FAMILY)
    assert answer.headers["Location"] == f"{then}&add={Exercise.objects.get().pk}"
    elsewhere = client.post(f"{reverse('exercises:new')}?then=https://elsewhere.example/", FAMILY)
    assert elsewhere.headers["Location"].startswith("/exercises/")


def test_an_exercise_is_changed_and_takes_keep_their_music(client: Client, ready_take: Any, exercise: Exercise) -> None:
    address = reverse("exercises:edit", args=[exercise.pk])
    form = client.get(address).context["form"]
    assert form["title"].value() == ""  # named by its family: the name follows the change
    assert form["approaches"].value() == exercise.parameters["approaches"]
    before = exercise.abc
    client.post(address, {**FAMILY, "movement": "doubling/D", "approaches": ["low A"]})
    exercise.refresh_from_db()
    ready_take.refresh_from_db()
    assert exercise.title == "Doubling on D: single then full"
    assert "{gde}d" in exercise.abc
    assert ready_take.abc == before
    client.post(address, {**FAMILY, "title": "For Rory"})
    assert client.get(address).context["form"]["title"].value() == "For Rory"


# Phrases


def test_a_phrase_keeps_the_abc_as_it_was_typed(client: Client) -> None:
    new_phrase(client, abc=PHRASE.replace("\n", "\r\n"))
    exercise = Exercise.objects.get()
    assert (exercise.family, exercise.title, exercise.tempo_bpm) == ("phrase", "Two bars", 54)
    assert exercise.abc == PHRASE
    address = reverse("exercises:edit", args=[exercise.pk])
    assert client.get(address).context["form"]["abc"].value() == PHRASE
    client.post(address, {"abc": PHRASE, "tempo_bpm": "60", "title": "Mine", "instruction": ""})
    exercise.refresh_from_db()
    assert (exercise.title, exercise.tempo_bpm) == ("Mine", 60)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"abc": PHRASE.replace("{gcd}c", "{gcd}h")}, "Line 7, column 16:"),
        ({"abc": PHRASE.replace("{gcd}c", "^c")}, "accidentals are not written in the Highland pipe keys"),
        ({"abc": ""}, "There is no music yet"),
        ({"abc": "X:1\nT:x\nM:4/4\nL:1/4\nQ:1/4=54\nK:HP\nA B c d |]\n"}, "There is no gracenote in this music"),
        ({"abc": PHRASE.replace("Q:1/4=54\n", "")}, "There is no tempo"),
        ({"abc": PHRASE.replace("=54", "=400")}, "The Q: line says 400"),
        ({"abc": PHRASE.replace("T:Two bars\n", "")}, "There is no title"),
        ({"abc": PHRASE + "A" * 5000}, "5000 characters are possible"),
    ],
)
def test_what_is_wrong_in_a_phrase_is_said_with_its_place(client: Client, change: dict[str, str], said: str) -> None:
    page = new_phrase(client, **change)
    assert page.status_code == 200
    assert said in page.content.decode()
    assert not Exercise.objects.exists()


# The preview


def test_the_preview_draws_what_is_being_written(client: Client) -> None:
    drawn = client.post(reverse("exercises:preview"), {**FAMILY, "width": "400"}).json()["svg"]
    root = ET.fromstring(drawn)
    assert root.get("width") == "360"
    assert sum("data-movement" in element.attrib for element in root.iter()) == 12
    sent = {"abc": PHRASE, "title": "", "instruction": "", "tempo_bpm": ""}
    assert "data-movement" in client.post(reverse("exercises:preview"), sent).json()["svg"]
    assert not Exercise.objects.exists()


def test_the_preview_says_what_is_wrong(client: Client) -> None:
    wrong = client.post(reverse("exercises:preview"), {"abc": PHRASE.replace("{gcd}c", "{gcd}h")}).json()
    assert wrong["problems"][0].startswith("Line 7, column 16:")
    assert wrong["place"] == [7, 16]
    wrong = client.post(reverse("exercises:preview"), {**FAMILY, "approaches": []}).json()
    assert wrong == {"problems": ["Choose at least one note to approach from."], "place": None}


# Music and sound


def test_music_is_drawn_for_the_width_and_kept(client: Client, exercise: Exercise, monkeypatch: Any) -> None:
    address = reverse("exercises:music", args=[exercise.pk])
    first = client.get(address, {"width": "390"})
    assert ET.fromstring(first.content).get("width") == "360"
    assert b"<style" not in first.content
    monkeypatch.setattr("analysis.engraving.svg", lambda *args, **options: pytest.fail("drawn again"))
    again = client.get(address, {"width": "375"}, headers={"if-none-match": first.headers["ETag"]})
    assert (again.status_code, again.content) == (304, b"")
    assert client.get(address, {"width": "361"}).content == first.content
    assert "private" in first.headers["Cache-Control"]


def test_a_changed_beat_point_or_music_is_drawn_anew(client: Client, exercise: Exercise, studio: Studio) -> None:
    address = reverse("exercises:music", args=[exercise.pk])
    first = client.get(address)
    studio.beat_points = {"doubling": "opens"}
    studio.save()
    second = client.get(address, headers={"if-none-match": first.headers["ETag"]})
    assert second.status_code == 200
    assert second.headers["ETag"] != first.headers["ETag"]
    exercise.abc = PHRASE
    exercise.save()
    assert client.get(address).headers["ETag"] != second.headers["ETag"]


@pytest.mark.parametrize(("asked", "given"), [("0", 260), ("no", 960), ("99999999", 960), ("5000", 1120)])
def test_widths_out_of_reason_are_brought_within_it(client: Client, exercise: Exercise, asked: str, given: int) -> None:
    drawn = client.get(reverse("exercises:music", args=[exercise.pk]), {"width": asked})
    assert ET.fromstring(drawn.content).get("width") == str(given)


def heard(response: Any) -> tuple[np.ndarray, int]:
    """The samples of a FLAC answer and their rate."""
    with av.open(io.BytesIO(b"".join(response.streaming_content))) as container:
        frames = [frame.to_ndarray() for frame in container.decode(audio=0)]
        rate = container.streams.audio[0].rate
    return np.concatenate(frames, axis=1)[0].astype(np.float64) / 32768, rate


def test_the_model_take_sounds_at_the_asked_tempo(client: Client, exercise: Exercise) -> None:
    address = reverse("exercises:model", args=[exercise.pk])
    slow, rate = heard(client.get(address, {"tempo": "60"}))
    quick, _ = heard(client.get(address, {"tempo": "120"}))
    beats = 32  # of the sample exercise
    assert rate == 48_000
    assert (len(slow) - len(quick)) / rate == pytest.approx(beats / 2, abs=0.2)
    assert np.abs(slow).max() > 0.1


def test_the_model_take_is_counted_in_when_wanted(client: Client, exercise: Exercise) -> None:
    address = reverse("exercises:model", args=[exercise.pk])
    plain, rate = heard(client.get(address, {"tempo": "60"}))
    counted, _ = heard(client.get(address, {"tempo": "60", "count_in": "4"}))
    assert (len(counted) - len(plain)) / rate == pytest.approx(4.0, abs=0.01)
    clicked, _ = heard(client.get(address, {"tempo": "60", "clicks": "1"}))
    assert len(clicked) == len(plain)
    assert np.abs(clicked - plain).max() > 0.1


def test_a_model_take_is_made_once_and_served_by_ranges(client: Client, exercise: Exercise, monkeypatch: Any) -> None:
    address = reverse("exercises:model", args=[exercise.pk])
    whole = b"".join(client.get(address, {"tempo": "60"}).streaming_content)
    assert whole[:4] == b"fLaC"
    monkeypatch.setattr("analysis.model_player.render", lambda *args, **options: pytest.fail("made again"))
    part = client.get(address, {"tempo": "60"}, headers={"range": "bytes=10-19"})
    assert part.status_code == 206
    assert b"".join(part.streaming_content) == whole[10:20]
    assert len(default_storage.listdir("models")[1]) == 1


@pytest.mark.parametrize(("kind", "begins"), [("wav", b"RIFF"), ("mp3", b"ID3"), ("flac", b"fLaC")])
def test_the_model_take_is_offered_as_a_file(client: Client, exercise: Exercise, kind: str, begins: bytes) -> None:
    shown = client.get(reverse("exercises:show", args=[exercise.pk]), {"tempo": "72", "sound": "clicks"})
    address = f"/exercises/{exercise.pk}/model.flac?tempo=72&count_in=4&clicks=1&as={kind}"
    assert escape(address) in shown.content.decode()
    file = client.get(address)
    assert b"".join(file.streaming_content).startswith(begins)
    called = f"doubling-on-e-single-then-full-72.{kind}"
    assert file.headers["Content-Disposition"] == f'attachment; filename="{called}"'


def test_a_model_take_is_had_in_three_ways_only(client: Client, exercise: Exercise) -> None:
    refused = client.get(reverse("exercises:model", args=[exercise.pk]), {"as": "exe"})
    assert (refused.status_code, refused.content) == (400, b"The sound can be had as wav, mp3, flac.")


def test_a_new_version_of_the_program_makes_everything_anew(exercise: Exercise, monkeypatch: Any) -> None:
    def make() -> str:
        return rendered.model_take(exercise.abc, tempo_bpm=60, count_in=0, clicks=False, tuning="harmonic")

    first = make()
    assert make() == first
    monkeypatch.setattr(rendered, "program_version", lambda: "another")
    assert make() != first


def test_old_model_takes_are_removed(exercise: Exercise, monkeypatch: Any) -> None:
    assert rendered.remove_old_models() == 0
    default_storage.save("models/old.flac", ContentFile(b"x"))
    assert rendered.remove_old_models() == 0
    monkeypatch.setattr(rendered, "_KEEP_S", -1)
    assert rendered.remove_old_models() == 1
    assert default_storage.listdir("models")[1] == []


@pytest.mark.parametrize("bad", [{"tempo": "5"}, {"tempo": "x"}, {"count_in": "3"}, {"count_in": "-1"}])
def test_a_model_take_that_cannot_be_made_says_why(client: Client, exercise: Exercise, bad: dict[str, str]) -> None:
    response = client.get(reverse("exercises:model", args=[exercise.pk]), bad)
    assert response.status_code == 400
    assert response.headers["Content-Type"].startswith("text/plain")
    assert response.content


def test_the_page_works_without_a_script(client: Client, exercise: Exercise) -> None:
    page = client.get(
        reverse("exercises:show", args=[exercise.pk]), {"tempo": "48", "sound": "clicks"}
    ).content.decode()
    assert f"/exercises/{exercise.pk}/model.flac?tempo=48&amp;count_in=4&amp;clicks=1" in page
    assert f'<noscript><picture><source media="(max-width: 40rem)" srcset="/exercises/{exercise.pk}/music.svg' in page


def test_the_music_can_be_taken_along_as_abc(client: Client, exercise: Exercise) -> None:
    file = client.get(reverse("exercises:abc", args=[exercise.pk]))
    assert file.headers["Content-Disposition"] == 'attachment; filename="doubling-on-e-single-then-full.abc"'
    assert parse_abc(file.content.decode()) == parse_abc(exercise.abc)


@pytest.mark.parametrize(("meter", "beats"), [("4/4", 4), ("6/8", 2), ("3/4", 3), ("9/8", 3)])
def test_a_bar_is_counted_in_by_its_beats(exercise: Exercise, meter: str, beats: int) -> None:
    exercise.abc = f"X:1\nT:x\nM:{meter}\nL:1/8\nQ:60\nK:HP\n{{g}}A2|]\n"
    assert exercise.beats_a_bar == beats


def test_music_that_cannot_be_read_any_more_says_so(client: Client, client_for: ClientFor, learner: User) -> None:
    new_phrase(client)
    exercise = Exercise.objects.get()
    set_plan(learner, starts_on=timezone.localdate(), rows=[SetRow(exercise, 60)])
    Exercise.objects.update(abc="nonsense")
    page = client.get(reverse("exercises:show", args=[exercise.pk]))
    assert page.status_code == 200
    assert "This music cannot be read any more" in page.content.decode()
    assert client.get(reverse("exercises:music", args=[exercise.pk])).status_code == 422
    assert client.get(reverse("exercises:model", args=[exercise.pk])).status_code == 400
    assert client_for(learner).get(reverse("week:mine")).status_code == 200


# The list


def test_put_away_exercises_leave_the_list_and_come_back(client: Client, exercise: Exercise) -> None:
    listed, away = reverse("exercises:list"), f"{reverse('exercises:list')}?away=1"
    client.post(reverse("exercises:put-away", args=[exercise.pk]), follow=True)
    assert exercise.title not in client.get(listed).content.decode()
    assert exercise.title in client.get(away).content.decode()
    assert "put away" in client.get(reverse("exercises:show", args=[exercise.pk])).content.decode()
    client.post(reverse("exercises:bring-back", args=[exercise.pk]), follow=True)
    assert exercise.title in client.get(listed).content.decode()


def test_the_list_finds_by_words_and_takes_the_same_queries_for_many(
    client: Client, exercise: Exercise, studio: Studio, tutor: User, django_assert_num_queries: Any
) -> None:
    for number in range(70):
        Exercise.objects.create(
            studio=studio, title=f"Chain {number}", family="phrase", abc=PHRASE, tempo_bpm=60, created_by=tutor
        )
    with django_assert_num_queries(4):  # session, person, how many, the page
        page = client.get(reverse("exercises:list")).content.decode()
    assert "Page 1 of 2" in page
    found = client.get(reverse("exercises:list"), {"q": "chain 6"}).content.decode()
    assert "Chain 61" in found
    assert "Chain 61" in client.get(reverse("exercises:list"), {"q": "chain\0 6"}).content.decode()
    assert exercise.title not in found


def test_a_learner_sees_a_set_exercise_even_when_it_was_put_away(
    client_for: ClientFor, learner: User, exercise: Exercise
) -> None:
    address = reverse("exercises:show", args=[exercise.pk])
    assert client_for(learner).get(address).status_code == 404
    set_plan(learner, starts_on=timezone.localdate(), rows=[SetRow(exercise, 60)])
    exercise.put_away_at = timezone.now()
    exercise.save()
    page = client_for(learner).get(address).content.decode()
    assert "Record it" in page
    assert "Put away" not in page
