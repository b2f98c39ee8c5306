"""The way of a take within one process: made, claimed, analysed or failed, retried, judged anew, deleted."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.conf import LazySettings
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import IntegrityError
from django.test import TestCase
from django.utils import timezone

from analysis.api import STAGES as ANALYSIS_STAGES
from analysis.score import ScoreError, parse_abc
from analysis.sound import SoundError
from studio.takes import claims, reports, services, sweep, words
from studio.takes.models import Movement, Take
from studio.takes.services import (
    UploadError,
    analyse_take,
    create_take,
    delete_take,
    may_delete,
    place_in_queue,
    rejudge,
    retry_take,
)
from tests.studio import fakes
from tests.studio.processes import wait_until

Make = Callable[..., Take]


@pytest.fixture(autouse=True)
def rung(monkeypatch: pytest.MonkeyPatch) -> list[uuid.UUID]:
    """The takes that the broker was rung for."""
    heard: list[uuid.UUID] = []

    def ring(pk: uuid.UUID) -> bool:
        heard.append(pk)
        return True

    monkeypatch.setattr(services, "ring", ring)
    monkeypatch.setattr(sweep, "ring", ring)
    return heard


@pytest.fixture(autouse=True)
def quick_analysis(settings: LazySettings) -> None:
    settings.TAKES_ANALYSIS = "tests.studio.fakes.quick"


@pytest.fixture
def hear(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[..., Any]], None]:
    """Puts a function in the place of the analysis."""

    def put(function: Callable[..., Any]) -> None:
        monkeypatch.setattr(fakes, "quick", function)

    return put


@pytest.fixture
def make(learner: Any, exercise: Any) -> Make:
    """Makes a queued take of the learner."""

    def create(content: bytes = b"some sound", **values: Any) -> Take:
        values = {"learner": learner, "exercise": exercise, "upload": ContentFile(content, "take.m4a"), **values}
        return create_take(**values)

    return create


def stored() -> list[str]:
    """Every file in storage."""
    if not default_storage.exists("takes"):
        return []
    folders = default_storage.listdir("takes")[0]
    return sorted(
        f"takes/{folder}/{file}" for folder in folders for file in default_storage.listdir(f"takes/{folder}")[1]
    )


class TestCreating:
    def test_row_and_file(self, make: Make, exercise: Any, rung: list[uuid.UUID]) -> None:
        with TestCase.captureOnCommitCallbacks(execute=True):
            take = make(recorder_settings={"sampleRate": 48000})
            assert rung == []  # not before it is safe
        assert rung == [take.pk]
        take.refresh_from_db()
        assert take.state == "queued"
        assert (take.abc, take.tempo_bpm) == (exercise.abc, 60)
        assert (take.original_name, take.original_bytes) == ("take.m4a", 10)
        assert take.recorder_settings == {"sampleRate": 48000}
        with take.original.open() as sound:
            assert sound.read() == b"some sound"
        assert stored() == [f"takes/{take.pk}/original"]

    def test_free_playing(self, make: Make) -> None:
        take = make(exercise=None, tempo_bpm=72)
        assert (take.exercise, take.abc, take.tempo_bpm) == (None, "", 72)

    def test_the_files_own_name_reaches_no_path(self, make: Make) -> None:
        take = make(upload=ContentFile(b"x", "../../etc/" + "n" * 300 + ".m4a"))
        assert take.original_name == ("n" * 300 + ".m4a")[-200:]
        assert stored() == [f"takes/{take.pk}/original"]

    def test_an_empty_file_is_refused(self, make: Make) -> None:
        with pytest.raises(UploadError, match="empty"):
            make(b"")
        assert stored() == []

    def test_a_file_too_big_is_refused(self, make: Make) -> None:
        big = ContentFile(b"x", "take.wav")
        big.size = services.MAX_UPLOAD_BYTES + 1
        with pytest.raises(UploadError, match="200 MB"):
            make(upload=big)
        big.size = services.MAX_UPLOAD_BYTES
        make(upload=big)

    def test_a_days_share_of_takes(self, make: Make, monkeypatch: pytest.MonkeyPatch, other_learner: Any) -> None:
        monkeypatch.setattr(services, "MAX_TAKES_A_DAY", 2)
        make(), make()
        with pytest.raises(UploadError, match="in one day"):
            make()
        assert len(stored()) == 2
        make(learner=other_learner)
        make(recorded_at=timezone.now() - timedelta(days=2))

    def test_a_days_share_of_bytes(self, make: Make, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(services, "MAX_BYTES_A_DAY", 25)
        make(), make()
        with pytest.raises(UploadError, match="1 GB"):
            make()
        make(b"12345")

    def test_a_row_that_cannot_be_written_leaves_no_file(self, make: Make, monkeypatch: pytest.MonkeyPatch) -> None:
        def refuse(*args: Any, **values: Any) -> None:
            raise IntegrityError("no")

        monkeypatch.setattr(Take, "save", refuse)
        with pytest.raises(IntegrityError):
            make()
        assert stored() == []

    def test_a_failing_broker_loses_nothing_and_shows_nothing(
        self, learner: Any, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
    ) -> None:
        from studio.celery import app

        def refuse(*args: Any, **values: Any) -> None:
            raise OSError("no broker")

        monkeypatch.undo()
        monkeypatch.setattr(app, "send_task", refuse)
        with TestCase.captureOnCommitCallbacks(execute=True):
            take = create_take(learner=learner, exercise=None, upload=ContentFile(b"x", "x"))
        assert Take.objects.get(pk=take.pk).state == "queued"
        assert "the sweep will ring again" in caplog.text


class TestAnalysing:
    def test_to_ready(self, make: Make) -> None:
        take = make()
        analyse_take(take.pk)
        take.refresh_from_db()
        assert (take.state, take.claim, take.stage, take.failure, take.attempts) == ("ready", None, "", "", 1)
        assert take.ready_at is not None
        assert take.duration_s == fakes.sample_report()["recording"]["duration_s"]
        report = take.report
        assert report is not None
        assert take.movement_count == len(report["movements"]) == take.movements.count()
        assert take.clean_count == report["summary"]["clean"] == take.movements.filter(clean=True).count()
        with default_storage.open(take.audio) as sound:
            assert sound.read() == b"some sound"
        assert stored() == sorted([take.original.name or "", take.audio])

    def test_movement_rows(self, make: Make) -> None:
        take = make()
        analyse_take(take.pk)
        entry = fakes.sample_report()["movements"][1]
        row = take.movements.get(index=1)
        assert (row.kind, row.form, row.on, row.approach) == (entry["kind"], entry["form"], entry["on"], entry["from"])
        assert (row.start_s, row.end_s, row.beat_offset_ms) == (
            entry["start_s"],
            entry["end_s"],
            entry["beat_offset_ms"],
        )

    def test_what_the_analysis_is_given(self, make: Make, studio: Any, hear: Any) -> None:
        studio.level, studio.tuning, studio.beat_points = "strict", "older", {"doubling": "opens"}
        studio.tolerances = {"gap_ms": 25.0}
        studio.save()
        given = {}

        def look(original: Any, flac: Any, score: Any, options: Any, progress: Any) -> Any:
            given.update(sound=original.read_bytes(), movements=len(score.movements), options=options)
            return fakes.sample_report()

        hear(look)
        analyse_take(make(tempo_bpm=66).pk)
        options = given["options"]
        assert given["sound"] == b"some sound"
        assert given["movements"] == 15
        assert (options.tempo_bpm, options.tuning, dict(options.beat_points)) == (66, "older", {"doubling": "opens"})
        assert options.tolerances.gap_ms == 25.0
        assert options.tolerances.gracenote_ms == 54.0

    def test_without_a_score(self, make: Make, hear: Any) -> None:
        given = []
        hear(lambda original, flac, score, options, progress: given.append(score) or fakes.sample_report())
        analyse_take(make(exercise=None).pk)
        assert given == [None]

    def test_the_stage_shows_while_it_runs(self, make: Make, hear: Any) -> None:
        seen = []

        def look(original: Any, flac: Any, score: Any, options: Any, progress: Any) -> Any:
            progress("finding the notes", 0.5)
            take = Take.objects.get()
            seen.append((take.state, take.stage, words.in_words(take), words.status(take)["stage"]))
            return fakes.sample_report()

        hear(look)
        analyse_take(make().pk)
        assert seen == [("analysing", "finding the notes", "Being analysed: finding the notes.", 2)]

    def test_once_only(self, make: Make, hear: Any) -> None:
        times = []
        hear(lambda *given: times.append(1) or fakes.sample_report())
        take = make()
        analyse_take(take.pk)
        analyse_take(take.pk)
        assert len(times) == 1

    def test_a_take_that_is_gone(self, db: None) -> None:
        analyse_take(uuid.uuid4())

    def test_unusable_sound_fails_with_its_sentence(self, make: Make, hear: Any) -> None:
        def refuse(original: Any, flac: Any, *rest: Any) -> Any:
            flac.write_bytes(b"silence")
            raise SoundError("There is no chanter in it.")

        hear(refuse)
        take = make()
        analyse_take(take.pk)
        take.refresh_from_db()
        assert (take.state, take.failure, take.claim) == ("failed", "There is no chanter in it.", None)
        with default_storage.open(take.audio) as sound:  # what could be read of it can be heard
            assert sound.read() == b"silence"

    def test_undecodable_sound_leaves_no_sound(self, make: Make, hear: Any) -> None:
        def refuse(*given: Any) -> Any:
            raise SoundError("This is not a recording.")

        hear(refuse)
        take = make()
        analyse_take(take.pk)
        take.refresh_from_db()
        assert (take.state, take.audio) == ("failed", "")

    def test_giving_up_keeps_what_an_earlier_attempt_stored(self, make: Make, hear: Any) -> None:
        def refuse(original: Any, flac: Any, *rest: Any) -> Any:
            flac.write_bytes(b"silence")
            raise SoundError("There is no chanter in it.")

        def undecodable(*given: Any) -> Any:
            raise SoundError("This is not a recording.")

        hear(refuse)
        take = make()
        analyse_take(take.pk)
        take.refresh_from_db()
        audio = take.audio
        for broken in (undecodable, fakes.fail):
            hear(broken)
            retry_take(take)
            Take.objects.update(attempts=claims.MAX_ATTEMPTS - 1)
            analyse_take(take.pk)
            take.refresh_from_db()
            assert (take.state, take.audio) == ("failed", audio)
            assert default_storage.exists(audio)

    def test_an_unreadable_score_fails_with_its_sentence(self, make: Make, exercise: Any) -> None:
        exercise.abc = "X:1\nK:HP\nthis is {no music"
        exercise.save()
        with pytest.raises(ScoreError) as expected:
            parse_abc(exercise.abc)
        take = make()
        analyse_take(take.pk)
        take.refresh_from_db()
        assert take.state == "failed"
        assert str(expected.value) in take.failure

    def test_a_lost_upload_fails(self, make: Make) -> None:
        take = make()
        default_storage.delete(take.original.name or "")
        analyse_take(take.pk)
        take.refresh_from_db()
        assert (take.state, take.attempts) == ("failed", 1)
        assert "no longer stored" in take.failure

    def test_an_unexpected_error_is_tried_three_times(
        self, make: Make, hear: Any, rung: list[uuid.UUID], caplog: pytest.LogCaptureFixture
    ) -> None:
        hear(fakes.fail)
        take = make()
        for attempt in (1, 2):
            analyse_take(take.pk)
            take.refresh_from_db()
            assert (take.state, take.attempts, take.claim) == ("queued", attempt, None)
        assert "tried again" in words.in_words(take)
        analyse_take(take.pk)
        take.refresh_from_db()
        assert (take.state, take.attempts, take.failure) == ("failed", 3, claims.GAVE_UP)
        assert "secret" not in take.failure
        assert caplog.text.count("RuntimeError: a secret detail") == 3

    def test_a_worker_taken_over_writes_nothing(self, make: Make, hear: Any) -> None:
        other = uuid.uuid4()

        def lose(original: Any, flac: Any, *rest: Any) -> Any:
            flac.write_bytes(b"late")
            Take.objects.update(claim=other)
            return fakes.sample_report()

        hear(lose)
        take = make()
        analyse_take(take.pk)
        take.refresh_from_db()
        assert (take.state, take.claim, take.report, take.audio) == ("analysing", other, None, "")
        assert Movement.objects.count() == 0
        assert stored() == [take.original.name]

    def test_a_worker_taken_over_stops_at_the_next_stage(self, make: Make, hear: Any) -> None:
        reached = []

        def lose(original: Any, flac: Any, score: Any, options: Any, progress: Any) -> Any:
            Take.objects.update(claim=uuid.uuid4())
            progress("finding the notes", 0.5)
            reached.append("the end")

        hear(lose)
        analyse_take(make().pk)
        assert reached == []

    def test_a_worker_taken_over_cannot_fail_the_take(self, make: Make, hear: Any) -> None:
        def lose(*given: Any) -> Any:
            Take.objects.update(claim=uuid.uuid4())
            raise SoundError("no chanter")

        hear(lose)
        take = make()
        analyse_take(take.pk)
        take.refresh_from_db()
        assert (take.state, take.failure) == ("analysing", "")

    def test_a_take_deleted_meanwhile(self, make: Make, hear: Any, learner: Any) -> None:
        def vanish(original: Any, flac: Any, *rest: Any) -> Any:
            flac.write_bytes(b"late")
            with TestCase.captureOnCommitCallbacks(execute=True):
                assert delete_take(learner, Take.objects.get())
            return fakes.sample_report()

        hear(vanish)
        analyse_take(make().pk)
        assert Take.objects.count() == 0
        assert stored() == []

    def test_tolerances_changed_meanwhile_count(self, make: Make, hear: Any, studio: Any) -> None:
        def change(original: Any, flac: Any, *rest: Any) -> Any:
            studio.tolerances = {"offset_floor_ms": 0.01, "offset_share": 0.000001}
            studio.save()
            return fakes.sample_report()

        hear(change)
        take = make()
        analyse_take(take.pk)
        take.refresh_from_db()
        assert take.clean_count < fakes.sample_report()["summary"]["clean"]

    def test_a_second_analysis_replaces_the_first(self, make: Make) -> None:
        take = make()
        analyse_take(take.pk)
        first = Take.objects.get().audio
        Take.objects.update(state="queued")
        analyse_take(take.pk)
        take.refresh_from_db()
        assert take.audio != first
        assert stored() == sorted([take.original.name or "", take.audio])
        assert take.movements.count() == take.movement_count

    def test_stages_are_the_analysiss_own(self) -> None:
        assert (*ANALYSIS_STAGES, services.STORING) == words.STAGES
        assert all(len(stage) <= 40 for stage in words.STAGES)


class TestHeart:
    @pytest.mark.django_db(transaction=True)
    def test_it_beats(self, make: Make, settings: LazySettings) -> None:
        settings.TAKES_HEARTBEAT_S = 0.01
        take = claims.claim(make().pk)
        assert take is not None
        with claims.Heart(take):
            wait_until(lambda: Take.objects.get().heartbeat_at > take.heartbeat_at, "a heartbeat")

    @pytest.mark.django_db(transaction=True)
    def test_it_notices_that_the_claim_is_lost(self, make: Make, settings: LazySettings) -> None:
        settings.TAKES_HEARTBEAT_S = 0.01
        take = claims.claim(make().pk)
        assert take is not None
        with claims.Heart(take) as heart:
            heart.stage("finding the notes")
            Take.objects.update(claim=uuid.uuid4())

            def lost() -> bool:
                try:
                    heart.stage("finding the notes")  # the stage has not changed, so nothing is written
                except claims.ClaimLost:
                    return True
                return False

            wait_until(lost, "the heart to notice")


class TestSweep:
    def _silent(self, take: Take, attempts: int = 1) -> None:
        ago = timezone.now() - timedelta(minutes=5)
        Take.objects.filter(pk=take.pk).update(
            state="analysing", claim=uuid.uuid4(), heartbeat_at=ago, attempts=attempts
        )

    def test_all_well(self, make: Make, rung: list[uuid.UUID]) -> None:
        waiting, working = make(), make()
        assert claims.claim(working.pk)
        assert sweep.sweep() == sweep.Swept()
        assert rung == []
        waiting.refresh_from_db()
        assert waiting.state == "queued"

    def test_it_rings_again_for_what_waits_unheard(self, make: Make, rung: list[uuid.UUID]) -> None:
        ago = timezone.now() - timedelta(minutes=5)
        lost, never = make(), make()
        Take.objects.filter(pk=lost.pk).update(rung_at=ago, queued_at=ago)
        Take.objects.filter(pk=never.pk).update(rung_at=None)
        assert sweep.sweep() == sweep.Swept(rung=2)
        assert rung == [lost.pk, never.pk]
        assert sweep.sweep() == sweep.Swept()  # each once a minute, not once a sweep

    def test_it_takes_back_from_silent_workers(self, make: Make, rung: list[uuid.UUID]) -> None:
        take = make()
        self._silent(take)
        assert sweep.sweep() == sweep.Swept(taken_back=1, rung=1)
        assert rung == [take.pk]
        take.refresh_from_db()
        assert (take.state, take.claim, take.attempts) == ("queued", None, 1)

    def test_it_gives_up_after_the_third_attempt(self, make: Make, rung: list[uuid.UUID]) -> None:
        take = make()
        self._silent(take, attempts=3)
        assert sweep.sweep() == sweep.Swept(given_up=1)
        assert rung == []
        take.refresh_from_db()
        assert (take.state, take.failure) == ("failed", claims.GAVE_UP)

    def test_it_leaves_finished_takes_alone(self, ready_take: Take) -> None:
        Take.objects.update(heartbeat_at=timezone.now() - timedelta(days=1), rung_at=None)
        assert sweep.sweep() == sweep.Swept()

    def test_it_removes_old_sound_without_a_take(self, make: Make, monkeypatch: pytest.MonkeyPatch) -> None:
        take = make()
        analyse_take(take.pk)
        kept = stored()
        default_storage.save(f"takes/{take.pk}/left.flac", ContentFile(b"x"))
        default_storage.save(f"takes/{uuid.uuid4()}/original", ContentFile(b"x"))
        default_storage.save("takes/odd/original", ContentFile(b"x"))
        assert sweep.remove_orphans() == 0  # they may be on their way
        monkeypatch.setattr(sweep, "_ORPHAN_AGE", timedelta(0))
        assert sweep.remove_orphans() == 3
        assert stored() == kept

    @pytest.mark.django_db
    def test_it_tidies_once_a_day(self, monkeypatch: pytest.MonkeyPatch) -> None:
        done = []
        monkeypatch.setattr(sweep, "remove_orphans", lambda: done.append("orphans") or 0)
        monkeypatch.setattr(sweep, "remove_old_models", lambda: done.append("models") or 0)
        sweep.tidy_once_a_day()
        sweep.tidy_once_a_day()
        assert done == ["orphans", "models"]


class TestRetrying:
    def test_a_failed_take(self, make: Make, hear: Any, rung: list[uuid.UUID]) -> None:
        take = make()
        Take.objects.update(state="failed", attempts=3, failure="broke off")
        with TestCase.captureOnCommitCallbacks(execute=True):
            assert retry_take(take)
        assert rung == [take.pk]
        take.refresh_from_db()
        assert (take.state, take.attempts, take.failure) == ("queued", 0, "")
        analyse_take(take.pk)
        take.refresh_from_db()
        assert take.state == "ready"

    @pytest.mark.parametrize("state", ["queued", "analysing", "ready"])
    def test_no_other(self, make: Make, state: str, rung: list[uuid.UUID]) -> None:
        take = make()
        Take.objects.update(state=state)
        with TestCase.captureOnCommitCallbacks(execute=True):
            assert not retry_take(take)
        assert Take.objects.get().state == state
        assert rung == []


class TestJudgingAnew:
    def _strict(self, studio: Any) -> None:
        studio.tolerances = {"offset_floor_ms": 0.01, "offset_share": 0.000001}
        studio.save()

    def test_counts_rows_and_report(self, ready_take: Take, studio: Any) -> None:
        reports.store_report(ready_take, fakes.sample_report())
        before = ready_take.clean_count
        default_storage.delete(ready_take.audio)  # no sound is needed
        default_storage.delete(ready_take.original.name or "")
        self._strict(studio)
        assert rejudge(studio) == 1
        ready_take.refresh_from_db()
        assert ready_take.clean_count < before
        report = ready_take.report
        assert report is not None
        assert report["summary"]["clean"] == ready_take.clean_count
        assert ready_take.movements.filter(clean=True).count() == ready_take.clean_count
        assert [row.flags for row in ready_take.movements.all()] == [entry["flags"] for entry in report["movements"]]
        studio.tolerances = {}
        studio.save()
        rejudge(studio)
        ready_take.refresh_from_db()
        assert ready_take.clean_count == before

    def test_nothing_to_change(self, ready_take: Take, studio: Any) -> None:
        rejudge(studio)
        assert rejudge(studio) == 0

    def test_other_studios_are_left_alone(self, ready_take: Take, stranger_tutor: Any) -> None:
        self._strict(stranger_tutor.studio)
        assert rejudge(stranger_tutor.studio) == 0

    def test_reports_without_measures_stay_as_they_were_judged(self, ready_take: Take, studio: Any) -> None:
        for entry in ready_take.report["movements"]:  # type: ignore[index]
            entry.pop("measures", None)
        ready_take.save()
        flags = [row.flags for row in ready_take.movements.all()]
        self._strict(studio)
        rejudge(studio)
        assert [row.flags for row in ready_take.movements.all()] == flags

    def test_unusable_tolerances_change_nothing(self, ready_take: Take, studio: Any) -> None:
        studio.tolerances = {"gap_ms": -1}
        studio.save()
        with pytest.raises(ValueError, match="gap_ms"):
            rejudge(studio)
        assert Take.objects.get().clean_count == ready_take.clean_count

    def test_many_takes_in_few_queries(
        self, make: Make, studio: Any, django_assert_max_num_queries: Any, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        for _ in range(12):
            analyse_take(make().pk)
        monkeypatch.setattr(reports, "_BATCH", 6)
        self._strict(studio)
        with django_assert_max_num_queries(12):
            assert rejudge(studio) == 12


class TestDeleting:
    def test_what_goes(self, ready_take: Take, learner: Any) -> None:
        with TestCase.captureOnCommitCallbacks(execute=True):
            assert delete_take(learner, ready_take)
        assert (Take.objects.count(), Movement.objects.count(), stored()) == (0, 0, [])

    def test_who_may(self, ready_take: Take, learner: Any, other_learner: Any, tutor: Any, stranger_tutor: Any) -> None:
        people = (learner, other_learner, tutor, stranger_tutor)
        assert [may_delete(person, ready_take) for person in people] == [True, False, True, False]
        ready_take.heard_at = timezone.now()
        ready_take.save()
        assert [may_delete(person, ready_take) for person in people] == [False, False, True, False]
        assert not delete_take(learner, ready_take)
        assert Take.objects.count() == 1

    def test_heard_in_the_very_moment(self, ready_take: Take, learner: Any) -> None:
        Take.objects.update(heard_at=timezone.now())  # after the page was shown
        assert ready_take.heard_at is None
        assert not delete_take(learner, ready_take)


def test_place_in_queue(make: Make) -> None:
    first, second, third = make(), make(), make()
    assert [place_in_queue(take) for take in (first, second, third)] == [1, 2, 3]
    assert words.in_words(second) == "Waiting; 1 take is before it."
    assert words.in_words(third) == "Waiting; 2 takes are before it."
    analyse_take(first.pk)
    assert words.in_words(second) == "Waiting; it is next."
