"""Recording in the page, with a microphone that plays a file: level, listening, sending, waiting, the review."""

from __future__ import annotations

import json
import re
import sqlite3
import wave
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.model_player import render
from analysis.score import parse_abc
from tests.browser.chromium import start_browser
from tests.studio.processes import Serving
from tests.studio.test_worker import Place

pytestmark = pytest.mark.browser

ABC = Path(__file__).parents[1] / "data" / "sample_report.abc"


@pytest.fixture
def microphone(tmp_path: Path) -> Path:
    """What the microphone hears: the sample exercise, over and over."""
    rendering = render(parse_abc(ABC.read_text(encoding="utf-8")), tempo_bpm=90)
    path = tmp_path / "microphone.wav"
    with wave.open(str(path), "wb") as file:
        file.setparams((1, 2, rendering.rate_hz, 0, "NONE", ""))
        file.writeframes((np.clip(rendering.samples, -1, 1) * 32_767).astype("<i2").tobytes())
    return path


def in_view(page: Any, selector: str) -> bool:
    box, height = page.locator(selector).bounding_box(), page.viewport_size["height"]
    return 0 <= box["y"] < height


def test_a_take_recorded_in_the_page(tmp_path: Path, microphone: Path) -> None:
    place = Place(tmp_path / "data")
    keys = place.outside("populate")
    fake = ("--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream")
    with (
        start_browser(*fake, f"--use-file-for-fake-audio-capture={microphone}") as browser,
        Serving(data=place.data) as serving,
    ):
        learner = browser.person(serving.address, viewport={"width": 390, "height": 844}, phone=True)
        page = learner.page
        page.context.add_cookies([{"name": "sessionid", "value": keys["learner"], "url": serving.address}])
        learner.open(f"/takes/new/?exercise={keys['exercise']}&tempo=90")

        # What is no recording is refused before it is sent.
        page.set_input_files("#sound", str(ABC.with_suffix(".json")))
        assert "is no recording" in page.inner_text("#take-error")
        assert not page.locator("#candidate").is_visible()
        broken = {"name": "broken.wav", "mimeType": "audio/wav", "buffer": b"no sound at all"}
        page.set_input_files("#sound", files=[broken])
        page.get_by_text("Is it a recording?").wait_for()
        page.get_by_role("button", name="Discard it").click()

        # A first try, discarded. The care comes before the first recording.
        assert not in_view(page, "#care-first .care-list > :last-child")
        page.get_by_role("button", name="Start recording").click()
        assert in_view(page, "#care-first summary")
        learner.check()
        assert in_view(page, "#care-read")
        page.get_by_role("button", name="I have read it").click()
        page.get_by_role("button", name="Stop").wait_for()
        page.wait_for_function("() => Number(document.querySelector('#level').getAttribute('aria-valuenow')) > 30")
        learner.check()
        page.get_by_role("button", name="Stop").click()
        page.get_by_role("button", name="Discard it").click()

        # The take: recorded, listened to, sent.
        page.get_by_role("button", name="Start recording").click()
        page.wait_for_function("() => document.querySelector('#record-time').textContent >= '0:08'")
        page.get_by_role("button", name="Stop").click()
        page.locator("#candidate").wait_for()
        learner.check()
        page.wait_for_function("() => Math.abs(document.querySelector('#candidate-sound').duration - 8.5) < 1.5")
        page.evaluate("document.querySelector('#candidate-sound').play()")
        page.wait_for_function("() => document.querySelector('#candidate-sound').currentTime > 0.3")
        page.get_by_role("button", name="Send this take").click()
        page.wait_for_url(re.compile(r"/takes/[0-9a-f-]{36}/review/$"), timeout=60_000)
        assert learner.complaints == []

    [(name, told)] = place.rows("original_name, recorder_settings")
    settings = told if isinstance(told, dict) else json.loads(told)
    assert name == "recording.webm"
    assert settings["echoCancellation"] is False
    assert settings["noiseSuppression"] is False
    assert settings["autoGainControl"] is False
    assert settings["mimeType"].startswith("audio/webm")
    assert place.states() == {"ready": 1}
    with sqlite3.connect(place.data / "fingerwork.sqlite3") as database:
        [(kinds,)] = database.execute("SELECT count(*) FROM takes_movement WHERE kind = 'doubling'").fetchall()
    database.close()
    assert kinds >= 2


def test_a_file_chosen_before_the_script_has_come_is_offered(tmp_path: Path) -> None:
    place = Place(tmp_path / "data")
    keys = place.outside("populate")
    take = {"name": "take.wav", "mimeType": "audio/wav", "buffer": b"no sound at all"}
    with start_browser() as browser, Serving(data=place.data) as serving:
        page = browser.person(serving.address, viewport={"width": 390, "height": 844}, phone=True).page
        page.context.add_cookies([{"name": "sessionid", "value": keys["learner"], "url": serving.address}])
        held: list[Any] = []
        page.route("**/take_new*.js", lambda route: held.append(route))  # a slow line
        page.goto(f"{serving.address}/takes/new/?exercise={keys['exercise']}", wait_until="commit")
        page.wait_for_selector("#sound", state="attached")
        page.set_input_files("#sound", files=[take])
        assert not page.locator("#send").is_visible()
        while not held:
            page.wait_for_timeout(50)
        held[0].continue_()
        page.locator("#send").wait_for()
