"""Notes on several movements, spots and stretches; quick phrases; reading, marking as new, editing within reason."""

import json
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from studio.review import services, services_phrases, timeline
from studio.review.models import NoteRead, PinnedNote, QuickPhrase
from studio.review.services import NoteError

pytestmark = pytest.mark.django_db


def post(client, url, data, method="post"):
    return getattr(client, method)(url, data=json.dumps(data), content_type="application/json")


def notes_url(take):
    return reverse("review:notes", args=[take.pk])


def from_note(take, approach):
    return [m["index"] for m in take.report["movements"] if m["from"] == approach]


# Several at once


def test_a_note_on_all_from_one_note_says_so(client_for, tutor, learner, ready_take):
    indexes = from_note(ready_take, "low A")
    assert len(indexes) == 2
    sent = {"text": "Lift together.", "movement_indexes": indexes}
    assert post(client_for(tutor), notes_url(ready_take), sent).status_code == 201
    [told] = client_for(learner).get(notes_url(ready_take)).json()["notes"]
    assert told["place"] == "all 2 from low A"
    assert told["movement_indexes"] == indexes
    assert (told["movement_index"], told["start_s"]) == (
        indexes[0],
        ready_take.report["movements"][indexes[0]]["start_s"],
    )


def test_a_note_on_all_with_one_fault_says_so(tutor, ready_take):
    flag = "late"
    for index in (2, 9):
        ready_take.report["movements"][index]["flags"] = [flag]
    for index in set(range(15)) - {2, 9}:
        ready_take.report["movements"][index]["flags"] = []
    assert services.pin(ready_take, tutor, "x", movement_indexes=[9, 2]).place == "all 2 with “late”"


def test_any_others_are_counted(tutor, ready_take):
    assert services.pin(ready_take, tutor, "x", movement_indexes=[0, 4, 11]).place == "3 movements"
    assert services.pin(ready_take, tutor, "x", movement_indexes=range(15)).place == "all 15 movements"
    single = services.pin(ready_take, tutor, "x", movement_indexes=[4, 4])
    assert (single.movement_index, single.movement_indexes, single.place) == (4, [], "")


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"movement_indexes": [0, 99]}, "no such movement"),
        ({"movement_indexes": "all"}, "Choose a movement"),
        ({"movement_indexes": [True]}, "Choose a movement"),
        ({"movement_index": "3"}, "Choose a movement"),
        ({"start_s": 4.0, "end_s": 3.0}, "ends before it begins"),
        ({"start_s": 4.0, "end_s": 4.0}, "ends before it begins"),
        ({"start_s": 4.0, "end_s": 400.0}, "outside the take"),
    ],
)
def test_places_that_are_none_are_refused_in_one_sentence(client_for, tutor, ready_take, data, words):
    answer = post(client_for(tutor), notes_url(ready_take), {"text": "x", **data})
    assert answer.status_code == 400
    assert words in answer.json()["error"]
    assert not PinnedNote.objects.exists()


def test_a_note_on_very_many_movements_is_refused(tutor, ready_take):
    first = ready_take.report["movements"][0]
    ready_take.report["movements"] = [{**first, "index": number} for number in range(201)]
    with pytest.raises(NoteError, match="up to 200 movements"):
        services.pin(ready_take, tutor, "x", movement_indexes=range(201))


def test_the_timeline_marks_every_movement_and_draws_stretches(tutor, ready_take):
    services.pin(ready_take, tutor, "x", movement_indexes=[1, 5])
    services.pin(ready_take, tutor, "x", start_s=3.0, end_s=4.5)
    figure = timeline.figure(ready_take.report, services.notes_of(ready_take, tutor))
    parts = {trace["meta"]["part"]: trace for trace in figure["data"]}
    starts = [ready_take.report["movements"][index]["start_s"] for index in (1, 5)]
    assert list(parts["pinned"]["x"]) == [*starts, 3.0]
    assert list(parts["pinned-stretch"]["x"]) == [3.0, 4.5, None]


# Reading


def test_authors_see_whether_it_was_read(client_for, tutor, learner, ready_take):
    services.pin(ready_take, tutor, "x", start_s=1.0)
    read = reverse("review:read", args=[ready_take.pk])
    seen = lambda: client_for(tutor).get(notes_url(ready_take)).json()["notes"][0]["seen"]  # noqa: E731
    assert not seen()
    post(client_for(learner), read, {})
    assert seen()
    assert not client_for(learner).get(notes_url(ready_take)).json()["notes"][0]["seen"]


def test_a_note_can_be_marked_as_new_again(client_for, tutor, learner, ready_take):
    note = services.pin(ready_take, tutor, "x", start_s=1.0)
    other = services.pin(ready_take, tutor, "y", start_s=2.0)
    read = reverse("review:read", args=[ready_take.pk])
    rory = client_for(learner)
    post(rory, read, {})
    assert post(rory, read, {"ids": [str(note.pk)], "unread": True}).json() == {"unread": 1}
    assert [entry["unread"] for entry in rory.get(notes_url(ready_take)).json()["notes"]] == [True, False]
    assert NoteRead.objects.filter(note=other).exists()


def test_other_words_are_news_to_who_read_the_old_ones(tutor, learner, ready_take):
    note = services.pin(ready_take, tutor, "Early.", start_s=1.0)
    services.mark_read(ready_take, learner)
    services.edit(note, "Early.")
    assert not services.notes_of(ready_take, learner)[0]["unread"]
    services.edit(note, "Late, I mean.")
    assert services.notes_of(ready_take, learner)[0]["unread"]


def test_what_was_said_long_ago_is_edited_no_more(client_for, tutor, ready_take):
    note = services.pin(ready_take, tutor, "x", start_s=1.0)
    PinnedNote.objects.filter(pk=note.pk).update(created_at=timezone.now() - timedelta(days=8))
    answer = post(client_for(tutor), reverse("review:note", args=[note.pk]), {"text": "y"})
    assert answer.status_code == 400
    assert "write an answer" in answer.json()["error"]
    assert services.notes_of(ready_take, tutor)[0]["editable"] is False


# Quick phrases


def test_phrases_are_the_tutors_own(client_for, tutor, stranger_tutor, ready_take):
    isla = client_for(tutor)
    url = reverse("review:phrases")
    told = post(isla, url, {"text": " Slower. "})
    assert told.status_code == 201
    [phrase] = told.json()["phrases"]
    assert phrase["text"] == "Slower."
    assert len(post(isla, url, {"text": "Slower."}).json()["phrases"]) == 1  # the same words once
    page = isla.get(reverse("review:take", args=[ready_take.pk])).content.decode()
    assert json.dumps([phrase]) in page
    assert client_for(stranger_tutor).delete(reverse("review:phrase", args=[phrase["id"]])).status_code == 404
    assert isla.delete(reverse("review:phrase", args=[phrase["id"]])).json() == {"phrases": []}


@pytest.mark.parametrize(("text", "words"), [("", "empty"), ("x" * 201, "up to 200"), (5, "empty"), ("a\0", "kept")])
def test_unusable_phrases_are_refused(client_for, tutor, text, words):
    answer = post(client_for(tutor), reverse("review:phrases"), {"text": text})
    assert answer.status_code == 400
    assert words in answer.json()["error"]


def test_phrases_are_limited(tutor):
    for number in range(services_phrases.MOST):
        services_phrases.keep(tutor, f"phrase {number}")
    with pytest.raises(NoteError, match="remove one"):
        services_phrases.keep(tutor, "one more")
    assert QuickPhrase.objects.count() == services_phrases.MOST


def test_learners_are_offered_neither_phrases_nor_corrections(client_for, learner, ready_take):
    page = client_for(learner).get(reverse("review:take", args=[ready_take.pk])).content.decode()
    for name in ("phrases-data", 'id="overrule"', 'id="answer"', "data-ruling", "data-record"):
        assert name not in page
