"""A whole week in a real browser on a real server with its worker, from an empty data folder to a note read on a phone.

Nothing is put into the database by hand: the studio is set up, the learner joins by the link, the exercise is written,
the week is set, the take is sent, analysed and reviewed, all on the pages that people use.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from tests.browser.chromium import Browser, start_browser
from tests.studio.processes import Serving

pytestmark = pytest.mark.browser

TAKE = Path(__file__).parents[1] / "data" / "takes" / "pairs-e-room-907.m4a"
DESK = {"width": 1280, "height": 800}
PHONE = {"width": 390, "height": 844}
PASSWORD = "low-a-and-back"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with start_browser() as started:
        yield started


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serving]:
    with Serving(data=tmp_path_factory.mktemp("week")) as serving:
        yield serving


def test_a_whole_week(browser: Browser, server: Serving) -> None:
    tutor = browser.person(server.address, viewport=DESK)
    learner = browser.person(server.address, viewport=PHONE, phone=True)

    # The tutor sets up the studio and hands on a join link.
    tutor.open("/")
    tutor.page.get_by_label("Studio").first.fill("Corrievreck Lessons")
    tutor.fill_rest({"name": "Una Marchbank", "username": "una", "password": PASSWORD})
    tutor.page.get_by_role("button", name="Set up the studio").click()
    tutor.open("/learners/")
    tutor.page.locator("input[name=display_name]").fill("Pip Larkhall")
    tutor.page.locator("form:has(input[name=display_name]) button[type=submit]").click()
    tutor.page.wait_for_selector("svg")
    link = re.search(r"/join/[^\"'\s<]+", tutor.page.content())
    assert link is not None
    tutor.check()

    # The learner joins on the phone.
    learner.open(link.group())
    learner.fill_rest({"username": "pip", "password": PASSWORD})
    learner.page.get_by_role("button", name="Join").click()
    learner.page.wait_for_url("**/week/")
    learner.check()

    # The tutor writes an exercise and sets the week.
    tutor.open("/exercises/new/")
    tutor.page.locator("select[name=movement]").select_option(label="doubling on E")
    for box in tutor.page.locator("input[name=approaches]").all():
        box.set_checked(box.get_attribute("value") != "E")
    tutor.page.locator("input[name=tempo_bpm]").fill("60")
    tutor.page.locator("[name=repeats]").fill("1")
    tutor.page.wait_for_selector("[data-preview-place] svg")
    tutor.check()
    tutor.page.locator("main form button[type=submit]").first.click()
    tutor.page.wait_for_url(re.compile(r"/exercises/\d+/$"))
    tutor.page.wait_for_selector(".music-place svg")
    tutor.check()
    tutor.open("/learners/")
    tutor.page.get_by_role("link", name="Pip Larkhall").first.click()
    tutor.check()
    plan = tutor.page.locator("a[href*='/plan/']").first.get_attribute("href")
    assert plan is not None
    tutor.open(plan)
    tutor.page.locator("select[name$=exercise]").first.select_option(index=1)
    tutor.check()
    tutor.page.get_by_role("button", name="Set the week").click()
    tutor.page.wait_for_load_state()

    # The learner sees the week first thing, sends a take, and waits without loading anything again.
    learner.open("/")
    learner.page.get_by_text("Doubling on E", exact=False).first.wait_for()
    learner.check()
    learner.page.locator("a[href*='/takes/new/?exercise=']").first.click()
    learner.check()
    learner.page.set_input_files("#sound", str(TAKE))
    learner.page.locator("#send").click()
    learner.page.wait_for_url(re.compile(r"/takes/[0-9a-f-]+/(review/)?$"), timeout=60_000)
    learner.page.evaluate("window.sameDocument = true")
    learner.page.wait_for_url("**/review/", timeout=90_000)
    learner.page.wait_for_selector("#review[data-ready]")
    review = learner.page.url.removeprefix(server.address)
    assert "9 of 15" in learner.page.inner_text(".review-count")
    learner.check()

    # The tutor opens it from the board, chooses a movement on the chart, hears it and pins a note.
    tutor.open("/")
    tutor.page.locator(f"a[href*='{review.split('/')[2]}']").first.click()
    tutor.page.wait_for_selector("#review[data-ready]")
    tutor.check()
    click_movement(tutor, 3)
    chosen = tutor.page.locator("#movements .is-chosen")
    assert "low A" in (chosen.text_content() or "")
    assert "early" in (chosen.text_content() or "")
    assert "before the beat" in tutor.page.inner_text("#chosen")
    assert "early" in (tutor.page.text_content("#player-chosen") or "")
    assert tutor.page.locator("#music .movement.selected").get_attribute("data-movement") == "3"
    before = clock(tutor)
    tutor.page.locator("#play-movement").click()
    tutor.page.wait_for_selector(".player[data-playing=clip]")
    tutor.page.wait_for_timeout(600)
    assert clock(tutor) > before + 0.2
    tutor.page.locator("[data-speed='0.25']").click()
    tutor.page.wait_for_selector(".player[data-playing=clip]")
    assert tutor.page.evaluate("document.querySelector('#sound').playbackRate") == 0.25
    assert tutor.page.evaluate("document.querySelector('#sound').preservesPitch")
    the_loop_repeats_its_stretch(tutor)
    tutor.page.fill("#note-text", "Hold low A for its whole length, then play.")
    tutor.page.get_by_role("button", name="Pin note").click()
    tutor.page.locator("#notes .note").wait_for()
    tutor.check()

    # The learner's page, still open, shows it by itself; the note plays its spot.
    learner.page.locator("#notes .note").wait_for(timeout=15_000)
    assert "Hold low A for its whole length" in learner.page.inner_text("#notes")
    learner.page.locator(".note-play").first.click()
    learner.page.wait_for_selector(".player[data-playing=clip]")
    learner.page.wait_for_timeout(300)
    assert 10.0 < clock(learner) < 13.0
    learner.page.locator("#play").click()
    learner.check()
    learner.page.get_by_role("button", name="Answer").first.click()
    below, player = (learner.page.locator(name).bounding_box() for name in (".note-inline", ".player"))
    assert below["y"] + below["height"] <= player["y"]
    learner.page.fill(".note-inline textarea", "I will.")
    learner.page.get_by_role("button", name="Send answer").click()
    learner.page.locator(".note-answer").wait_for()
    tutor.page.locator(".note-answer").wait_for(timeout=15_000)

    # A draft outlives a reload; next week is set with what went wrong beside it.
    tutor.page.fill("#note-text", "A draft")
    tutor.page.reload()
    tutor.page.wait_for_selector("#review[data-ready]")
    assert tutor.page.input_value("#note-text") == "A draft"
    tutor.page.get_by_role("link", name="Set next week").click()
    assert "early" in tutor.page.inner_text("main")
    tutor.check()

    learner.page.set_viewport_size({"width": 360, "height": 780})
    for path in ("/", review, "/takes/", "/takes/new/"):
        learner.open(path)
        learner.page.wait_for_load_state("networkidle")
        assert learner.page.evaluate("document.documentElement.scrollWidth") <= 360, path
    assert tutor.complaints == []
    assert learner.complaints == []


def clock(person) -> float:
    return float(person.page.get_attribute("#clock", "data-seconds"))


def click_movement(person, index: int) -> None:
    """Click the movement's marker on the chart, where plotly drew it."""
    person.page.locator("#timeline").scroll_into_view_if_needed()
    place = person.page.evaluate(
        """(index) => {
          const chart = document.querySelector('#timeline');
          const trace = chart.data.find((entry) => entry.meta?.part === 'movements');
          const at = trace.meta.indexes.indexOf(index);
          const { xaxis, yaxis } = chart._fullLayout;
          const box = chart.getBoundingClientRect();
          return {
            x: box.left + xaxis._offset + xaxis.l2p(trace.meta.at[at]),
            y: box.top + yaxis._offset + yaxis.l2p(trace.meta.y),
          };
        }""",
        index,
    )
    person.page.mouse.move(place["x"] - 3, place["y"])
    person.page.mouse.move(place["x"], place["y"], steps=3)
    person.page.wait_for_timeout(150)
    person.page.mouse.click(place["x"], place["y"])
    person.page.locator("#movements .is-chosen").wait_for()


def the_loop_repeats_its_stretch(person) -> None:
    """At full speed the same stretch is heard again: the clock goes back to its start and never leaves it."""
    person.page.locator("[data-speed='1']").click()
    person.page.locator("#loop").click()
    person.page.locator("#play-movement").click()
    person.page.wait_for_selector(".player[data-playing=clip]")
    places = person.page.evaluate(
        """async () => {
          const clock = document.querySelector('#clock');
          const seen = [];
          const end = performance.now() + 3500;
          while (performance.now() < end) {
            seen.push(Number(clock.dataset.seconds));
            await new Promise((go) => setTimeout(go, 25));
          }
          return seen;
        }"""
    )
    back = sum(1 for earlier, later in pairwise(places) if later < earlier - 0.5)
    assert back >= 1
    assert max(places) - min(places) < 2.2
    person.page.locator("#play").click()
    person.page.locator("#loop").click()
