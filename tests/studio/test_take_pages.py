"""Sending takes and waiting for them, through the web; bad files one by one, through the real analysis."""

from __future__ import annotations

import html
import io
import json
import re
import uuid
import wave
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from django.conf import LazySettings
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.files.uploadhandler import MemoryFileUploadHandler
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from analysis import sound
from studio.takes import services, uploads
from studio.takes.models import Take
from studio.week.models import Plan

NEW = "/takes/new/"


@pytest.fixture
def drill(exercise: Any, learner: Any) -> Any:
    """The exercise, set for the learner."""
    plan = Plan.objects.create(learner=learner, starts_on=timezone.localdate())
    plan.exercises.create(exercise=exercise, tempo_bpm=54)
    return exercise


@pytest.fixture
def rory(learner: Any, client_for: Callable[[Any], Client]) -> Client:
    return client_for(learner)


@pytest.fixture
def analysed_at_once(monkeypatch: pytest.MonkeyPatch, django_capture_on_commit_callbacks: Any) -> Callable[..., Any]:
    """Sends a file, and does the worker's part when the take is stored."""
    monkeypatch.setattr(services, "ring", services.analyse_take)

    def send(client: Client, content: bytes, name: str, **fields: Any) -> Any:
        with django_capture_on_commit_callbacks(execute=True):
            return client.post(NEW, {"sound": SimpleUploadedFile(name, content), **fields})

    return send


def wav(samples: Any, rate: int = 48_000) -> bytes:
    buffer = io.BytesIO()
    with wave.open(buffer, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate)
        file.writeframes((np.clip(samples, -1, 1) * 32_767).astype("<i2").tobytes())
    return buffer.getvalue()


def speech_like(seconds: float) -> Any:
    """Syllables of gliding pitch with pauses: a voice and no chanter."""
    time = np.arange(int(seconds * 48_000)) / 48_000
    pitch = 120 + 40 * np.sin(2 * np.pi * 1.3 * time)
    phase = 2 * np.pi * np.cumsum(pitch) / 48_000
    voice = sum(np.sin(harmonic * phase) / harmonic for harmonic in range(1, 12))
    return 0.15 * voice * (np.sin(2 * np.pi * 3.1 * time) > 0)


NOISE = np.random.default_rng(3)
PNG = b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\0\1\0\0\0\1\x08\x06\0\0\0\x1f\x15\xc4\x89" + bytes(40)

BAD_FILES: dict[str, tuple[Callable[[], bytes], str, str]] = {
    "text": (lambda: b"These are words and no sound at all.\n" * 40, "take.mp3", "not a sound file"),
    "a picture": (lambda: PNG, "take.m4a", "sound"),
    "random bytes": (lambda: NOISE.bytes(20_000), "take.wav", "not a sound file"),
    "a page": (lambda: b"<!doctype html><script>alert(1)</script>" * 20, "<b>take</b>.wav", "not a sound file"),
    "a list of other files": (
        lambda: b"ffconcat version 1.0\nfile '/etc/passwd'\nfile 'take.wav'\n",
        "take.mp3",
        "not a sound file",
    ),
    "a header alone": (lambda: wav([]), "take.wav", "sound"),
    "too short": (lambda: wav(NOISE.normal(0, 0.1, 9_600)), "take.wav", "only 0.2 s long"),
    "silence": (lambda: wav(np.zeros(4 * 48_000)), "take.wav", "silen"),
    "noise": (lambda: wav(NOISE.normal(0, 0.1, 4 * 48_000)), "take.wav", "chanter"),
    "a voice": (lambda: wav(speech_like(6)), "take.wav", "chanter"),
}


class TestBadFiles:
    @pytest.mark.parametrize("kind", BAD_FILES)
    def test_one_plain_sentence(
        self, kind: str, rory: Client, drill: Any, analysed_at_once: Callable[..., Any]
    ) -> None:
        content, name, said = BAD_FILES[kind]
        sent = analysed_at_once(rory, content(), name, exercise=drill.pk)
        take = Take.objects.get()
        assert take.state == "failed"
        assert said in take.failure
        assert re.fullmatch(r"[A-Z0-9][^\n]*[.!?]", take.failure)
        assert "Traceback" not in take.failure
        assert "/tmp" not in take.failure
        status = rory.get(reverse("takes:status", args=[take.pk])).json()
        assert (status["state"], status["failure"]) == ("failed", take.failure)
        page = rory.get(sent["Location"])
        assert html.escape(take.failure) in page.content.decode()
        assert "Record it again" in page.content.decode()
        assert b"root:" not in page.content

    def test_an_empty_file(self, rory: Client) -> None:
        answer = rory.post(NEW, {"sound": SimpleUploadedFile("take.wav", b"")})
        assert answer.status_code == 400
        assert "empty" in answer.content.decode()
        assert not Take.objects.exists()

    def test_a_file_that_grows_past_the_cap(self, rory: Client, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(uploads, "MAX_UPLOAD_BYTES", 100_000)
        answer = rory.post(NEW, {"sound": SimpleUploadedFile("take.wav", bytes(300_000))})
        assert answer.status_code == 400
        assert services.TOO_BIG in html.unescape(answer.content.decode())
        assert not Take.objects.exists()
        assert rory.post(NEW, {"sound": SimpleUploadedFile("take.wav", bytes(100_000))}).status_code == 302

    def test_no_file(self, rory: Client) -> None:
        answer = rory.post(NEW, {})
        assert answer.status_code == 400
        assert "No recording came with the form." in answer.content.decode()


class TestUnwantedFiles:
    @pytest.fixture
    def stored(self, monkeypatch: pytest.MonkeyPatch) -> list[str]:
        """The names of the files that were read."""
        found: list[str] = []

        def new_file(handler: Any, name: str, file_name: str, *args: Any, **kwargs: Any) -> None:
            found.append(file_name)
            unpatched(handler, name, file_name, *args, **kwargs)

        unpatched = MemoryFileUploadHandler.new_file
        monkeypatch.setattr(MemoryFileUploadHandler, "new_file", new_file)
        return found

    def test_of_strangers_are_not_read(self, stored: list[str], tutor: Any, client_for: Any) -> None:
        for client in (Client(), Client(enforce_csrf_checks=True), client_for(tutor)):
            for path in (NEW, "/log-in/", "/set-up/", "/nothing/here/"):
                answer = client.post(path, {"sound": SimpleUploadedFile("a.wav", bytes(100_000))})
                assert answer.status_code < 500
        assert stored == []

    def test_of_a_learner_are_read_where_takes_are_sent(self, stored: list[str], rory: Client) -> None:
        rory.post("/account/", {"sound": SimpleUploadedFile("a.wav", b"x")})
        assert stored == []
        rory.post(NEW, {"sound": SimpleUploadedFile("b.wav", b"x")})
        assert stored == ["b.wav"]


class TestSending:
    def test_the_page(self, rory: Client, drill: Any) -> None:
        page = rory.get(f"{NEW}?exercise={drill.pk}").content.decode()
        assert re.search(rf'<option value="{drill.pk}" data-tempo="54" selected>', page)
        assert re.search(r'name="tempo_bpm"[^>]* value="54"', page)  # as it was set, and not the exercise's own
        assert re.search(r'id="care-first" open>.*Before you play', page, re.DOTALL)
        assert "style=" not in page
        assert not re.search(r"\son\w+=", page)

    def test_the_tempo_of_the_address(self, rory: Client, drill: Any) -> None:
        page = rory.get(f"{NEW}?exercise={drill.pk}&tempo=58").content.decode()
        assert re.search(r'name="tempo_bpm"[^>]* value="58"', page)
        assert "nonsense" not in rory.get(f"{NEW}?exercise=nonsense&tempo=nonsense").content.decode()

    @pytest.mark.parametrize(
        ("asked", "shown"),
        [
            ("20", "20"),
            ("240", "240"),
            ("058", "58"),
            *((odd, "54") for odd in ("19", "241", "-54", "5" * 5000, "54.5", "", "²")),
        ],
    )
    def test_a_tempo_of_the_address_that_no_take_can_have_is_as_it_was_set(
        self, rory: Client, drill: Any, asked: str, shown: str
    ) -> None:
        page = rory.get(NEW, {"exercise": drill.pk, "tempo": asked}).content.decode()
        assert re.search(rf'name="tempo_bpm"[^>]* value="{shown}"', page)
        free = rory.get(NEW, {"exercise": "", "tempo": asked}).content.decode()
        assert re.search(rf'name="tempo_bpm"[^>]* value="{shown if shown != "54" else ""}"', free)

    def test_care_is_in_the_way_only_before_the_first_take(self, rory: Client, ready_take: Take) -> None:
        page = rory.get(NEW).content.decode()
        assert page.index('<details class="take-care">') < page.index("Before you play")

    @pytest.mark.parametrize(("sent", "kept"), [("60", 60), ("", 54)])  # left empty, as it was set
    def test_a_plain_form(self, rory: Client, learner: Any, drill: Any, sent: str, kept: int) -> None:
        answer = rory.post(
            NEW,
            {"exercise": drill.pk, "tempo_bpm": sent, "sound": SimpleUploadedFile("a.m4a", b"x")},
        )
        take = Take.objects.get()
        assert answer.status_code == 302
        assert answer["Location"] == f"/takes/{take.pk}/"
        assert (take.learner, take.exercise, take.tempo_bpm, take.state) == (learner, drill, kept, "queued")

    def test_the_phones_recorder(self, rory: Client) -> None:
        rory.post(NEW, {"exercise": "", "recorded": SimpleUploadedFile("a.m4a", b"x")})
        take = Take.objects.get()
        assert (take.exercise, take.tempo_bpm) == (None, None)

    def test_by_script(self, rory: Client) -> None:
        settings = {"sampleRate": 48000, "echoCancellation": False}
        answer = rory.post(
            NEW,
            {"sound": SimpleUploadedFile("a.webm", b"x"), "recorder_settings": json.dumps(settings)},
            headers={"accept": "application/json"},
        )
        take = Take.objects.get()
        assert (answer.status_code, answer.json()) == (201, {"address": f"/takes/{take.pk}/"})
        assert take.recorder_settings == settings

    @pytest.mark.parametrize(
        "sent", ["nonsense", "[1]", '"x"', "{", "", "\0", "[" * 4000, '{"a":' * 800, f'{{"a": {"1" * 4400}}}']
    )
    def test_odd_recorder_settings_are_no_reason_to_refuse(self, rory: Client, sent: str) -> None:
        rory.post(NEW, {"sound": SimpleUploadedFile("a.webm", b"x"), "recorder_settings": sent})
        assert Take.objects.get().recorder_settings == {}

    def test_of_recorder_settings_only_what_every_database_keeps(self, rory: Client) -> None:
        odd = r'"b": NaN, "c": 1e999, "d": "\u0000", "e": "\ud800", "f": {"g": 1}, "h": null, "\u0000": 1'
        good = '"sampleRate": 48000, "latency": 0.01, "noiseSuppression": false, "deviceId": "\u00e9"'
        big = f'"i": {"9" * 400}'
        sent = {"sound": SimpleUploadedFile("a.webm", b"x"), "recorder_settings": f"{{{odd}, {good}, {big}}}"}
        assert rory.post(NEW, sent).status_code == 302
        kept = {"sampleRate": 48000, "latency": 0.01, "noiseSuppression": False, "deviceId": "é"}
        assert Take.objects.get().recorder_settings == kept

    @pytest.mark.parametrize(
        ("fields", "said"),
        [
            ({"tempo_bpm": "5"}, "from 20 to 240"),
            ({"tempo_bpm": "fast"}, "from 20 to 240"),
            ({"tempo_bpm": "9" * 5000}, "from 20 to 240"),
            ({"exercise": "999999"}, "was not set for you"),
            ({"exercise": "x"}, "was not set for you"),
        ],
    )
    def test_odd_fields(self, rory: Client, fields: dict[str, str], said: str) -> None:
        sent = {"sound": SimpleUploadedFile("a.webm", b"x"), **fields}
        answer = rory.post(NEW, sent, headers={"accept": "application/json"})
        assert answer.status_code == 400
        assert said in answer.json()["error"]
        assert not Take.objects.exists()

    def test_another_studios_exercise(self, rory: Client, stranger_tutor: Any, drill: Any) -> None:
        type(drill).objects.update(studio=stranger_tutor.studio)
        answer = rory.post(NEW, {"sound": SimpleUploadedFile("a.webm", b"x"), "exercise": drill.pk})
        assert answer.status_code == 400
        assert drill.title not in rory.get(f"{NEW}?exercise={drill.pk}").content.decode()

    def test_an_exercise_put_away_can_be_played_by_its_link(self, rory: Client, drill: Any) -> None:
        type(drill).objects.update(put_away_at=timezone.now())
        assert drill.title not in rory.get(NEW).content.decode()
        assert drill.title in rory.get(f"{NEW}?exercise={drill.pk}").content.decode()
        rory.post(NEW, {"sound": SimpleUploadedFile("a.webm", b"x"), "exercise": drill.pk})
        assert Take.objects.get().exercise == drill

    def test_a_days_share(self, rory: Client, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(services, "MAX_TAKES_A_DAY", 0)
        answer = rory.post(NEW, {"sound": SimpleUploadedFile("a.webm", b"x")}, headers={"accept": "application/json"})
        assert answer.status_code == 400
        assert "in one day" in answer.json()["error"]


class TestWaiting:
    @pytest.fixture
    def take(self, learner: Any, exercise: Any) -> Take:
        return services.create_take(learner=learner, exercise=exercise, upload=SimpleUploadedFile("a.webm", b"x"))

    def _status(self, client: Client, take: Take) -> Any:
        return client.get(reverse("takes:status", args=[take.pk])).json()

    def test_from_queued_to_ready(self, rory: Client, take: Take, other_learner: Any) -> None:
        assert self._status(rory, take) == {
            "state": "queued", "words": "Waiting; it is next.", "stage": None, "failure": "", "address": "",
        }  # fmt: skip
        before = services.create_take(learner=other_learner, exercise=None, upload=SimpleUploadedFile("b.webm", b"x"))
        Take.objects.filter(pk=before.pk).update(queued_at=timezone.now() - timedelta(minutes=1))
        assert self._status(rory, take)["words"] == "Waiting; 1 take is before it."
        Take.objects.filter(pk=take.pk).update(state="analysing", stage="finding the beat")
        status = self._status(rory, take)
        assert (status["stage"], status["words"]) == (1, "Being analysed: finding the beat.")
        page = rory.get(f"/takes/{take.pk}/").content.decode()
        assert re.search(r'data-stage="1" aria-current="step"', page)
        assert '<noscript><meta http-equiv="refresh" content="5"></noscript>' in page
        Take.objects.filter(pk=take.pk).update(state="ready")
        assert self._status(rory, take)["address"] == f"/takes/{take.pk}/review/"
        assert rory.get(f"/takes/{take.pk}/")["Location"] == f"/takes/{take.pk}/review/"

    def test_nothing_of_it_is_kept_by_browsers(self, rory: Client, take: Take) -> None:
        for address in (f"/takes/{take.pk}/", f"/takes/{take.pk}/status.json"):
            assert "no-store" in rory.get(address)["Cache-Control"]

    def test_a_failed_take_can_be_tried_again(
        self, rory: Client, take: Take, monkeypatch: pytest.MonkeyPatch, django_capture_on_commit_callbacks: Any
    ) -> None:
        rung: list[uuid.UUID] = []
        monkeypatch.setattr(services, "ring", rung.append)
        Take.objects.update(state="failed", failure="No <chanter> & no sound.", attempts=3)
        page = rory.get(f"/takes/{take.pk}/").content.decode()
        assert "No &lt;chanter&gt; &amp; no sound." in page
        assert "<noscript>" not in page
        assert f"{NEW}?exercise={take.exercise_id}&amp;tempo=60" in page
        with django_capture_on_commit_callbacks(execute=True):
            answer = rory.post(reverse("takes:retry", args=[take.pk]))
        assert answer["Location"] == f"/takes/{take.pk}/"
        assert rung == [take.pk]
        assert self._status(rory, take)["state"] == "queued"

    def test_free_playing_is_recorded_again_freely_and_at_its_tempo(
        self, rory: Client, take: Take, ready_take: Take
    ) -> None:
        Take.objects.filter(pk=take.pk).update(state="failed", failure="No chanter.", exercise=None, tempo_bpm=208)
        Take.objects.filter(pk=ready_take.pk).update(created_at=timezone.now() + timedelta(minutes=1))
        page = rory.get(f"/takes/{take.pk}/").content.decode()
        [again] = re.findall(r'href="([^"]+)">Record it again', page)
        form = rory.get(html.unescape(again)).content.decode()
        assert re.search(r'name="tempo_bpm"[^>]* value="208"', form)
        assert '<option value="" selected>' in form

    def test_what_arrived_can_be_heard_of_a_failed_take(self, rory: Client, ready_take: Take) -> None:
        Take.objects.update(state="failed", failure="No chanter.")
        page = rory.get(f"/takes/{ready_take.pk}/").content.decode()
        assert f'src="/takes/{ready_take.pk}/sound"' in page

    def test_a_file_that_cannot_be_read_needs_neither_a_quiet_room_nor_a_second_try(
        self, rory: Client, take: Take
    ) -> None:
        for refusal in ("not-sound", "no-audio", "coding", "memory", "nothing-decoded"):
            Take.objects.update(state="failed", failure=sound._SENTENCES[refusal])
            page = rory.get(f"/takes/{take.pk}/").content.decode()
            assert "Record it again" in page
            assert "quiet room" not in page
            assert "Try the analysis again" not in page
        Take.objects.update(failure="No chanter.")
        page = rory.get(f"/takes/{take.pk}/").content.decode()
        assert "quiet room" in page
        assert "Try the analysis again" in page

    def test_the_tutor_sees_whose_it_is(self, take: Take, tutor: Any, client_for: Callable[[Any], Client]) -> None:
        Take.objects.update(state="failed", failure="No chanter.")
        page = client_for(tutor).get(f"/takes/{take.pk}/").content.decode()
        assert "Rory Tulloch-Vane" in page
        assert "Record it again" not in page


class TestDeleting:
    def test_it_asks_first(self, rory: Client, ready_take: Take) -> None:
        address = reverse("takes:delete", args=[ready_take.pk])
        assert "cannot be undone" in rory.get(address).content.decode()
        assert Take.objects.exists()
        assert rory.post(address)["Location"] == "/"
        assert not Take.objects.exists()

    def test_not_once_the_tutor_has_heard_it(
        self, rory: Client, ready_take: Take, tutor: Any, client_for: Callable[[Any], Client]
    ) -> None:
        Take.objects.update(heard_at=timezone.now())
        address = reverse("takes:delete", args=[ready_take.pk])
        for answer in (rory.get(address), rory.post(address)):
            assert answer.status_code == 403
            assert "only your tutor can delete it" in answer.content.decode()
        assert Take.objects.exists()
        assert client_for(tutor).post(address).status_code == 302
        assert not Take.objects.exists()


class TestListing:
    def test_a_learners_own(
        self, rory: Client, ready_take: Take, other_learner: Any, client_for: Callable[[Any], Client]
    ) -> None:
        page = rory.get("/takes/").content.decode()
        assert f"/takes/{ready_take.pk}/" in page
        assert f"{ready_take.clean_count} of {ready_take.movement_count} clean" in page
        assert str(ready_take.pk) not in client_for(other_learner).get("/takes/").content.decode()

    def test_the_tutors(
        self, ready_take: Take, tutor: Any, stranger_tutor: Any, client_for: Callable[[Any], Client]
    ) -> None:
        assert "Rory Tulloch-Vane" in client_for(tutor).get("/takes/").content.decode()
        assert str(ready_take.pk) not in client_for(stranger_tutor).get("/takes/").content.decode()

    def test_pages(self, rory: Client, ready_take: Take, learner: Any, settings: LazySettings) -> None:
        now = timezone.now()
        Take.objects.bulk_create(Take(learner=learner, created_at=now, queued_at=now) for _ in range(40))
        assert "Page 1 of 2" in rory.get("/takes/").content.decode()
        assert f"/takes/{ready_take.pk}/" in rory.get("/takes/?page=2").content.decode()
        assert rory.get("/takes/?page=nonsense").status_code == 200
