"""A tutor's answer played into a microphone, measured by the real analysis, and shown under the learner's take."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.browser.chromium import start_browser
from tests.browser.test_mishaps import DESK, MICROPHONE
from tests.browser.test_notes import choose, record
from tests.browser.test_recorder import microphone  # noqa: F401  (a fixture)
from tests.studio.processes import Serving, wait_until
from tests.studio.test_worker import Place

pytestmark = pytest.mark.browser


def test_a_played_answer_is_really_measured(tmp_path: Path, microphone: Path) -> None:  # noqa: F811
    place = Place(tmp_path / "data")
    keys = place.outside("populate")
    fake = (*MICROPHONE, f"--use-file-for-fake-audio-capture={microphone}")
    with start_browser(*fake) as browser, Serving(data=place.data) as serving:
        learner, tutor = (browser.person(serving.address, viewport=DESK) for _ in range(2))
        for person, role in ((learner, "learner"), (tutor, "tutor")):
            session = {"name": "sessionid", "value": keys[role], "url": serving.address}
            person.page.context.add_cookies([session])
        learner.open(f"/takes/new/?exercise={keys['exercise']}&tempo=90")
        learner.page.set_input_files("#sound", str(microphone))
        learner.page.get_by_role("button", name="Send this take").click()
        learner.page.wait_for_url("**/review/", timeout=120_000)
        tutor.page.goto(learner.page.url)
        tutor.page.wait_for_selector("#review[data-ready]")
        choose(tutor.page, 1)
        record(tutor.page, 20)
        tutor.page.get_by_role("button", name="Pin recording").click()
        shown = learner.page.locator("#notes .note").first
        shown.get_by_role("button", name="Show it under the take").click(timeout=120_000)
        shown.locator("figure.beside-panel .sound-gracenote").first.wait_for(state="attached")
        assert shown.locator(".beside-panel").nth(1).locator(".sound-theme").count() > 0
        sound = shown.locator("audio")
        sound.evaluate("(sound) => { sound.muted = true; return sound.play(); }")
        wait_until(lambda: sound.evaluate("(sound) => sound.currentTime") > 0.3, "the sound of the answer")
