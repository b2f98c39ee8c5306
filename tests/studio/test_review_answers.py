"""Recorded answers: sent, analysed like a take, shown under the learner's, heard by those they are for, forgotten."""

import copy
import io
import json
from contextlib import nullcontext
from datetime import timedelta

import numpy as np
import pytest
import soundfile
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import TestCase
from django.urls import reverse
from django.utils import timezone

from studio.review import answers, answers_beside, services
from studio.review.models import PinnedNote
from studio.takes import pipeline, uploads
from studio.takes import services as takes
from studio.takes.models import Take
from studio.takes.signals import tidying
from studio.takes.uploads import CappedUploadHandler
from tests.conftest import make_ready_take

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def rung(monkeypatch, settings):
    """The takes that the broker was rung for."""
    heard = []
    monkeypatch.setattr(takes, "ring", lambda pk: heard.append(pk) or True)
    settings.TAKES_ANALYSIS = "tests.studio.fakes.quick"
    return heard


def send(client, take, sound=b"played", **fields):
    data = {"target": json.dumps({"movement_index": 3}), **fields}
    if sound is not None:
        data["sound"] = SimpleUploadedFile("answer.webm", sound)
    with TestCase.captureOnCommitCallbacks(execute=True):
        return client.post(reverse("review:record", args=[take.pk]), data)


def test_an_answer_is_analysed_and_shown_under_the_take(client_for, tutor, learner, ready_take, rung):
    told = send(client_for(tutor), ready_take, text="Like this.")
    assert told.status_code == 201
    note = told.json()["note"]
    assert (note["text"], note["movement_index"], note["recording"]["state"]) == ("Like this.", 3, "queued")
    [recording] = Take.objects.filter(learner=tutor)
    assert rung == [recording.pk]
    assert (recording.exercise, recording.abc) == (None, "")
    takes.analyse_take(recording.pk)
    rory = client_for(learner)
    [note] = rory.get(reverse("review:notes", args=[ready_take.pk])).json()["notes"]
    assert note["recording"]["state"] == "ready"
    assert b"".join(rory.get(note["recording"]["sound"]).streaming_content) == b"played"
    page = rory.get(note["recording"]["beside"]).content.decode()
    assert page.count('<figure class="beside-panel">') == 2
    for row in ("high G gracenote", "Against the beat"):
        assert row in page.replace("High", "high")
    assert "Like this." in page


def test_the_whole_exercise_is_read_against_the_takes_own_music(client_for, tutor, ready_take, exercise):
    exercise.abc = "X:1\nT:Another\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\n{g}A4 |]\n"
    exercise.save()
    assert send(client_for(tutor), ready_take, whole="yes").status_code == 201
    recording = Take.objects.get(learner=tutor)
    assert recording.abc == ready_take.abc != exercise.abc
    assert recording.tempo_bpm == ready_take.tempo_bpm


def test_a_recording_can_answer_a_learners_question(client_for, tutor, learner, ready_take):
    question = services.pin(ready_take, learner, "How?", movement_index=5)
    told = send(client_for(tutor), ready_take, target=json.dumps({"answer_to": str(question.pk)}))
    assert told.json()["note"]["answer_to"] == str(question.pk)
    assert told.json()["note"]["movement_index"] == 5


def test_answers_are_no_takes_of_anybody(client_for, tutor, learner, ready_take, sample_report, small_flac):
    played = make_ready_take(tutor, None, sample_report, small_flac)
    PinnedNote.objects.create(take=ready_take, author=tutor, movement_index=1, recording=played)
    for who in (tutor, learner):
        client = client_for(who)
        for name in ("takes:take", "takes:sound", "takes:delete", "review:take"):
            assert client.get(reverse(name, args=[played.pk])).status_code == 404
        assert str(played.pk) not in client.get(reverse("takes:list")).content.decode()
    assert str(played.pk) not in client_for(tutor).get(reverse("week:board")).content.decode()


def test_talk_is_heard_though_nothing_is_measured(client_for, tutor, learner, ready_take, sample_report, small_flac):
    spoken = make_ready_take(tutor, None, sample_report, small_flac)
    Take.objects.filter(pk=spoken.pk).update(state="failed", report=None, failure="No chanter is to be heard in it.")
    note = PinnedNote.objects.create(take=ready_take, author=tutor, movement_index=1, recording=spoken)
    [told] = services.notes_of(ready_take, learner)
    assert "it can be heard" in told["recording"]["words"]
    assert told["recording"]["sound"]
    assert not told["recording"]["beside"]
    assert client_for(learner).get(reverse("review:answer", args=[note.pk])).status_code == 404


def test_longer_than_three_minutes_is_refused_once_it_is_decoded(client_for, tutor, ready_take, settings, monkeypatch):
    settings.TAKES_ANALYSIS = "studio.takes.pipeline.hear"
    monkeypatch.setattr(pipeline, "analyse_sound", lambda *_, **__: pytest.fail("nothing is to be analysed"))
    talk = io.BytesIO()
    soundfile.write(talk, 0.2 * np.sin(np.arange(8000 * 190) / 9), 8000, format="FLAC")
    told = send(client_for(tutor), ready_take, talk.getvalue())
    assert told.status_code == 201
    [recording] = Take.objects.filter(learner=tutor)
    takes.analyse_take(recording.pk)
    [told] = services.notes_of(ready_take, tutor)
    assert told["recording"]["state"] == "failed"
    assert "lasts 3:10, and up to 3 minutes" in told["recording"]["words"]
    assert not told["recording"]["sound"]


@pytest.mark.parametrize(
    ("seconds", "longest", "refused"), [(182.9, 180.0, False), (183.1, 180.0, True), (900.0, None, False)]
)
def test_codecs_may_round_up(seconds, longest, refused):
    with pytest.raises(pipeline.TooLongError) if refused else nullcontext():
        pipeline.check_length(seconds, longest)


@pytest.mark.parametrize(
    ("sound", "fields", "words"),
    [
        (None, {}, "No recording came"),
        (b"", {}, "empty"),
        (b"x", {"target": "{}"}, "Choose a movement"),
        (b"x", {"target": "here"}, "could not be read"),
        (b"x", {"text": "y" * 2001}, "2001 characters"),
    ],
)
def test_unusable_answers_are_refused_in_one_sentence(client_for, tutor, ready_take, sound, fields, words):
    answer = send(client_for(tutor), ready_take, sound, **fields)
    assert answer.status_code == 400
    assert words in answer.json()["error"]
    assert not Take.objects.filter(learner=tutor).exists()
    assert not PinnedNote.objects.exists()


def test_too_large_a_file_is_refused(client_for, tutor, ready_take, monkeypatch):
    monkeypatch.setattr(uploads, "MAX_ANSWER_BYTES", 10)
    answer = send(client_for(tutor), ready_take, b"x" * 11)
    assert "larger than 60 MB" in answer.json()["error"]


def test_only_tutors_may_send_files_here(rf, tutor, learner, ready_take):
    from django.core.files.uploadhandler import StopUpload

    for who, allowed in ((tutor, True), (learner, False)):
        request = rf.post(reverse("review:record", args=[ready_take.pk]))
        request.user = who
        handler = CappedUploadHandler(request)
        if allowed:
            handler.new_file("sound", "a.webm", "audio/webm", 5)
        else:
            with pytest.raises(StopUpload):
                handler.new_file("sound", "a.webm", "audio/webm", 5)


def test_a_recording_goes_with_its_note(tutor, learner, ready_take, sample_report, small_flac):
    played = make_ready_take(tutor, None, sample_report, small_flac)
    PinnedNote.objects.create(take=ready_take, author=tutor, movement_index=1, recording=played)
    with TestCase.captureOnCommitCallbacks(execute=True):
        assert takes.delete_take(tutor, ready_take)
    assert not Take.objects.exists()
    assert not default_storage.exists(played.audio)
    assert not default_storage.exists(played.original.name)


def test_deleted_notes_go_for_good_after_a_week(tutor, ready_take, sample_report, small_flac):
    played = make_ready_take(tutor, None, sample_report, small_flac)
    old = PinnedNote.objects.create(take=ready_take, author=tutor, movement_index=1, recording=played)
    services.pin(ready_take, tutor, "Under it.", answer_to=old)
    for note, days in ((old, 8), (services.pin(ready_take, tutor, "New.", movement_index=2), 6)):
        PinnedNote.objects.filter(pk=note.pk).update(deleted_at=timezone.now() - timedelta(days=days))
    kept = services.pin(ready_take, tutor, "Stands.", movement_index=3)
    with TestCase.captureOnCommitCallbacks(execute=True):
        tidying.send(Take)
    assert {note.text for note in PinnedNote.objects.all()} == {"New.", kept.text}
    assert not Take.objects.filter(pk=played.pk).exists()
    assert not default_storage.exists(played.audio)


def test_a_note_with_a_recording_needs_no_words(client_for, tutor, ready_take, sample_report, small_flac):
    played = make_ready_take(tutor, None, sample_report, small_flac)
    note = PinnedNote.objects.create(take=ready_take, author=tutor, movement_index=1, text="x", recording=played)
    services.edit(note, "")
    assert note.text == ""
    bare = services.pin(ready_take, tutor, "x", movement_index=1)
    with pytest.raises(services.NoteError):
        services.edit(bare, "")


def test_pages_with_answers_take_few_queries(
    client_for, learner, tutor, ready_take, sample_report, small_flac, django_assert_max_num_queries
):
    for index in range(6):
        played = make_ready_take(tutor, None, sample_report, small_flac)
        note = services_note(ready_take, tutor, index, played)
    rory = client_for(learner)
    pages = [reverse(f"review:{name}", args=[ready_take.pk]) for name in ("take", "notes", "annotations")]
    for page in (*pages, reverse("review:answer", args=[note.pk])):
        rory.get(page)
        with django_assert_max_num_queries(12):
            assert rory.get(page).status_code == 200


class TestBeside:
    @pytest.fixture
    def note(self, tutor, ready_take, sample_report, small_flac):
        played = make_ready_take(tutor, None, copy.deepcopy(sample_report), small_flac)
        index = next(m["index"] for m in sample_report["movements"] if m["kind"] == "doubling")
        return services_note(ready_take, tutor, index, played)

    def test_the_same_movement_stands_at_the_same_place(self, note):
        found = answers_beside.of(note)
        assert found.found
        assert found.learner.sounds == found.tutor.sounds  # the same report: the same picture
        assert all(row.learner == row.tutor for row in found.measures)
        assert {"high G gracenote", "Against the beat"} <= {row.name for row in found.measures}

    def test_one_scale_serves_both(self, note):
        for entry in note.recording.report["notes"]:
            entry["end_s"] += 0.0
        found = answers_beside.of(note)
        move = note.take.report["movements"][note.movement_index]
        first = next(s for s in found.learner.sounds if s.role == "gracenote")
        per_second = first.width / (move["gracenotes"][0]["length_ms"] / 1000.0)
        assert per_second == pytest.approx(
            (found.width - found.left) / (0.4 + 0.6 + move["end_s"] - move["start_s"]), rel=0.1
        )

    def test_a_movement_that_is_not_in_the_answer_shows_it_from_its_start(self, note):
        for entry in note.recording.report["movements"]:
            entry["kind"] = "grip"
        found = answers_beside.of(note)
        assert not found.found
        assert found.measures == []
        assert found.tutor.sounds

    def test_a_spot_is_shown_as_well(self, note):
        note.movement_index, note.start_s, note.end_s = None, 2.0, None
        assert answers_beside.of(note).learner.sounds is not None

    def test_silence_breaks_nothing(self, note):
        note.recording.report.update(notes=[], movements=[])
        assert answers_beside.of(note).tutor.sounds == []


def services_note(take, tutor, index, played):
    note = services.pin(take, tutor, "x", movement_index=index)
    note.recording = played
    note.save()
    return note


def test_create_take_of_a_tutor_keeps_files_apart(tutor, ready_take):
    upload = ContentFile(b"x", "a.webm")
    note = answers.record(ready_take, tutor, upload, target=services.Target([1]))
    assert note.recording.original.name.startswith(f"takes/{note.recording.pk}/")
