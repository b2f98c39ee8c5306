"""Every address against everybody (rows in access_matrix.py), and things of one studio met from within another."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse
from django.utils import timezone

from studio.exercises import library
from studio.people import services
from studio.review.models import PinnedNote, QuickPhrase
from studio.week.services import SetRow, set_plan
from tests.conftest import make_person, make_ready_take
from tests.studio.access_matrix import LOG_IN, PEOPLE, ROWS, Row

ClientFor = Callable[[Any], Client]


def names_of(patterns: list[URLPattern | URLResolver], prefix: str = "") -> Iterator[str]:
    """The names of all addresses; one without a name gets its pattern, which no row has."""
    for pattern in patterns:
        if isinstance(pattern, URLResolver):
            inside = f"{prefix}{pattern.namespace}:" if pattern.namespace else prefix
            yield from names_of(pattern.url_patterns, inside)
        else:
            yield f"{prefix}{pattern.name}" if pattern.name else str(pattern.pattern)


def test_every_address_has_its_rows() -> None:
    known = {row.name for row in ROWS}
    found = set(names_of(get_resolver().url_patterns))
    assert found - known == set(), "addresses without a row in tests/studio/access_matrix.py"
    assert known - found == set(), "rows for addresses that do not exist"


@pytest.fixture
def world(
    ready_take: Any, exercise: Any, tutor: Any, learner: Any, sample_report: dict[str, Any], small_flac: bytes
) -> dict[str, Any]:
    """The learner's things, by the names that the rows use."""
    set_plan(learner, starts_on=timezone.localdate(), rows=[SetRow(exercise, 60)], by=tutor)
    note = PinnedNote.objects.create(take=ready_take, author=tutor, movement_index=1, text="Late here.")
    played = make_ready_take(tutor, None, sample_report, small_flac)
    answer = PinnedNote.objects.create(take=ready_take, author=tutor, movement_index=1, recording=played)
    phrase = QuickPhrase.objects.create(tutor=tutor, text="Again.")
    _, token = services.invite(learner, by=tutor)
    made = {"learner": learner.pk, "take": ready_take.pk, "exercise": exercise.pk, "note": note.pk, "token": token}
    made |= {"answer": answer.pk, "phrase": phrase.pk}
    return {**made, "entry": next(iter(library.entries())), "movement": 0}


@pytest.fixture
def people(tutor: Any, learner: Any, other_learner: Any, stranger_tutor: Any) -> dict[str, Any]:
    return dict(zip(PEOPLE, (tutor, learner, other_learner, stranger_tutor, None), strict=True))


@pytest.mark.parametrize("who", PEOPLE)
@pytest.mark.parametrize("row", ROWS, ids=str)
def test_who_may_do_what(
    row: Row, who: str, world: dict[str, Any], people: dict[str, Any], client_for: ClientFor
) -> None:
    address = reverse(row.name, args=[world[name] for name in row.args]) + row.query.format(**world)
    extra = {"content_type": row.content_type} if row.content_type else {}
    response = getattr(client_for(people[who]), row.method)(address, row.data or None, **extra)
    if response.streaming:
        assert b"".join(response.streaming_content)
    expected = row.expected[PEOPLE.index(who)]
    if expected == LOG_IN:
        assert response.status_code == 302
        assert response.headers["Location"].startswith(reverse("people:log-in"))
    else:
        assert response.status_code == expected
        if expected == 302 and row.name != "home":
            assert who != "nobody"


def test_a_learner_of_another_studio_meets_nothing(
    world: dict[str, Any], client_for: ClientFor, stranger_tutor: Any
) -> None:
    outsider = make_person(stranger_tutor.studio, "learner", "pia", "Pia Halfstrath")
    for row in ROWS:
        if row.args and row.name != "people:join":
            address = reverse(row.name, args=[world[name] for name in row.args]) + row.query.format(**world)
            assert getattr(client_for(outsider), row.method)(address).status_code == 404, row


def test_a_person_without_a_studio_meets_nothing(
    world: dict[str, Any], client_for: ClientFor, stranger_tutor: Any
) -> None:
    stranger_tutor.studio = None
    stranger_tutor.save()
    for row in ROWS:
        if row.name.partition(":")[0] in ("exercises", "week", "review") or row.name == "people:learner":
            address = reverse(row.name, args=[world[name] for name in row.args]) + row.query.format(**world)
            assert getattr(client_for(stranger_tutor), row.method)(address).status_code == 404, row


def test_another_studios_exercises_cannot_be_set(
    client_for: ClientFor, tutor: Any, learner: Any, stranger_tutor: Any, exercise: Any
) -> None:
    exercise.studio = stranger_tutor.studio
    exercise.save()
    sent = {"starts_on": timezone.localdate().isoformat(), "rows-TOTAL_FORMS": "1", "rows-INITIAL_FORMS": "0"}
    page = client_for(tutor).post(reverse("week:plan", args=[learner.pk]), {**sent, "rows-0-exercise": exercise.pk})
    assert page.status_code == 200
    assert "Nothing is set yet" in page.content.decode()
    assert not learner.plans.exists()


def test_a_plan_shows_no_take_of_another_learner(
    client_for: ClientFor, tutor: Any, other_learner: Any, world: dict[str, Any]
) -> None:
    address = reverse("week:plan", args=[other_learner.pk])
    assert client_for(tutor).get(f"{address}?take={world['take']}").status_code == 404
    assert client_for(tutor).get(f"{address}?take=no-such").status_code == 404


def test_learners_meet_only_exercises_that_were_set_for_them(
    client_for: ClientFor, world: dict[str, Any], learner: Any, other_learner: Any, exercise: Any
) -> None:
    assert exercise.title in client_for(learner).get(reverse("exercises:list")).content.decode()
    assert exercise.title not in client_for(other_learner).get(reverse("exercises:list")).content.decode()


def test_boards_show_only_the_own_studio(
    client_for: ClientFor, world: dict[str, Any], learner: Any, stranger_tutor: Any, exercise: Any, small_flac: bytes,
    sample_report: dict[str, Any],
) -> None:  # fmt: skip
    theirs = make_person(stranger_tutor.studio, "learner", "pia", "Pia Halfstrath")
    make_ready_take(theirs, None, sample_report, small_flac)
    page = client_for(stranger_tutor).get(reverse("week:board")).content.decode()
    assert "Pia Halfstrath" in page
    assert str(learner) not in page
