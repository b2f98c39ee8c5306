"""Plans, clean days, the board, the learner's week, and what a take suggests."""

from __future__ import annotations

import copy
import re
from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from analysis.judgement import summarise
from studio.exercises.models import Exercise
from studio.people.models import User
from studio.review.models import NoteRead, PinnedNote
from studio.takes.models import Take
from studio.week import suggestions
from studio.week.models import Plan
from studio.week.progress import past_weeks, week_of
from studio.week.services import (
    PlanClash,
    SetRow,
    clean_days,
    current_plan,
    current_plans,
    next_start,
    set_plan,
)
from studio.week.unread import unread_notes
from tests.conftest import make_person, make_ready_take

ClientFor = Callable[[Any], Client]
TODAY = timezone.localdate


@pytest.fixture
def client(client_for: ClientFor, tutor: User) -> Client:
    """The tutor's."""
    return client_for(tutor)


@pytest.fixture
def play(learner: User, exercise: Exercise, sample_report: dict[str, Any], small_flac: bytes) -> Callable[..., Take]:
    """Makes a ready take of the learner: `clean` of its 15 movements are clean."""

    def make(clean: int = 15, *, on: date | None = None, by: User | None = None, **values: Any) -> Take:
        report = copy.deepcopy(sample_report)
        for number, movement in enumerate(report["movements"]):
            movement["flags"] = [] if number < clean else ["late"]
        report["summary"] = summarise(report["movements"])
        when = timezone.make_aware(datetime.combine(on, time(18))) if on is not None else timezone.now()
        values.setdefault("exercise", exercise)
        return make_ready_take(by or learner, values.pop("exercise"), report, small_flac, created_at=when, **values)

    return make


@pytest.fixture
def other_exercise(exercise: Exercise) -> Exercise:
    """Called like the first, faster, from fewer notes."""
    return Exercise.objects.create(
        studio=exercise.studio,
        title=exercise.title,
        family=exercise.family,
        parameters={**exercise.parameters, "approaches": ["low A", "D"]},
        abc=exercise.abc,
        tempo_bpm=70,
    )


def days_ago(days: int) -> date:
    return TODAY() - timedelta(days=days)


# Which plan counts


def test_a_plan_counts_until_the_next_one_starts(learner: User, other_learner: User, exercise: Exercise) -> None:
    old = set_plan(learner, starts_on=days_ago(10), rows=[SetRow(exercise, 56)])
    new = set_plan(learner, starts_on=days_ago(3), rows=[SetRow(exercise, 60)])
    set_plan(learner, starts_on=TODAY() + timedelta(days=4), rows=[SetRow(exercise, 64)])
    assert current_plan(learner) == new
    assert current_plan(learner, days_ago(4)) == old
    assert current_plan(learner, days_ago(11)) is None
    assert current_plans([learner, other_learner]) == {learner.pk: new}


@pytest.mark.parametrize(
    ("today", "expected"),
    [
        (date(2026, 3, 2), 9),
        (date(2026, 3, 5), 9),
        (date(2026, 3, 9), 9),
        (date(2026, 3, 10), 16),
        (date(2026, 3, 16), 16),
    ],
)
def test_the_next_plan_starts_whole_weeks_later_today_at_the_earliest(today: date, expected: int) -> None:
    assert next_start(Plan(starts_on=date(2026, 3, 2)), today) == date(2026, 3, expected)
    assert next_start(None, today) == today


def test_setting_a_plan_again_replaces_its_exercises_in_order(learner: User, exercise: Exercise, tutor: User) -> None:
    second = Exercise.objects.create(studio=tutor.studio, title="Second", family="phrase", abc="x", tempo_bpm=50)
    set_plan(learner, starts_on=TODAY(), rows=[SetRow(exercise, 56)], note="One")
    plan = set_plan(learner, starts_on=TODAY(), rows=[SetRow(second, 50), SetRow(exercise, 60, 2, "Slow")], note="Two")
    assert Plan.objects.count() == 1
    assert [(row.exercise, row.tempo_bpm, row.clean_days, row.note) for row in plan.exercises.all()] == [
        (second, 50, 3, ""),
        (exercise, 60, 2, "Slow"),
    ]
    other = set_plan(learner, starts_on=TODAY() + timedelta(days=7), rows=[])
    with pytest.raises(PlanClash):
        set_plan(learner, starts_on=TODAY(), rows=[], plan=other)


# Clean days


def test_clean_days_are_days_and_not_takes(learner: User, exercise: Exercise, play: Callable[..., Take]) -> None:
    plan = set_plan(learner, starts_on=days_ago(6), rows=[SetRow(exercise, 56)])
    row = plan.exercises.get()
    for day in (5, 5, 3):
        play(15, on=days_ago(day), tempo_bpm=56)
    play(15, on=days_ago(2), tempo_bpm=60)  # faster counts
    play(14, on=days_ago(1), tempo_bpm=56)  # one fault does not
    play(15, on=days_ago(1), tempo_bpm=52)  # slower does not
    play(15, on=days_ago(1), tempo_bpm=56, exercise=None)  # nor does something else
    play(15, on=days_ago(7), tempo_bpm=56)  # nor what was before the plan
    assert clean_days(learner, row) == [days_ago(5), days_ago(3), days_ago(2)]


def test_clean_days_end_where_the_next_plan_starts(
    learner: User, exercise: Exercise, play: Callable[..., Take]
) -> None:
    old = set_plan(learner, starts_on=days_ago(9), rows=[SetRow(exercise, 56)])
    new = set_plan(learner, starts_on=days_ago(2), rows=[SetRow(exercise, 56)])
    for day in (3, 2):
        play(15, on=days_ago(day), tempo_bpm=56)
    assert clean_days(learner, old.exercises.get()) == [days_ago(3)]
    assert clean_days(learner, new.exercises.get()) == [days_ago(2)]


def test_a_take_without_movements_is_not_clean(learner: User, exercise: Exercise, play: Callable[..., Take]) -> None:
    row = set_plan(learner, starts_on=TODAY(), rows=[SetRow(exercise, 56)]).exercises.get()
    take = play(15, tempo_bpm=56)
    Take.objects.filter(pk=take.pk).update(movement_count=0, clean_count=0)
    assert clean_days(learner, row) == []


@pytest.mark.parametrize(("minute", "same_day"), [(-1, False), (1, True)])
def test_a_day_ends_at_midnight_in_the_studios_time_zone(
    learner: User, exercise: Exercise, play: Callable[..., Take], settings: Any, minute: int, same_day: bool
) -> None:
    settings.TIME_ZONE = "Pacific/Auckland"
    timezone.activate("Pacific/Auckland")
    try:
        today = TODAY()
        row = set_plan(learner, starts_on=today, rows=[SetRow(exercise, 56)]).exercises.get()
        take = play(15, tempo_bpm=56)
        midnight = timezone.make_aware(datetime.combine(today, time.min))
        Take.objects.filter(pk=take.pk).update(created_at=midnight + timedelta(minutes=minute))
        assert clean_days(learner, row) == ([today] if same_day else [])
    finally:
        timezone.deactivate()


def test_a_week_counts_movements_and_names_the_best_take(
    learner: User, exercise: Exercise, play: Callable[..., Take]
) -> None:
    plan = set_plan(learner, starts_on=days_ago(3), rows=[SetRow(exercise, 60, 2)])
    for clean in (9, 14, 12):
        play(clean, tempo_bpm=60)
    week = week_of(learner, plan)
    assert (len(week.takes), week.clean, week.movements) == (3, 35, 45)
    (progress,) = week.exercises
    assert progress.best is not None
    assert (progress.best.clean, progress.clean_days, progress.reached) == (14, 0, False)
    play(15, tempo_bpm=60)
    play(15, tempo_bpm=60, on=days_ago(1))
    (progress,) = week_of(learner, plan).exercises
    assert (progress.clean_days, progress.reached) == (2, True)


def test_past_weeks_hold_each_take_once(learner: User, exercise: Exercise, play: Callable[..., Take]) -> None:
    for day in (20, 13, 6):
        set_plan(learner, starts_on=days_ago(day), rows=[SetRow(exercise, 60)])
    for day in (25, 18, 13, 12, 1):
        play(15, on=days_ago(day))
    assert [(week.since, len(week.takes)) for week in past_weeks(learner)] == [
        (days_ago(6), 1),
        (days_ago(13), 2),
        (days_ago(20), 1),
    ]


# What a week and a take ask for


@pytest.mark.parametrize(
    ("played", "tempo", "why"),
    [
        ([], 60, "not played at this tempo yet"),
        ([7], 56, "at best 7 of 15 clean: a step down"),
        ([7, 11], 60, "clean on 0 of 1 days: the same again"),
        ([15], 64, "clean on 1 of 1 days: a step up"),
    ],
)
def test_carrying_over_changes_the_tempo_as_the_takes_ask(
    learner: User, exercise: Exercise, play: Callable[..., Take], played: list[int], tempo: int, why: str
) -> None:
    plan = set_plan(learner, starts_on=days_ago(3), rows=[SetRow(exercise, 60, 1)])
    for clean in played:
        play(clean, tempo_bpm=60)
    (suggestion,) = suggestions.carried_over(week_of(learner, plan))
    assert (suggestion.exercise, suggestion.tempo_bpm) == (exercise, tempo)
    assert why in suggestion.why


def test_what_is_put_away_is_not_carried_over(learner: User, exercise: Exercise) -> None:
    exercise.put_away_at = timezone.now()
    exercise.save()
    plan = set_plan(learner, starts_on=TODAY(), rows=[SetRow(exercise, 60)])
    assert suggestions.carried_over(week_of(learner, plan)) == []


@pytest.mark.parametrize(("clean", "tempo"), [(15, 64), (10, 60), (7, 56)])
def test_a_take_asks_for_a_tempo(play: Callable[..., Take], clean: int, tempo: int) -> None:
    suggestion = suggestions.from_take(play(clean, tempo_bpm=60))
    assert suggestion is not None
    assert suggestion.tempo_bpm == tempo
    assert f"{clean} of 15 clean" in suggestion.why


def test_tempos_stay_within_what_can_be_set() -> None:
    assert suggestions.stepped(suggestions.SLOWEST, -4) == suggestions.SLOWEST
    assert suggestions.stepped(suggestions.FASTEST, 4) == suggestions.FASTEST


def test_a_narrower_exercise_is_offered_for_the_notes_that_failed(ready_take: Take, play: Callable[..., Take]) -> None:
    offered = suggestions.address_of_narrower(ready_take, then="/learners/1/plan/?starts=2026-03-02")
    assert offered is not None
    address, notes = offered
    assert notes == ["low G", "low A", "C", "D", "high G", "high A"]
    assert "movement=doubling%2FE" in address
    assert "approaches=low+G&approaches=low+A&" in address
    assert "then=%2Flearners%2F1%2Fplan%2F%3Fstarts%3D2026-03-02" in address
    assert suggestions.address_of_narrower(play(15), then="/") is None  # nothing failed
    assert suggestions.address_of_narrower(play(0), then="/") is None  # everything did
    assert suggestions.address_of_narrower(play(9, exercise=None), then="/") is None
    assert ready_take.exercise is not None
    ready_take.exercise.parameters = {}
    assert suggestions.address_of_narrower(ready_take, then="/") is None  # nobody knows what it was asked for


# Setting a week in the browser


def rows(*wanted: dict[str, Any], **more: Any) -> dict[str, Any]:
    """A plan's form as the browser sends it."""
    sent: dict[str, Any] = {
        "starts_on": TODAY().isoformat(),
        "note": "",
        "rows-TOTAL_FORMS": str(len(wanted)),
        "rows-INITIAL_FORMS": "0",
    }
    for number, row in enumerate(wanted):
        blank = {"exercise": "", "tempo_bpm": "", "clean_days": "3", "note": "", "position": str(number + 1)}
        sent |= {f"rows-{number}-{name}": value for name, value in {**blank, **row}.items()}
    return sent | more


def test_a_week_is_set_and_shown_to_both(
    client: Client, client_for: ClientFor, learner: User, exercise: Exercise, tutor: User
) -> None:
    address = reverse("week:plan", args=[learner.pk])
    assert client.get(address).status_code == 200
    row = {"exercise": exercise.pk, "tempo_bpm": "52", "clean_days": "2", "note": "Low hand together."}
    answer = client.post(address, rows(row, {}, note="Slow and wide.\n\nMind the first one."))
    assert answer.headers["Location"] == reverse("people:learner", args=[learner.pk])
    plan = current_plan(learner)
    assert plan is not None
    assert (plan.created_by, plan.exercises.get().tempo_bpm) == (tutor, 52)
    for viewer, name, args in ((tutor, "people:learner", [learner.pk]), (learner, "week:mine", [])):
        page = client_for(viewer).get(reverse(name, args=args)).content.decode()
        for said in ("Slow and wide.", exercise.title, "Low hand together.", "0 of 2 days"):
            assert said in page
    page = client_for(learner).get("/week/").content.decode()
    assert f"/takes/new/?exercise={exercise.pk}&amp;tempo=52" in page
    assert f"/exercises/{exercise.pk}/model.flac?tempo=52&amp;count_in=4&amp;clicks=1" in page


def test_an_exercise_is_set_from_its_own_page(
    client: Client, client_for: ClientFor, learner: User, exercise: Exercise
) -> None:
    page = reverse("exercises:show", args=[exercise.pk])
    address = f"{reverse('week:plan', args=[learner.pk])}?add={exercise.pk}"
    assert address in client.get(page).content.decode()
    assert "Set it for" not in client_for(learner).get(page).content.decode()
    set_plan(learner, starts_on=TODAY(), rows=[])
    plan = client.get(address)
    assert [row["exercise"].value() for row in plan.context["rows"]][:1] == [exercise.pk]
    # Another week takes it along; a week that has it does not get it twice.
    assert f"?starts={TODAY():%Y-%m-%d}&amp;add={exercise.pk}" in plan.content.decode()
    set_plan(learner, starts_on=TODAY(), rows=[SetRow(exercise, 52)], plan=current_plan(learner))
    rows_now = client.get(f"{address}&starts={TODAY():%Y-%m-%d}").context["rows"]
    assert [(row["exercise"].value(), row["tempo_bpm"].value()) for row in rows_now][:2] == [
        (exercise.pk, 52),
        (None, None),
    ]
    client.post(reverse("exercises:put-away", args=[exercise.pk]))
    assert "Set it for" not in client.get(page).content.decode()


def test_rows_come_in_the_order_of_their_numbers_and_empty_ones_are_dropped(
    client: Client, learner: User, exercise: Exercise
) -> None:
    sent = rows(
        {"exercise": exercise.pk, "tempo_bpm": "60", "position": "3"},
        {"exercise": "", "tempo_bpm": "50"},
        {"exercise": exercise.pk, "tempo_bpm": "", "position": "1"},
    )
    client.post(reverse("week:plan", args=[learner.pk]), sent)
    plan = current_plan(learner)
    assert plan is not None
    assert [row.tempo_bpm for row in plan.exercises.all()] == [exercise.tempo_bpm, 60]
    assert exercise.tempo_bpm == 60


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({}, "Set at least one exercise, or write a note over the week."),
        ({"rows-0-exercise": "PK", "rows-0-tempo_bpm": "500"}, "The tempo is a whole number from 30 to 140."),
        ({"rows-0-exercise": "PK", "rows-0-clean_days": "9"}, "Clean days are a number from 1 to 7."),
        ({"rows-0-exercise": "999999"}, "not one of the available choices"),
        ({"rows-0-note": "For what?"}, "Choose an exercise for this note, or empty it."),
        ({"rows-0-exercise": "PK", "starts_on": "soon"}, "This is no date"),
        ({"rows-0-exercise": "PK", "starts_on": "9999-12-31"}, "more than two years away"),
        ({"rows-0-exercise": "PK", "starts_on": "0001-01-01"}, "more than two years away"),
    ],
)
def test_what_is_wrong_in_a_plan_is_said(
    client: Client, learner: User, exercise: Exercise, change: dict[str, str], said: str
) -> None:
    change = {name: str(exercise.pk) if value == "PK" else value for name, value in change.items()}
    page = client.post(reverse("week:plan", args=[learner.pk]), rows({}) | change)
    assert page.status_code == 200
    assert said in page.content.decode()
    assert not Plan.objects.exists()


@pytest.mark.parametrize("day", ["9999-12-31", "0001-01-01", "2026-02-30", "x"])
def test_an_odd_day_in_the_address_still_gets_a_page(
    client: Client, learner: User, exercise: Exercise, day: str
) -> None:
    set_plan(learner, starts_on=days_ago(3), rows=[SetRow(exercise, 60, 1)])
    assert client.get(reverse("week:plan", args=[learner.pk]), {"starts": day}).status_code == 200


def test_a_form_without_its_hidden_counts_gets_a_page_and_no_trace(client: Client, learner: User) -> None:
    page = client.post(reverse("week:plan", args=[learner.pk]), {"starts_on": TODAY().isoformat()})
    assert page.status_code == 200
    assert not Plan.objects.exists()


def test_a_stored_plan_is_changed_moved_and_taken_back(client: Client, learner: User, exercise: Exercise) -> None:
    set_plan(learner, starts_on=days_ago(7), rows=[SetRow(exercise, 56)])
    plan = set_plan(learner, starts_on=TODAY(), rows=[SetRow(exercise, 60)])
    address = f"{reverse('week:plan', args=[learner.pk])}?starts={TODAY().isoformat()}"
    assert 'value="60"' in client.get(address).content.decode()
    tomorrow = TODAY() + timedelta(days=1)
    client.post(address, rows({"exercise": exercise.pk, "tempo_bpm": "64"}, starts_on=tomorrow.isoformat()))
    plan.refresh_from_db()
    assert (plan.starts_on, plan.exercises.get().tempo_bpm) == (tomorrow, 64)
    moved = f"{reverse('week:plan', args=[learner.pk])}?starts={tomorrow.isoformat()}"
    page = client.post(moved, rows({"exercise": exercise.pk}, starts_on=days_ago(7).isoformat()))
    assert "There is another plan from" in page.content.decode()
    client.post(moved, rows(do="delete"))
    assert [entry.starts_on for entry in Plan.objects.all()] == [days_ago(7)]


def test_carrying_over_fills_the_form_and_sets_nothing(
    client: Client, learner: User, exercise: Exercise, other_exercise: Exercise, play: Callable[..., Take]
) -> None:
    set_plan(learner, starts_on=days_ago(3), rows=[SetRow(exercise, 60, 1), SetRow(other_exercise, 50)])
    play(15, tempo_bpm=60)
    address = reverse("week:plan", args=[learner.pk])
    shown = client.get(address).content.decode()
    assert "clean on 1 of 1 days: a step up" in shown
    assert re.findall(r'name="do" value="(\w+)"', shown)[0] == "save"  # what Enter in a field presses
    typed = {"exercise": other_exercise.pk, "tempo_bpm": "44"}
    page = client.post(address, rows(typed, do="carry", note="Typed already"))
    html = page.content.decode()
    assert "Typed already" in html
    shown = [form.initial for form in page.context["rows"].initial_forms]
    wanted = [(str(other_exercise.pk), "44"), (exercise.pk, 64)]  # what is there is not doubled
    assert [(row["exercise"], row["tempo_bpm"]) for row in shown] == wanted
    assert 'value="carry"' not in html  # nothing is left to carry
    assert Plan.objects.count() == 1


def test_one_more_row_without_a_script_keeps_what_was_typed(client: Client, learner: User, exercise: Exercise) -> None:
    sent = rows({"exercise": exercise.pk, "tempo_bpm": "x"}, do="add")
    page = client.post(reverse("week:plan", args=[learner.pk]), sent)
    assert [form.initial.get("tempo_bpm") for form in page.context["rows"].initial_forms] == ["x"]
    assert page.context["rows"].total_form_count() == 3


def test_a_take_stands_beside_the_plan(client: Client, learner: User, ready_take: Take, exercise: Exercise) -> None:
    address = f"{reverse('week:plan', args=[learner.pk])}?take={ready_take.pk}"
    html = client.get(address).content.decode()
    for said in ("What went wrong", "high G", "crossing noise", "9 of 15 clean", "Only from the notes that failed"):
        assert said in html
    page = client.post(address, rows(do="take"))
    assert [form.initial["exercise"] for form in page.context["rows"].initial_forms] == [exercise.pk]
    added = client.get(f"{address}&add={exercise.pk}")
    assert [form.initial["exercise"] for form in added.context["rows"].initial_forms] == [exercise.pk]


def test_an_exercise_put_away_stays_in_the_plan_that_holds_it(
    client: Client, learner: User, other_learner: User, exercise: Exercise
) -> None:
    set_plan(learner, starts_on=TODAY(), rows=[SetRow(exercise, 60)])
    exercise.put_away_at = timezone.now()
    exercise.save()
    here = f"?starts={TODAY().isoformat()}"
    assert exercise.title in client.get(reverse("week:plan", args=[learner.pk]) + here).content.decode()
    assert exercise.title not in client.get(reverse("week:plan", args=[other_learner.pk]) + here).content.decode()


# The learner's week


def test_unread_notes_stand_first_until_they_are_read(
    client_for: ClientFor, learner: User, tutor: User, ready_take: Take
) -> None:
    note = PinnedNote.objects.create(take=ready_take, author=tutor, movement_index=3, text="Open it up here.")
    gone = PinnedNote.objects.create(take=ready_take, author=tutor, text="Gone", deleted_at=timezone.now())
    PinnedNote.objects.create(take=ready_take, author=tutor, answer_to=gone, text="Answer to what is gone")
    PinnedNote.objects.create(take=ready_take, author=learner, text="My own")
    html = client_for(learner).get("/week/").content.decode()
    assert html.index("Open it up here.") < html.index("set anything yet")
    assert f"/takes/{ready_take.pk}/#note-{note.pk}" in html
    for unseen in ("Gone", "Answer to what", "My own"):
        assert unseen not in html
    NoteRead.objects.create(note=note, reader=learner)
    assert "Open it up here." not in client_for(learner).get("/week/").content.decode()


def test_a_tutor_reads_what_learners_wrote(
    client: Client, learner: User, tutor: User, ready_take: Take, stranger_tutor: User
) -> None:
    second = make_person(tutor.studio, "tutor", "second", "Second Tutor")
    PinnedNote.objects.create(take=ready_take, author=second, text="Between tutors")
    answer = PinnedNote.objects.create(take=ready_take, author=learner, text="Was it late?")
    assert list(unread_notes(tutor)) == [answer]
    assert list(unread_notes(stranger_tutor)) == []
    assert "Was it late?" in client.get("/board/").content.decode()


def test_a_week_before_anything_is_set(client_for: ClientFor, learner: User, exercise: Exercise) -> None:
    html = client_for(learner).get("/week/").content.decode()
    assert "Your tutor has not set anything yet." in html
    set_plan(learner, starts_on=TODAY() + timedelta(days=2), rows=[SetRow(exercise, 60)])
    assert "Your first week begins on" in client_for(learner).get("/week/").content.decode()


# The board


def test_the_board_says_what_waits_and_how_the_week_goes(
    client: Client, learner: User, exercise: Exercise, play: Callable[..., Take]
) -> None:
    set_plan(learner, starts_on=days_ago(3), rows=[SetRow(exercise, 60, 3)])
    heard = play(15, on=days_ago(1), heard_at=timezone.now())
    waiting = play(13)
    play(9, on=days_ago(5), heard_at=timezone.now())  # before this plan
    html = client.get("/board/").content.decode()
    assert "28 of 30" in html
    assert "1 of 3 days" in html
    assert f'href="/takes/{waiting.pk}/"' in html
    assert f'href="/takes/{heard.pk}/"' not in html
    Take.objects.update(heard_at=timezone.now())
    assert "You have heard every take." in client.get("/board/").content.decode()


def test_a_next_week_that_is_set_is_changed_and_not_set_again(
    client: Client, learner: User, ready_take: Take, exercise: Exercise
) -> None:
    set_plan(learner, starts_on=days_ago(3), rows=[SetRow(exercise, 60)])
    pages = ["/board/", reverse("people:learner", args=[learner.pk]), reverse("review:take", args=[ready_take.pk])]
    for address in pages:
        assert "Set next week" in client.get(address).content.decode()
    starts_on = TODAY() + timedelta(days=5)
    set_plan(learner, starts_on=starts_on, rows=[SetRow(exercise, 64)])
    for address in pages:
        html = client.get(address).content.decode()
        assert "Set next week" not in html
        assert f"starts={starts_on.isoformat()}" in html
    assert "Next week is set." in client.get("/board/").content.decode()


def test_exercises_of_one_title_are_told_apart_where_they_are_chosen(
    client: Client, client_for: ClientFor, learner: User, exercise: Exercise, other_exercise: Exercise
) -> None:
    set_plan(learner, starts_on=TODAY(), rows=[SetRow(exercise, 60), SetRow(other_exercise, 70)])
    plan, take = reverse("week:plan", args=[learner.pk]), reverse("takes:new")
    for html in (client.get(plan).content.decode(), client_for(learner).get(take).content.decode()):
        assert f">{exercise.title}, at 60, from every note</option>" in html
        assert f">{exercise.title}, at 70, from low A, D</option>" in html
    other_exercise.settings.all().delete()
    other_exercise.delete()
    assert f">{exercise.title}</option>" in client.get(plan).content.decode()


def test_learners_who_left_are_not_on_the_board(client: Client, learner: User) -> None:
    assert str(learner) in client.get("/board/").content.decode()
    client.post(reverse("people:end", args=[learner.pk]), follow=True)
    assert str(learner) not in client.get("/board/").content.decode()


@pytest.mark.parametrize("how_many", [1, 8])
def test_the_board_takes_few_queries_whatever_its_size(
    client: Client, tutor: User, exercise: Exercise, play: Callable[..., Take], how_many: int
) -> None:
    for number in range(how_many):
        person = make_person(tutor.studio, "learner", f"learner-{number}", f"Learner {number}")
        for day in (9, 2):
            set_plan(person, starts_on=days_ago(day), rows=[SetRow(exercise, 60), SetRow(exercise, 56)])
        for day in range(how_many):
            take = play(9, by=person, on=days_ago(day))
            PinnedNote.objects.create(take=take, author=person, text="A question")
    with CaptureQueriesContext(connection) as queries:
        assert client.get("/board/").status_code == 200
    assert len(queries) <= 12
    assert len(queries) == 11


@pytest.mark.parametrize("how_many", [1, 6])
def test_other_pages_take_the_same_queries_for_many(
    client: Client, client_for: ClientFor, learner: User, exercise: Exercise, play: Callable[..., Take], how_many: int
) -> None:
    for number in range(how_many):
        set_plan(learner, starts_on=days_ago(number * 7), rows=[SetRow(exercise, 60)] * how_many)
        take = play(9, on=days_ago(number))
        PinnedNote.objects.create(take=take, author=take.learner, text="A question")
        make_person(learner.studio, "learner", f"learner-{number}", f"Learner {number}")
    viewers = ((client, f"/learners/{learner.pk}/"), (client_for(learner), "/week/"), (client, "/learners/"))
    counts = []
    for viewer, address in viewers:
        with CaptureQueriesContext(connection) as queries:
            assert viewer.get(address).status_code == 200
        counts.append(len(queries))
    assert counts == [14, 9, 4]


def test_home_sends_everyone_to_their_first_page(
    client: Client, client_for: ClientFor, learner: User, stranger_tutor: User
) -> None:
    assert client.get("/").headers["Location"] == "/board/"
    assert client_for(learner).get("/").headers["Location"] == "/week/"
    assert client_for(None).get("/").headers["Location"] == "/log-in/"
