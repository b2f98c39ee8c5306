"""Two takes held against each other: aligned by bar whatever the tempo, by movement, and over the last eight."""

from __future__ import annotations

import copy
import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from studio.review import compare
from studio.takes.models import Take
from tests.conftest import make_ready_take

ClientFor = Callable[[Any], Client]


def faulty(report: dict[str, Any], *indices: int) -> dict[str, Any]:
    """The report with these movements late and all others clean."""
    changed = copy.deepcopy(report)
    for movement in changed["movements"]:
        movement["flags"] = ["late"] if movement["index"] in indices else []
        movement["confidence"] = 0.9
    changed["summary"]["clean"] = len(changed["movements"]) - len(indices)
    for approach, counts in changed["summary"]["by_approach"].items():
        mine = [m for m in changed["movements"] if (m["from"] or "start") == approach]
        counts["clean"] = sum(not m["flags"] for m in mine)
    return changed


def slower(report: dict[str, Any], factor: float) -> dict[str, Any]:
    """The same take at another tempo."""
    changed = copy.deepcopy(report)
    changed["beat"]["beats_s"] = [beat * factor for beat in changed["beat"]["beats_s"]]
    for entry in [*changed["notes"], *changed["movements"]]:
        for key in ("start_s", "end_s", "beat_s"):
            if entry.get(key) is not None:
                entry[key] *= factor
    return changed


@pytest.fixture
def two(learner: Any, exercise: Any, sample_report: dict[str, Any], small_flac: bytes) -> tuple[Any, Any]:
    newer = make_ready_take(learner, exercise, faulty(sample_report, 1, 5), small_flac)
    older = make_ready_take(
        learner, exercise, faulty(sample_report, 1, 3), small_flac, created_at=newer.created_at - timedelta(days=2)
    )
    return older, newer


def test_what_got_cleaner_and_what_not(two: tuple[Any, Any]) -> None:
    changes = compare.compared(*two)["changes"]
    assert [entry["number"] for entry in changes["cleaner"]] == [3]
    assert [entry["number"] for entry in changes["worse"]] == [5]
    assert [entry["number"] for entry in changes["still"]] == [1]
    assert (changes["cleaner"][0]["was"], changes["cleaner"][0]["now"]) == ("late", "clean")
    assert len(changes["both"]) == len(two[0].report["movements"]) - 3


def test_by_the_note_approached_from(two: tuple[Any, Any]) -> None:
    rows = {row["approach"]: row for row in compare.compared(*two)["approaches"]}
    approach = [two[0].report["movements"][index]["from"] for index in (1, 3, 5)]
    assert rows[approach[0]]["change"] == "the same"
    assert rows[approach[1]]["change"] == "cleaner"
    assert rows[approach[2]]["change"] == "less clean"


def test_bars_are_drawn_alike_whatever_the_tempo(sample_report: dict[str, Any]) -> None:
    other = slower(sample_report, 1.4)
    bars, others = compare.bars_of(sample_report), compare.bars_of(other)
    assert bars.keys() == others.keys()
    assert len(bars) >= 6
    for number, bar in bars.items():
        assert bar.beats == 4
        here, there = compare.strip(sample_report, bar), compare.strip(other, others[number])
        assert len(here["boxes"]) == len(there["boxes"]) > 2
        for one, two in zip(here["boxes"], there["boxes"], strict=True):
            assert one["role"] == two["role"]
            assert one["x"] == pytest.approx(two["x"], abs=0.05)
            assert one["wide"] == pytest.approx(two["wide"], abs=0.6)
        assert here["words"] == there["words"]


def test_one_movement_over_the_last_eight_takes(
    client_for: ClientFor, learner: Any, two: tuple[Any, Any], small_flac: bytes
) -> None:
    older, newer = two
    for days in range(3, 12):
        make_ready_take(
            learner, newer.exercise, older.report, small_flac, created_at=newer.created_at - timedelta(days=days)
        )
    page = client_for(learner).get(reverse("review:compare", args=[newer.pk]) + "?movement=3")
    shown = page.context["multiples"]
    assert len(shown) == 8
    assert [one["date"] for one in shown] == sorted(one["date"] for one in shown)
    assert (shown[-1]["word"], shown[-2]["word"]) == ("clean", "late")
    assert {tuple(one["strip"]["beats"]) for one in shown} == {(0.0,)}
    assert f"{reverse('review:take', args=[newer.pk])}#movement-3" in page.content.decode()


def test_the_page_takes_the_one_before_or_the_one_asked_for(
    client_for: ClientFor, tutor: Any, learner: Any, two: tuple[Any, Any], small_flac: bytes
) -> None:
    older, newer = two
    oldest = make_ready_take(
        learner, newer.exercise, older.report, small_flac, created_at=older.created_at - timedelta(days=2)
    )
    client = client_for(tutor)
    page = client.get(reverse("review:compare", args=[newer.pk]))
    assert (page.context["older"].pk, page.context["newer"].pk) == (older.pk, newer.pk)
    asked = client.get(f"{reverse('review:compare', args=[newer.pk])}?with={oldest.pk}&movement=no")
    assert asked.context["older"].pk == oldest.pk
    first = client.get(reverse("review:compare", args=[oldest.pk]))
    assert (first.context["older"].pk, first.context["newer"].pk) == (oldest.pk, older.pk)
    assert (
        reverse("review:compare", args=[newer.pk])
        in client.get(reverse("review:take", args=[newer.pk])).content.decode()
    )


def test_takes_of_others_and_of_other_exercises_are_no_match(
    client_for: ClientFor, tutor: Any, other_learner: Any, two: tuple[Any, Any], small_flac: bytes
) -> None:
    theirs = make_ready_take(other_learner, two[0].exercise, two[0].report, small_flac)
    free = make_ready_take(two[0].learner, None, two[0].report, small_flac)
    client = client_for(tutor)
    for other in (theirs, free):
        address = f"{reverse('review:compare', args=[two[0].pk])}?with={other.pk}"
        assert client.get(address).status_code == 404
    assert client.get(f"{reverse('review:compare', args=[two[0].pk])}?with=nonsense").status_code == 404
    alone = client.get(reverse("review:compare", args=[free.pk])).content.decode()
    assert "played freely" in alone
    assert (
        reverse("review:compare", args=[free.pk])
        not in client.get(reverse("review:take", args=[free.pk])).content.decode()
    )


def test_takes_without_a_beat_or_with_movements_left_out_are_shown_as_they_are(
    client_for: ClientFor, tutor: Any, two: tuple[Any, Any]
) -> None:
    older, newer = two
    older.report["beat"]["beats_s"] = []
    for movement in older.report["movements"]:
        movement.update(beat_s=None, beat_offset_ms=None)
    older.report["movements"][3].update(start_s=None, end_s=None, flags=["missed"])
    older.save()
    page = client_for(tutor).get(reverse("review:compare", args=[newer.pk]) + "?movement=3")
    assert page.status_code == 200
    assert page.context["bars"] == []
    assert "not played" in page.content.decode()


def test_the_page_asks_the_database_little(
    client_for: ClientFor, tutor: Any, two: tuple[Any, Any], django_assert_max_num_queries: Any
) -> None:
    client = client_for(tutor)
    with django_assert_max_num_queries(12):
        page = client.get(reverse("review:compare", args=[two[1].pk])).content.decode()
    assert not re.search(r"<[^>]+ style=", page)
    assert Take.objects.count() == 2
