"""The tutor's word over the analysis: pure, in the database, on the pages, counted everywhere, exported."""

import copy
import csv
import io
import json

import pytest
from django.urls import reverse
from django.utils import timezone

from analysis.judgement import Tolerances, is_clean, judge, tolerances
from analysis.report import FLAGS
from analysis.schema import validate
from studio.review import overruling
from studio.review.overruling import Ruled, RulingError
from studio.takes.models import Movement, Ruling
from studio.takes.reports import rejudge
from studio.takes.rulings import Name, Word, plain, ruled
from tests.conftest import make_ready_take

LIMITS = Tolerances()


@pytest.fixture
def judged(sample_report):
    return judge(sample_report, LIMITS)


def faulty(report):
    return next(movement for movement in report["movements"] if movement["flags"])


def clean(report):
    return next(movement for movement in report["movements"] if is_clean(movement))


# The word itself


def test_a_struck_flag_is_counted_no_more_and_still_told(judged):
    move = faulty(judged)
    said = {move["index"]: Word(flags=dict.fromkeys(move["flags"], False))}
    result = ruled(judged, said, LIMITS)
    after = result["movements"][move["index"]]
    assert after["flags"] == []
    assert after["overruled"]["flags"] == move["flags"]
    assert result["summary"]["clean"] == judged["summary"]["clean"] + 1
    approach = move["from"] or "start"
    assert (
        result["summary"]["by_approach"][approach]["clean"] == judged["summary"]["by_approach"][approach]["clean"] + 1
    )
    validate(result)


def test_an_added_flag_is_counted(judged):
    move = clean(judged)
    result = ruled(judged, {move["index"]: Word(flags={"uneven": True, "late": True})}, LIMITS)
    assert result["movements"][move["index"]]["flags"] == ["late", "uneven"]  # in the order of all flags
    assert result["summary"]["clean"] == judged["summary"]["clean"] - 1


def test_taking_the_word_back_gives_the_analysis_again_byte_for_byte(judged):
    said = {
        1: Word(flags={"late": True}, name=Name("grip", "", "low A"), beat_s=judged["movements"][1]["beat_s"] - 0.21),
        faulty(judged)["index"]: Word(flags={"heavy-gracenote": False}, heard=True),
    }
    result = ruled(judged, said, LIMITS)
    assert result != judged
    assert json.dumps(ruled(result, {}, LIMITS), sort_keys=True) == json.dumps(judged, sort_keys=True)
    assert ruled(result, said, LIMITS) == result


def test_another_beat_is_judged_as_if_it_had_been_heard(judged):
    move = clean(judged)
    result = ruled(judged, {move["index"]: Word(beat_s=move["beat_s"] - 0.15)}, LIMITS)
    after = result["movements"][move["index"]]
    assert after["beat_offset_ms"] == pytest.approx(move["beat_offset_ms"] + 150.0, abs=0.11)
    assert after["flags"] == ["late"]
    assert after["overruled"]["beat_s"] == move["beat_s"]
    assert after["overruled"]["flags"] == []


def test_another_name_moves_the_pairs(judged):
    pair = judged["comparison"]["pairs"][0]
    result = ruled(judged, {pair["single"]: Word(name=Name("strike", "", pair["on"]))}, LIMITS)
    assert result["movements"][pair["single"]]["kind"] == "strike"
    assert all(entry["single"] != pair["single"] for entry in result["comparison"]["pairs"])
    assert plain(result)["comparison"] == judged["comparison"]


def test_what_was_not_sure_is_sure_once_the_tutor_heard_it(judged):
    judged["movements"][2].update(confidence=0.2)
    judged = judge(judged, LIMITS)
    assert not is_clean(judged["movements"][2])
    result = ruled(judged, {2: Word(heard=True)}, LIMITS)
    assert is_clean(result["movements"][2])
    assert result["movements"][2]["overruled"]["confidence"] == 0.2


def test_a_change_of_tolerance_judges_the_rest_and_leaves_the_word(judged):
    move = clean(judged)
    said = {move["index"]: Word(flags={"heavy-gracenote": False})}
    strict = ruled(judged, said, tolerances("strict", {"gracenote_ms": 20.0}))
    assert "heavy-gracenote" in strict["movements"][move["index"]]["overruled"]["flags"]
    assert "heavy-gracenote" not in strict["movements"][move["index"]]["flags"]
    others = [entry for entry in strict["movements"] if entry["index"] != move["index"] and entry["gracenotes"]]
    assert all("heavy-gracenote" in entry["flags"] for entry in others)


# In the database


@pytest.mark.django_db
def test_everything_counted_uses_the_tutors_word(tutor, ready_take):
    move = faulty(ready_take.report)
    before = ready_take.clean_count
    overruling.overrule(ready_take, move["index"], Ruled(flags=dict.fromkeys(move["flags"], False)), tutor)
    ready_take.refresh_from_db()
    assert ready_take.clean_count == before + 1 == ready_take.report["summary"]["clean"]
    row = Movement.objects.get(take=ready_take, index=move["index"])
    assert (row.flags, row.own_flags, row.clean) == ([], move["flags"], True)
    assert Movement.objects.filter(take=ready_take, own_flags__isnull=False).count() == 1
    overruling.take_back(ready_take, move["index"])
    ready_take.refresh_from_db()
    row.refresh_from_db()
    assert (row.flags, row.own_flags, ready_take.clean_count) == (move["flags"], None, before)
    assert not Ruling.objects.exists()


@pytest.mark.django_db
def test_rejudging_the_studio_keeps_the_tutors_word(tutor, studio, ready_take):
    move = clean(ready_take.report)
    overruling.overrule(ready_take, move["index"], Ruled(flags={"uneven": True}), tutor)
    studio.tolerances = {"gracenote_ms": 20.0}
    studio.save()
    rejudge(studio)
    row = Movement.objects.get(take=ready_take, index=move["index"])
    assert row.flags == ["heavy-gracenote", "uneven"]
    assert row.own_flags == ["heavy-gracenote"]


@pytest.mark.django_db
def test_a_take_made_clean_by_the_tutor_is_a_clean_day(tutor, learner, exercise, ready_take):
    from studio.week.services import PlayedTake, SetRow, clean_days, set_plan

    assert PlayedTake  # what the weeks count by
    day = timezone.localdate(ready_take.created_at)
    plan = set_plan(learner, starts_on=day, rows=[SetRow(exercise, 60)], by=tutor)
    [row] = plan.exercises.all()
    assert clean_days(learner, row) == []
    for move in copy.deepcopy(ready_take.report["movements"]):
        overruling.overrule(
            ready_take, move["index"], Ruled(flags=dict.fromkeys(move["flags"], False), heard=True), tutor
        )
    assert clean_days(learner, row) == [day]


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("said", "words"),
    [
        (Ruled(), "Nothing was said"),
        (Ruled(flags={"untidy": True}), "no such fault"),
        (Ruled(name=("trill", "", "E")), "no such movement"),
        (Ruled(name=("grip", "", "low C")), "no such movement"),
        (Ruled(beat_s=36.9), "more than 2 s"),
    ],
)
def test_unusable_words_are_refused_in_one_sentence(tutor, ready_take, said, words):
    with pytest.raises(RulingError, match=words):
        overruling.overrule(ready_take, 0, said, tutor)
    assert not Ruling.objects.exists()


@pytest.mark.django_db
def test_agreement_counts_what_stands_was_struck_and_was_added(
    tutor, learner, exercise, ready_take, sample_report, small_flac
):
    ready_take.heard_at = timezone.now()
    ready_take.save()
    make_ready_take(learner, exercise, sample_report, small_flac)  # nobody has heard this one yet
    said = {flag: sum(flag in m["flags"] for m in ready_take.report["movements"]) for flag in FLAGS}
    move = faulty(ready_take.report)
    flag = move["flags"][0]
    overruling.overrule(ready_take, move["index"], Ruled(flags={flag: False}), tutor)
    overruling.overrule(ready_take, clean(ready_take.report)["index"], Ruled(flags={"uneven": True}), tutor)
    found = {entry.flag: entry for entry in overruling.agreement(tutor)}
    assert {name: entry.said for name, entry in found.items()} == said
    assert (found[flag].struck, found[flag].agreed) == (1, said[flag] - 1)
    assert (found["uneven"].added, found["uneven"].of) == (1, said["uneven"] + 1)
