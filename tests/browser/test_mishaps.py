"""What goes wrong at a browser and must lose nothing: double taps, stray files, no timeline, half-written answers."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.browser.chromium import Browser, Person, start_browser
from tests.studio.processes import Serving, wait_until
from tests.studio.test_worker import Place

pytestmark = pytest.mark.browser

DESK = {"width": 1280, "height": 900}
MICROPHONE = ("--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream")
DROP = """() => {
  const data = new DataTransfer();
  data.items.add(new File(['x'], 'dropped.wav', { type: 'audio/wav' }));
  document.querySelector('#drop').dispatchEvent(
    new DragEvent('drop', { dataTransfer: data, bubbles: true, cancelable: true }));
}"""


class House:
    """A served studio with one analysed take, and the people in it."""

    def __init__(self, browser: Browser, serving: Serving, keys: dict[str, str], take: str) -> None:
        self._browser, self._keys, self.address = browser, keys, serving.address
        self.review = f"/takes/{take}/review/"

    def person(self, role: str) -> Person:
        """Somebody logged in, at a window of their own."""
        person = self._browser.person(self.address, viewport=DESK)
        session = {"name": "sessionid", "value": self._keys[role], "url": self.address}
        person.page.context.add_cookies([session])
        return person

    def close_all(self) -> None:
        """Close every window."""
        self._browser.close_all()

    def reviewing(self, role: str) -> Person:
        """Somebody at the review of the take, which is ready."""
        person = self.person(role)
        person.open(self.review)
        person.page.wait_for_selector("#review[data-ready]")
        return person


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    place = Place(tmp_path_factory.mktemp("house"))
    keys = place.outside("populate")
    [take] = place.outside("takes", "1")
    with start_browser(*MICROPHONE) as browser, Serving(data=place.data, **place.told("quick")) as serving:
        wait_until(lambda: place.states() == {"ready": 1}, "the report")
        yield House(browser, serving, keys, take)


def pin(person: Person, words: str, movement: int) -> None:
    """Pin a note to a movement, by the list."""
    person.page.locator("#movements button").nth(movement).click()
    person.page.fill("#note-text", words)
    person.page.get_by_role("button", name="Pin note").click()
    person.page.locator("#notes .note", has_text=words).wait_for()


def test_a_double_tap_on_stop_begins_no_second_recording(house: House) -> None:
    page = house.person("learner").page
    page.goto(f"{house.address}/takes/new/")
    page.get_by_role("button", name="Start recording").click()
    page.get_by_role("button", name="Stop").wait_for()
    page.wait_for_timeout(1200)
    page.evaluate("() => { const button = document.querySelector('#record'); button.click(); button.click(); }")
    page.locator("#candidate").wait_for()
    page.wait_for_timeout(700)
    assert page.locator(".is-recording").count() == 0
    assert page.locator("#record").is_enabled()


def test_a_file_that_comes_while_it_records_leaves_the_stop_button(house: House, tmp_path: Path) -> None:
    (tmp_path / "chosen.wav").write_bytes(b"x")
    page = house.person("learner").page
    page.goto(f"{house.address}/takes/new/")
    page.get_by_role("button", name="Start recording").click()
    page.get_by_role("button", name="Stop").wait_for()
    page.wait_for_timeout(1200)
    page.evaluate(DROP)
    assert "Stop it first" in page.inner_text("#take-error")
    page.set_input_files("#sound", str(tmp_path / "chosen.wav"))
    assert page.locator("#candidate").is_hidden()
    page.get_by_role("button", name="Stop").click()
    page.locator("#candidate").wait_for()
    page.get_by_role("button", name="Discard it").click()
    page.evaluate(DROP)
    assert "dropped.wav" in page.inner_text("#candidate-name")


@pytest.mark.parametrize("lost", ["**/timeline.json", "**/plotly-*.js"])
def test_without_its_timeline_the_review_still_works(house: House, lost: str) -> None:
    tutor = house.person("tutor")
    page = tutor.page
    page.route(lost, lambda route: route.abort())
    tutor.open(house.review)
    page.locator("#timeline-wait", has_text="could not be drawn").wait_for()
    pin(tutor, f"Without {lost}.", 2)
    assert "is-chosen" in (page.locator("#movements li").nth(2).get_attribute("class") or "")
    assert page.locator("#chosen .chosen-one:visible").count() == 1


def test_half_written_answers_outlive_news_and_a_reload(house: House) -> None:
    tutor, learner = house.reviewing("tutor"), house.reviewing("learner")
    page = learner.page
    pin(tutor, "Slower, please.", 3)
    note = page.locator("#notes .note", has_text="Slower, please.")
    note.wait_for(timeout=15_000)
    note.get_by_role("button", name="Answer").click()
    page.locator(".note-inline textarea").type("I will")
    page.locator("#note-text").focus()
    pin(tutor, "And wider.", 4)
    page.locator("#notes .note", has_text="And wider.").wait_for(timeout=15_000)
    assert page.input_value(".note-inline textarea") == "I will"
    page.reload()
    page.wait_for_selector("#review[data-ready]")
    assert page.input_value(".note-inline textarea") == "I will"

    # Somebody logged in again in another tab: the page's own token is of yesterday.
    page.context.add_cookies([{"name": "csrftoken", "value": "n" * 32, "url": learner.address}])
    page.locator(".note-inline textarea").focus()
    page.keyboard.press("End")
    page.keyboard.type(" try.")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.locator(".note-answer", has_text="I will try.").wait_for()
    assert page.evaluate("document.activeElement.textContent") == "Answer"
    page.reload()
    page.wait_for_selector("#review[data-ready]")
    assert page.locator(".note-inline").count() == 0
    learner.check()


def test_the_focus_stays_where_it_was_when_news_come(house: House) -> None:
    tutor, learner = house.reviewing("tutor"), house.reviewing("learner")
    pin(learner, "Is this right?", 5)
    edit = learner.page.locator("#notes .note", has_text="Is this right?").get_by_role("button", name="Edit")
    edit.focus()
    pin(tutor, "It is.", 6)
    learner.page.locator("#notes .note", has_text="It is.").wait_for(timeout=15_000)
    assert edit.evaluate("(button) => button === document.activeElement")


def test_single_keys_act_in_timeline_and_player_only(house: House) -> None:
    page = house.reviewing("tutor").page
    shown = "() => { const [a, b] = document.querySelector('#timeline')._fullLayout.xaxis.range; return b - a; }"
    whole = page.evaluate(shown)
    page.locator("#movements button").first.focus()
    page.keyboard.press("+")
    page.wait_for_timeout(300)
    assert page.evaluate(shown) == whole
    page.locator("#timeline").focus()
    page.keyboard.press("+")
    wait_until(lambda: page.evaluate(shown) < whole * 0.6, "a closer look")
    page.locator("#play").focus()
    page.keyboard.press("0")
    wait_until(lambda: page.evaluate(shown) > whole * 0.9, "the whole take")


def test_fields_among_the_tools_keep_their_own_keys(house: House) -> None:
    page = house.reviewing("tutor").page
    page.locator(".beat-change summary").focus()
    page.keyboard.press("Space")
    assert page.get_attribute(".beat-change", "open") is not None
    assert page.inner_text("#play") == "Play"
    page.locator("#beat-shift").focus()
    page.keyboard.press("ControlOrMeta+A")
    page.keyboard.type("-20")
    assert page.input_value("#beat-shift") == "-20"


def test_the_keys_are_shown_on_a_sheet(house: House) -> None:
    tutor = house.reviewing("tutor")
    page = tutor.page
    page.locator("#timeline").focus()
    page.keyboard.press("?")
    page.locator("#keys kbd").first.wait_for()
    tutor.check()
    page.keyboard.press("?")
    assert page.get_attribute("#keys", "open") is None
    page.locator("#keys summary").focus()
    page.keyboard.press("Enter")
    page.locator("#keys kbd").first.wait_for()


def test_the_loop_can_be_switched_off_whatever_is_chosen(house: House) -> None:
    tutor = house.person("tutor")
    page = tutor.page

    def without_a_place(route: Any) -> None:
        """The page as it is when the second movement was left out by the player."""
        answer = route.fetch()
        body = re.sub(r'("index": 1, .*?"start_s": )[\d.]+', r"\1null", answer.text(), count=1)
        route.fulfill(response=answer, body=body)

    page.route("**/review/", without_a_place)
    tutor.open(house.review)
    page.wait_for_selector("#review[data-ready]")
    page.locator("#movements button").nth(0).click()
    page.locator("#loop").click()
    page.locator("#movements button").nth(1).click()
    assert page.locator("#play-movement").is_disabled()
    page.locator("#loop").click()
    assert page.locator("#loop").get_attribute("aria-pressed") == "false"
    page.locator("#loop").click()
    assert page.locator("#loop").get_attribute("aria-pressed") == "false"
