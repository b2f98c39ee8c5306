"""The tutor's word over the analysis: pure, in the database, on the pages, counted everywhere, exported."""

import copy
import csv
import io
import json
import re

import pytest
from django.urls import reverse
from django.utils import timezone

from analysis.judgement import Tolerances, is_clean, judge, tolerances
from analysis.report import FLAGS
from analysis.schema import validate
from studio.review import overruling
from studio.review.overruling import Ruled, RulingError
from studio.review.wording import FLAG_WORDS, movement_name
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


# On the pages


def post(client, take, index, data, method="post"):
    address = reverse("review:ruling", args=[take.pk, index])
    return getattr(client, method)(address, data=json.dumps(data), content_type="application/json")


@pytest.mark.django_db
def test_the_page_shows_both_views_to_both(client_for, tutor, learner, ready_take):
    move = faulty(ready_take.report)
    word = FLAG_WORDS[move["flags"][0]]
    told = post(client_for(tutor), ready_take, move["index"], {"flags": {move["flags"][0]: False}}).json()
    assert told["movement"]["struck"] == [{"code": move["flags"][0], "word": word}]
    assert told["clean"] == ready_take.clean_count + 1
    assert f"<s>{word}</s>" in told["row"]
    for who in (tutor, learner):
        page = client_for(who).get(reverse("review:take", args=[ready_take.pk])).content.decode()
        assert f"<s>{word}</s>" in page
        measured = json.loads(re.search(r'id="movements-data" type="application/json">(.*?)</script>', page)[1])
        assert f"The analysis said “{word}”; by the tutor’s word it is not." in measured[move["index"]]["said"]
        assert "Its own view: " in page
        assert f"{told['clean']} of 15" in page


@pytest.mark.django_db
def test_an_added_fault_is_told_as_the_tutors(client_for, tutor, ready_take):
    move = clean(ready_take.report)
    told = post(client_for(tutor), ready_take, move["index"], {"flags": {"uneven": True}}).json()["movement"]
    assert (told["verdict"], told["added"]) == ("fault", ["uneven"])
    assert "Clean." not in told["sentences"]
    assert not any("Uneven" in sentence for sentence in told["sentences"])
    assert "The analysis did not say “uneven”; the tutor did." in told["said"]


@pytest.mark.django_db
def test_name_and_beat_are_corrected_and_taken_back(client_for, tutor, ready_take):
    isla = client_for(tutor)
    move = clean(ready_take.report)
    sent = {"name": ["strike", "", "low A"], "beat_s": move["beat_s"] - 0.2}
    told = post(isla, ready_take, move["index"], sent).json()["movement"]
    assert told["name"].startswith("strike on low A")
    assert told["flags"] == [{"code": "late", "word": "late"}]
    assert any("its beat is 200 ms earlier" in sentence for sentence in told["said"])
    back = post(isla, ready_take, move["index"], {}, "delete").json()["movement"]
    assert (back["ruled"], back["name"], back["verdict"]) == (False, movement_name(move), "clean")


@pytest.mark.django_db
@pytest.mark.parametrize(
    "data",
    [
        {},
        {"flags": "late"},
        {"flags": {"late": "no"}},
        {"name": "grip"},
        {"name": ["grip", ""]},
        {"beat_s": "soon"},
        [],
    ],
)
def test_unusable_rulings_are_refused(client_for, tutor, ready_take, data):
    answer = post(client_for(tutor), ready_take, 0, data)
    assert answer.status_code == 400
    assert answer.json()["error"].endswith(".")
    assert not Ruling.objects.exists()


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("name", "words"),
    [
        (["birl", "full", "E"], "There is no birl on E, only on low A; choose another note or kind."),
        (
            ["birl", "full", "low A"],
            "The form of a birl on low A is “no form” or “with gracenote”; choose that beside the kind.",
        ),
        (
            ["doubling", "", "E"],
            "The form of a doubling on E is “full”, “thumb” or “half”; choose that beside the kind.",
        ),
        (["tachum", "", "D"], "There is no tachum on D, only on low G or low A; choose another note or kind."),
        (
            ["unknown", "half", "E"],
            "The form of a movement that is not in the list on E is “no form”; choose that beside the kind.",
        ),
    ],
)
def test_a_movement_that_nobody_can_play_is_refused(client_for, tutor, ready_take, name, words):
    answer = post(client_for(tutor), ready_take, 0, {"name": name})
    assert (answer.status_code, answer.json()["error"]) == (400, words)
    assert not Ruling.objects.exists()


@pytest.mark.django_db
def test_whatever_the_analysis_called_it_may_be_said_again(client_for, tutor, ready_take):
    report = copy.deepcopy(ready_take.report)
    report["movements"][0].update(kind="tachum", form="", on="D")  # of an older vocabulary
    ready_take.report = report
    ready_take.save()
    assert post(client_for(tutor), ready_take, 0, {"name": ["tachum", "", "D"]}).status_code == 200
    assert post(client_for(tutor), ready_take, 0, {"name": ["unknown", "", "D"]}).status_code == 200


@pytest.mark.django_db
def test_a_movement_that_is_not_there_is_refused(client_for, tutor, ready_take):
    assert post(client_for(tutor), ready_take, 99, {"heard": True}).status_code == 400


@pytest.mark.django_db
def test_a_ruling_takes_few_queries_whatever_the_size(client_for, tutor, ready_take, django_assert_max_num_queries):
    report = copy.deepcopy(ready_take.report)
    report["movements"] = [{**report["movements"][n % 15], "index": n} for n in range(400)]
    ready_take.report = report
    ready_take.save()
    isla = client_for(tutor)
    post(isla, ready_take, 3, {"heard": True})
    with django_assert_max_num_queries(30):  # savepoints, and 400 rows in as many pieces as the database takes them
        post(isla, ready_take, 4, {"flags": {"late": True}})


@pytest.mark.django_db
def test_agreement_page_and_csv(client_for, tutor, learner, ready_take, django_assert_max_num_queries):
    isla = client_for(tutor)
    empty = isla.get(reverse("review:agreement")).content.decode()
    assert "Nothing yet" in empty
    learner.display_name = "=Rory"
    learner.save()
    isla.get(reverse("review:take", args=[ready_take.pk]))  # heard by this
    move = faulty(ready_take.report)
    post(isla, ready_take, move["index"], {"flags": {move["flags"][0]: False, "uneven": True}})
    with django_assert_max_num_queries(12):
        page = isla.get(reverse("review:agreement")).content.decode()
    assert "0 of 1" in page  # uneven: the tutor's alone
    answer = isla.get(reverse("review:measures"))
    assert answer["Content-Type"].startswith("text/csv")
    text = b"".join(answer.streaming_content).decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert len(rows) == 15
    row = rows[move["index"]]
    assert row["learner"] == "'=Rory"  # no formula to a spreadsheet
    assert (row["struck"], row["added"], row["flags"]) == (move["flags"][0], "uneven", "uneven")
    assert row["analysis_flags"] == "; ".join(move["flags"])
    assert float(row["beat_offset_ms"]) == move["beat_offset_ms"]
    assert row["gracenotes_ms"].startswith(f"{move['gracenotes'][0]['note']} ")
    negative = next(m for m in ready_take.report["movements"] if (m["beat_offset_ms"] or 0) < 0)
    assert float(rows[negative["index"]]["beat_offset_ms"]) == negative["beat_offset_ms"]  # a number stays one


@pytest.mark.django_db
def test_other_studios_count_for_nobody_else(tutor, stranger_tutor, ready_take):
    ready_take.heard_at = timezone.now()
    ready_take.save()
    assert all(entry.of == 0 for entry in overruling.agreement(stranger_tutor))
    assert any(entry.of for entry in overruling.agreement(tutor))


def test_an_open_page_is_told_that_the_verdicts_changed(client_for, tutor, learner, ready_take):
    page, notes = reverse("review:take", args=[ready_take.pk]), reverse("review:notes", args=[ready_take.pk])
    rory = client_for(learner)

    def asked():
        return rory.get(notes).json()["judged"]

    assert f'data-judged="{asked()}"' in rory.get(page).content.decode()
    before = asked()
    move = faulty(ready_take.report)
    address = reverse("review:ruling", args=[ready_take.pk, move["index"]])
    said = {"flags": {move["flags"][0]: False}}
    told = client_for(tutor).post(address, json.dumps(said), content_type="application/json").json()
    assert told["judged"]["before"] == before < told["judged"]["now"] == asked()
    assert f'data-judged="{asked()}"' in rory.get(page).content.decode()
    changed = asked()
    client_for(tutor).post(reverse("review:beat", args=[ready_take.pk]), {"source": "heard", "shift_ms": "150"})
    assert asked() > changed
