"""A tutor's beat for a take: everything counted follows at once, and the analysis's own is a click away."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from studio.takes.beats import change_beat, change_of
from studio.takes.models import BeatChange, Movement, Ruling, Take
from studio.takes.reports import rejudge, rejudge_take, store_report
from tests.studio.fakes import sample_report as judged_sample

ClientFor = Callable[[Any], Client]


@pytest.fixture
def take(ready_take: Any) -> Any:
    rejudge_take(ready_take)
    return ready_take


def send(client: Client, take: Any, **sent: str) -> str:
    return client.post(reverse("review:beat", args=[take.pk]), sent, follow=True).content.decode()


def test_moving_the_beat_judges_everything_anew_and_back(client_for: ClientFor, tutor: Any, take: Any) -> None:
    before = copy.deepcopy(take.report)
    rows = list(Movement.objects.filter(take=take).values_list("beat_offset_ms", "flags", "clean"))
    page = send(client_for(tutor), take, source="heard", shift_ms="-300")
    take.refresh_from_db()
    assert take.clean_count < before["summary"]["clean"]
    assert f"{take.clean_count} of {take.movement_count} clean, {before['summary']['clean']} before" in page
    assert "moved this beat: 300 ms earlier" in page
    for row, (offset, _, _) in zip(Movement.objects.filter(take=take), rows, strict=True):
        if offset is not None:
            assert row.beat_offset_ms == pytest.approx(offset + 300.0, abs=0.1)
    # A change is not laid on a change.
    send(client_for(tutor), take, source="heard", shift_ms="-100")
    change = change_of(take)
    assert change is not None
    assert change.heard_report["beat"] == before["beat"]
    page = send(client_for(tutor), take, source="heard", shift_ms="0")
    take.refresh_from_db()
    assert take.report == before
    assert list(Movement.objects.filter(take=take).values_list("beat_offset_ms", "flags", "clean")) == rows
    assert not BeatChange.objects.exists()


def test_another_source(client_for: ClientFor, tutor: Any, learner: Any, take: Any) -> None:
    page = send(client_for(tutor), take, source="fitted", shift_ms="")
    take.refresh_from_db()
    assert take.report["beat"]["source"] == "fitted"
    assert "Measured against a steady line through the movements, as the tutor chose" in page
    shown = client_for(learner).get(reverse("review:take", args=[take.pk])).content.decode()
    assert "as the tutor chose" in shown
    assert "beat-form" not in shown


@pytest.mark.parametrize(
    ("sent", "says"),
    [
        ({"source": "heart", "shift_ms": "0"}, "Choose one of the beats"),
        ({"source": "heard", "shift_ms": "soon"}, "a number of milliseconds"),
        ({"source": "heard", "shift_ms": "nan"}, "a number of milliseconds"),
        ({"source": "heard", "shift_ms": "9999"}, "up to 500"),
    ],
)
def test_what_is_no_beat_is_refused(
    client_for: ClientFor, tutor: Any, take: Any, sent: dict[str, str], says: str
) -> None:
    assert says in send(client_for(tutor), take, **sent)
    assert not BeatChange.objects.exists()


def test_the_tutors_word_on_movements_and_new_tolerances_stand_on_the_moved_beat(
    tutor: Any, studio: Any, take: Any
) -> None:
    Ruling.objects.create(take=take, index=1, about="flag", flag="late", holds=False, by=tutor)
    rejudge_take(take)
    change_beat(take, source="heard", shift_ms=-300.0, by=tutor)
    late = [entry["index"] for entry in take.report["movements"] if "late" in entry["flags"]]
    assert late
    assert 1 not in late
    studio.tolerances = {"offset_floor_ms": 900.0}
    studio.save()
    rejudge(studio)
    take.refresh_from_db()
    assert not any("late" in entry["flags"] for entry in take.report["movements"])
    change_beat(take, source="heard", shift_ms=0.0, by=tutor)
    assert "overruled" in take.report["movements"][1]


def test_a_new_analysis_keeps_the_tutors_beat(tutor: Any, take: Any) -> None:
    change_beat(take, source="heard", shift_ms=40.0, by=tutor)
    first = take.report["beat"]["beats_s"][0]
    assert store_report(Take.objects.get(pk=take.pk), judged_sample())
    take.refresh_from_db()
    assert take.report["beat"]["beats_s"][0] == pytest.approx(first, abs=1e-6)
