"""Hearing an exercise as one wants it, and the words for faults right and wrong."""

from __future__ import annotations

import io
import time
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import av
import numpy as np
import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from analysis.examples import examples
from analysis.model_player import model_manner
from analysis.report import FLAGS
from analysis.score import parse_abc
from studio.exercises.listening import WORDS, low_a_of
from studio.exercises.models import Exercise
from studio.exercises.rendered import Hearing, sound_file
from studio.people.models import Studio, User
from studio.review.wording import FLAG_WORDS
from studio.takes.models import Take
from studio.week.services import SetRow, set_plan

ClientFor = Callable[[Any], Client]
PHRASE = "X:1\nT:Two bars\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\nA {gef}e A {gef}e | B {gcd}c A {GdGe}A |]\n"


@pytest.fixture
def phrase(studio: Studio, tutor: User) -> Exercise:
    return Exercise.objects.create(
        studio=studio, title="Two bars", family=Exercise.Family.PHRASE, abc=PHRASE, tempo_bpm=60, created_by=tutor
    )


@pytest.fixture
def client(client_for: ClientFor, tutor: User) -> Client:
    """The tutor's."""
    return client_for(tutor)


def answer(client: Client, exercise: Exercise, **query: str) -> Any:
    return client.get(reverse("exercises:listen-sound", args=[exercise.pk]), query)


def heard(client: Client, exercise: Exercise, **query: str) -> np.ndarray:
    """The sound as float samples."""
    response = answer(client, exercise, **query)
    assert response.status_code == 200, response.content
    with av.open(io.BytesIO(b"".join(response.streaming_content))) as container:
        assert container.streams.audio[0].rate == 48_000
        frames = [frame.to_ndarray() for frame in container.decode(audio=0)]
    samples = np.concatenate(frames, axis=1)[0]
    return samples / 32768 if samples.dtype.kind == "i" else samples


def take_of(
    learner: User, *, low_a: float, kind: str = "practice chanter", days_ago: int = 0, state: str = "ready"
) -> Take:
    now = timezone.now() - timedelta(days=days_ago)
    report = {"instrument": {"kind": kind, "low_a_hz": low_a, "notes": {}}}
    return Take.objects.create(learner=learner, created_at=now, queued_at=now, state=state, report=report)


def pitch(samples: np.ndarray) -> float:
    """The strongest partial's frequency of the first held note, divided by its number by hand: below 400 Hz."""
    part = samples[14_400:43_200]
    spectrum = np.abs(np.fft.rfft(part * np.hanning(part.size), 1 << 18))
    hertz = np.fft.rfftfreq(1 << 18, 1 / 48_000)
    low = (hertz > 150) & (hertz < 330)
    return float(hertz[low][np.argmax(spectrum[low])])


def test_the_words_are_those_of_the_review() -> None:
    assert {code: word for code, (word, _) in WORDS.items()} == dict(FLAG_WORDS)
    assert list(WORDS) == list(FLAGS)


def test_every_word_has_its_pair_on_the_page(client: Client, phrase: Exercise) -> None:
    page = client.get(reverse("exercises:listen", args=[phrase.pk])).content.decode()
    for code in FLAGS:
        assert f"?word={code}&amp;wrong=1" in page
    assert "Doubling on E from low A." in page
    assert "Taorluath on low A from low A." in page
    assert "your exercise has nothing" not in page


def test_what_an_exercise_has_no_example_of_is_shown_on_another(client: Client, phrase: Exercise) -> None:
    Exercise.objects.filter(pk=phrase.pk).update(abc=PHRASE.replace("A {GdGe}A", "A {g}e"))
    page = client.get(reverse("exercises:listen", args=[phrase.pk])).content.decode()
    assert page.count("your exercise has nothing that could be so") == 1
    assert "Grip on E from low A; your" in page


def test_right_and_wrong_differ_and_go_round_in_the_same_time(client: Client, phrase: Exercise) -> None:
    right = heard(client, phrase, word="late", ring="1")
    wrong = heard(client, phrase, word="late", ring="1", wrong="1")
    assert right.size == wrong.size == 3 * 48_000  # low A for a beat, E for two
    assert np.abs(right - wrong).max() > 0.1


@pytest.mark.parametrize(("code", "clicks"), [("late", True), ("beat-on-second", True), ("heavy-gracenote", False)])
def test_words_about_the_beat_are_heard_with_it(client: Client, phrase: Exercise, code: str, clicks: bool) -> None:
    without, asked = (
        heard(client, phrase, word=code, ring="1"),
        heard(client, phrase, word=code, ring="1", beat="clicks"),
    )
    assert np.array_equal(without, asked) == clicks


def test_half_speed_takes_twice_as_long(client: Client, phrase: Exercise) -> None:
    full = heard(client, phrase, word="late", ring="1")
    half = heard(client, phrase, word="late", ring="1", speed="half")
    assert half.size == 2 * full.size


def test_choices_are_heard(client: Client, phrase: Exercise) -> None:
    plain = heard(client, phrase)
    assert heard(client, phrase, tempo="120").size < plain.size
    assert heard(client, phrase, beat="count-in").size == plain.size + 4 * 48_000
    clicked = heard(client, phrase, beat="clicks")
    assert clicked.size == plain.size + 4 * 48_000
    pipes, alone = heard(client, phrase, instrument="pipes"), heard(client, phrase, instrument="pipes-alone")
    assert np.std(pipes) > np.std(alone)
    assert not np.array_equal(heard(client, phrase, lengths="gentle"), heard(client, phrase, lengths="strict"))


@pytest.mark.parametrize(("ending", "kind"), [("wav", "audio/wav"), ("mp3", "audio/mpeg")])
def test_files_to_keep(client: Client, phrase: Exercise, ending: str, kind: str) -> None:
    response = answer(client, phrase, **{"as": ending})
    response.close()
    assert response.headers["Content-Type"] == kind
    assert response.headers["Content-Disposition"] == f'attachment; filename="two-bars-60.{ending}"'
    assert heard(client, phrase, **{"as": ending}).size == pytest.approx(heard(client, phrase).size, abs=3000)


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ({"tempo": "5"}, 400),
        ({"tempo": "x"}, 400),
        ({"instrument": "fiddle"}, 400),
        ({"word": "dull"}, 404),
        ({"as": "exe"}, 404),
    ],
)
def test_what_cannot_be_heard(client: Client, phrase: Exercise, query: dict[str, str], status: int) -> None:
    assert answer(client, phrase, **query).status_code == status
    if status == 400:
        page = client.get(reverse("exercises:listen", args=[phrase.pk]), query)
        assert page.status_code == 200
        assert b"field-error" in page.content


def test_the_low_a_is_that_of_the_last_analysed_take(learner: User, other_learner: User) -> None:
    assert low_a_of(learner, "practice chanter") is None
    take_of(learner, low_a=231.04, days_ago=2)
    take_of(learner, low_a=241.17, days_ago=1)
    take_of(learner, low_a=474.0, kind="pipes")
    take_of(learner, low_a=220.0, state="failed")
    take_of(other_learner, low_a=250.0)
    assert low_a_of(learner, "practice chanter") == 241.2
    assert low_a_of(learner, "pipes") == 474.0
    take_of(learner, low_a=1000.0)  # whatever that was
    assert low_a_of(learner, "practice chanter") is None


def test_a_learner_hears_their_own_low_a(client_for: ClientFor, learner: User, exercise: Exercise, tutor: User) -> None:
    Exercise.objects.filter(pk=exercise.pk).update(abc=PHRASE)
    page = reverse("exercises:listen", args=[exercise.pk])
    client = client_for(learner)
    set_plan(learner, starts_on=date.today(), rows=[SetRow(exercise, tempo_bpm=60)], by=tutor)
    assert b"as in your last take" not in client.get(page).content
    take_of(learner, low_a=244.0)
    assert b"as in your last take" in client.get(page).content
    assert pitch(heard(client, exercise)) == pytest.approx(244.0, abs=1.0)
    assert pitch(heard(client, exercise, low_a="usual")) == pytest.approx(236.0, abs=1.0)


def test_music_that_cannot_be_read_any_more_says_so(client: Client, phrase: Exercise) -> None:
    Exercise.objects.filter(pk=phrase.pk).update(abc="K:C\nnonsense")
    page = client.get(reverse("exercises:listen", args=[phrase.pk])).content
    assert b"cannot be read any more" in page
    assert b"listen.js" not in page  # which would find nothing to work on
    assert answer(client, phrase).status_code == 400


@pytest.mark.parametrize("level", ["gentle", "standard", "strict"])
def test_examples_hold_only_their_movement(level: Any) -> None:
    for tempo in (30, 60, 140):
        manner = model_manner(level, tempo_bpm=tempo)
        for example in examples(parse_abc(PHRASE), manner):
            assert len(example.score.movements) == 1
            assert example.score.beats.denominator == 1
            assert example.score.beats <= 4


@pytest.mark.parametrize("ending", ["flac", "wav", "mp3"])
def test_a_minute_of_pipes_is_made_in_under_two_seconds(studio: Studio, ending: str) -> None:
    """In processor time, so that it holds on a busy machine as well."""
    abc = "X:1\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\n" + "A {g}e A {gef}e | " * 15
    sound_file("X:1\nM:4/4\nL:1/4\nK:HP\nA B\n", Hearing(tempo_bpm=60), ending=ending)  # what is imported once
    started = time.process_time()
    sound_file(abc, Hearing(tempo_bpm=60, count_in=4, clicks=True, instrument="pipes"), ending=ending)
    assert time.process_time() - started < 2.0
