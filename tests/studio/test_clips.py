"""Clips: slower with what was played where it was, evened, faded at the edges, bounded, and gone with their take."""

from __future__ import annotations

import io
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
import soundfile
from django.core.files.storage import default_storage
from django.test import Client
from django.urls import reverse

from analysis.model_player import Manner, perform, render
from analysis.score import parse_abc
from studio.review import clips
from studio.takes import sweep
from studio.takes.models import Movement
from tests.conftest import make_ready_take

ClientFor = Callable[[Any], Client]
RATE = 48_000


@pytest.fixture(scope="module")
def played() -> bytes:
    """The first ten seconds of the sample exercise, played softly."""
    abc = "X:1\nT:T\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\nG {g}e G {gef}e | A {g}e A {gef}e |]\n"
    sound = render(parse_abc(abc), performance=perform(parse_abc(abc), Manner(tempo_bpm=60.0)))
    file = io.BytesIO()
    soundfile.write(file, sound.samples * 0.1, RATE, format="FLAC")
    return file.getvalue()


@pytest.fixture
def take(learner: Any, exercise: Any, sample_report: dict[str, Any], played: bytes) -> Any:
    return make_ready_take(learner, exercise, sample_report, played)


def heard(client: Client, address: str) -> np.ndarray:
    answer = client.get(address)
    assert answer.status_code == 200, answer.content
    assert answer["Content-Type"] == "audio/flac"
    samples, rate = soundfile.read(io.BytesIO(b"".join(answer.streaming_content)), dtype="float32")
    assert rate == RATE
    return samples


@pytest.mark.parametrize("slower", [1, 2, 4, 8])
def test_a_clip_is_as_long_as_it_is_slow_and_begins_and_ends_in_silence(
    client_for: ClientFor, tutor: Any, take: Any, slower: int
) -> None:
    samples = heard(client_for(tutor), f"{reverse('review:clip', args=[take.pk])}?start=1&end=2.5&slower={slower}")
    assert samples.size == round(1.5 * slower * RATE)
    assert max(abs(samples[0]), abs(samples[-1])) < 1e-3
    inside = samples[RATE // 50 : -RATE // 50]
    assert np.sqrt(np.mean(inside**2)) > 0.05
    assert np.abs(samples).max() <= 1.0


def test_loud_and_soft_takes_are_heard_alike(
    client_for: ClientFor, tutor: Any, take: Any, learner: Any, played: bytes
) -> None:
    samples, _ = soundfile.read(io.BytesIO(played), dtype="float32")
    file = io.BytesIO()
    soundfile.write(file, samples * 5.0, RATE, format="FLAC")
    loud = make_ready_take(learner, take.exercise, take.report, file.getvalue())
    levels = []
    for one in (take, loud):
        clip = heard(client_for(tutor), f"{reverse('review:clip', args=[one.pk])}?start=1&end=2.5")
        levels.append(20 * np.log10(np.sqrt(np.mean(clip**2))))
        gain = client_for(tutor).get(reverse("review:loudness", args=[one.pk])).json()["gain"]
        assert gain == pytest.approx(clips.loudness_gain(one), abs=0.001)
    assert levels[0] == pytest.approx(levels[1], abs=0.5)


def test_a_movement_comes_with_a_little_before_and_after(client_for: ClientFor, tutor: Any, take: Any) -> None:
    entry = take.report["movements"][1]
    told = client_for(tutor).get(reverse("review:sounds", args=[take.pk, entry["index"]])).json()
    assert told["start_s"] == pytest.approx(entry["start_s"] - clips.LEAD_S, abs=0.002)
    assert told["end_s"] == pytest.approx(entry["end_s"] + clips.TAIL_S, abs=0.002)
    own = heard(client_for(tutor), told["own"] + "&slower=2")
    assert own.size == pytest.approx(2 * RATE * (told["end_s"] - told["start_s"]), abs=2)


@pytest.mark.parametrize("slower", [1, 4])
def test_the_model_is_the_same_movement_at_the_takes_pitch_and_tempo(
    client_for: ClientFor, tutor: Any, take: Any, slower: int
) -> None:
    """From low G to the doubling on E: low G sounds first at the take's own pitch, and E after as long a lead."""
    entry = take.report["movements"][1]
    assert (entry["kind"], entry["on"], entry["from"]) == ("doubling", "E", "low G")
    told = client_for(tutor).get(reverse("review:sounds", args=[take.pk, 1])).json()
    model = heard(client_for(tutor), f"{told['model']}&slower={slower}")
    lead = model[RATE // 20 : round(slower * clips.LEAD_S * RATE)]
    assert pitch(lead) == pytest.approx(take.report["instrument"]["low_a_hz"] * 7 / 8, rel=0.006)
    tail = model[-round(slower * 0.4 * RATE) : -RATE // 20]
    assert pitch(tail) == pytest.approx(take.report["instrument"]["low_a_hz"] * 3 / 2, rel=0.006)
    length = slower * (clips.LEAD_S + clips.TAIL_S)
    assert length < model.size / RATE < length + slower * 0.35


def pitch(samples: np.ndarray) -> float:
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(samples.size), n=1 << 19))
    hertz = np.fft.rfftfreq(1 << 19, 1 / RATE)
    grid = np.arange(180.0, 500.0, 0.2)
    power = sum(np.interp(grid * k, hertz, spectrum) ** 0.5 for k in range(1, 8))
    return float(grid[np.argmax(power)])


def test_free_playing_has_models_of_what_it_can_name(
    learner: Any, sample_report: dict[str, Any], played: bytes
) -> None:
    for entry in sample_report["movements"]:
        entry["written_index"] = entry["bar"] = None
    take = make_ready_take(learner, None, sample_report, played)
    assert clips.has_model(take, sample_report["movements"][1])
    assert clips.model_clip(take, 1, 1)
    assert not clips.has_model(take, {**sample_report["movements"][1], "kind": "unknown", "form": ""})


def test_the_last_clean_one_is_this_learners_newest_and_from_the_same_note_if_there_is_one(
    take: Any, learner: Any, other_learner: Any, sample_report: dict[str, Any], played: bytes
) -> None:
    entry = take.report["movements"][1]
    Movement.objects.all().update(clean=False)
    assert clips.last_clean(take, entry) is None
    older = make_ready_take(
        learner, take.exercise, sample_report, played, created_at=take.created_at - timedelta(days=3)
    )
    theirs = make_ready_take(other_learner, take.exercise, sample_report, played)
    Movement.objects.filter(take__in=[older, theirs]).update(clean=False)
    Movement.objects.filter(take=theirs, index=1).update(clean=True)
    assert clips.last_clean(take, entry) is None
    Movement.objects.filter(take=take, index=3).update(clean=True)  # on E, from low A
    found = clips.last_clean(take, entry)
    assert found is not None
    assert (found.take_id, found.index) == (take.pk, 3)
    Movement.objects.filter(take=older, index=1).update(clean=True)
    found = clips.last_clean(take, entry)
    assert found is not None
    assert (found.take_id, found.index) == (older.pk, 1)


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("start=1&end=30", "up to 12 s"),
        ("start=2&end=2", "is empty"),
        ("start=nan&end=2", "a number of seconds"),
        ("start=&end=2", "a number of seconds"),
        ("start=1&end=2&slower=3", "1, 2, 4, 8 times slower"),
        ("movement=999", "There is no movement 1000"),
        ("movement=-1", "its number is needed"),
    ],
)
def test_what_cannot_be_played_is_said(client_for: ClientFor, tutor: Any, take: Any, query: str, says: str) -> None:
    answer = client_for(tutor).get(f"{reverse('review:clip', args=[take.pk])}?{query}")
    assert answer.status_code == 400
    assert says in answer.content.decode()


def test_clips_are_bounded_and_go_with_their_take(take: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clips, "MOST_KEPT", 3)
    for number in range(5):
        last = clips.own_clip(take, clips.Span(1.0, 1.1 + number / 10), 1)
    folder = f"clips/{take.pk}"
    assert len(default_storage.listdir(folder)[1]) == 3
    assert default_storage.exists(last)
    key = take.pk
    take.delete()
    clips.remove_clips(key)
    assert default_storage.listdir(folder)[1] == []


@pytest.mark.django_db(transaction=True)
def test_deleting_a_take_deletes_its_clips(take: Any) -> None:
    name = clips.own_clip(take, clips.Span(1.0, 1.2), 1)
    assert default_storage.exists(name)
    take.delete()
    assert not default_storage.exists(name)


def test_old_clips_are_tidied_away(take: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    name = clips.own_clip(take, clips.Span(1.0, 1.2), 1)
    sweep.tidy_once_a_day()
    assert default_storage.exists(name)
    monkeypatch.setattr(clips, "KEEP", timedelta(0))
    assert clips.remove_old_clips() == 1
    assert not default_storage.exists(name)


def test_a_pitch_trace_lies_on_the_notes(
    client_for: ClientFor, tutor: Any, learner: Any, take: Any, played: bytes
) -> None:
    take.report["notes"] = [
        {"start_s": 1.0, "end_s": 1.3, "note": "low G", "role": "theme", "confidence": 1.0},
    ]
    low_g = 236.0 * 7 / 8
    take.report["instrument"]["notes"]["low G"] = {"hz": low_g * 2 ** (10 / 1200), "cents": 0.0, "wobble_cents": 1.0}
    take.save()
    told = client_for(tutor).get(f"{reverse('review:pitch', args=[take.pk])}?start=0.5&end=2").json()
    cents = [value for value in told["cents"] if value is not None]
    assert len(cents) > 20
    assert np.median(cents) == pytest.approx(-10.0, abs=4.0)
    assert told["cents"][-1] is None
