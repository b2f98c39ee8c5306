"""The workshop in a real browser: choosing with a live preview, ABC with its errors, the library, files, and what a
learner meets of it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from analysis.musicxml import to_musicxml
from analysis.score import parse_abc
from tests.browser.chromium import Browser, Person, start_browser
from tests.studio.processes import Serving

pytestmark = pytest.mark.browser

DESK = {"width": 1280, "height": 800}
NARROW = {"width": 360, "height": 740}
PASSWORD = "low-a-and-back"
HEAD = "X:1\nT:Mine\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\n"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with start_browser() as started:
        yield started


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serving]:
    with Serving(data=tmp_path_factory.mktemp("workshop")) as serving:
        yield serving


@pytest.fixture(scope="module")
def tutor(browser: Browser, server: Serving) -> Person:
    """The tutor of a new studio, at a desk."""
    person = browser.person(server.address, viewport=DESK)
    person.open("/")
    person.page.get_by_label("Studio").first.fill("Corrievreck Lessons")
    person.fill_rest({"name": "Una Marchbank", "username": "una", "password": PASSWORD})
    person.page.get_by_role("button", name="Set up the studio").click()
    person.page.wait_for_url("**/")
    return person


def length_is(tutor: Person, text: str) -> None:
    tutor.page.wait_for_function(
        "(text) => document.querySelector('[data-preview-length]').textContent === text", arg=text
    )


def test_music_and_length_follow_what_is_chosen(tutor: Person) -> None:
    tutor.open("/exercises/new/")
    page = tutor.page
    length_is(tutor, "6 bars, 24 beats, 12 movements; 26 s to play")
    assert page.locator("[data-preview-place] .movement").count() == 12
    assert not page.get_by_label("The short note is").is_visible()
    assert not page.get_by_label("A grip from D is").is_visible()
    page.get_by_label("Tempo").fill("60")
    page.get_by_label("Times through").fill("8")
    length_is(tutor, "24 bars, 96 beats, 48 movements; 1 min 36 s to play")
    page.get_by_label("Times through").fill("1")
    page.get_by_label("From short notes").check()
    length_is(tutor, "2 bars, 8 beats, 5 movements; 8 s to play")
    assert page.get_by_label("The short note is").is_visible()
    page.get_by_label("Movement", exact=True).select_option("grip/E")
    page.get_by_label("A grip from D is").wait_for()
    assert not page.get_by_label("From high G play the half doubling").is_visible()
    page.get_by_label("Movement", exact=True).select_option("strike/E")
    page.get_by_role("button", name="Every note it can come from").click()
    length_is(tutor, "4 bars, 16 beats, 13 movements; 16 s to play")
    assert not page.get_by_label("low A", exact=True).is_checked()
    page.get_by_label("low A", exact=True).check()
    note = page.locator("[data-preview-note]")
    note.filter(has_text="A strike on E cannot be played from low A; it can from low G, B, C, D, ").wait_for()
    page.get_by_label("Movement", exact=True).select_option("grip/E")
    page.get_by_role("button", name="None", exact=True).click()
    note = page.locator("[data-preview-note]")
    note.filter(has_text="Choose at least one note to approach from.").wait_for()
    assert "wrong" in (note.get_attribute("class") or "")
    page.get_by_label("Chain").check()
    length_is(tutor, "5 bars, 20 beats, 15 movements; 20 s to play")
    tutor.check()
    page.get_by_role("button", name="Save the exercise").click()
    page.get_by_role("heading", name="Grip: chain").wait_for()
    page.wait_for_selector(".music-place svg")
    tutor.check()


def selected(tutor: Person) -> str:
    return str(
        tutor.page.evaluate(
            "(() => { const box = document.activeElement;"
            "return box.name === 'abc' ? box.value.slice(box.selectionStart, box.selectionEnd) : 'elsewhere'; })()"
        )
    )


def test_what_is_wrong_in_abc_is_shown_in_its_place(tutor: Person) -> None:
    tutor.open("/exercises/new/phrase/")
    page = tutor.page
    page.wait_for_selector("[data-preview-place] svg")
    box = page.get_by_label("Music in ABC")
    box.fill(HEAD + "{g}A {d}B | {gcd}c ^d |]\n")
    note = page.locator("[data-preview-note]")
    note.filter(has_text="Line 7, column 20: accidentals are not written in the Highland pipe keys").wait_for()
    assert "expected one of G A B c d e f g a" in note.inner_text()
    assert selected(tutor) == ""  # nobody is moved while typing
    page.get_by_role("button", name="Go to the place").click()
    assert selected(tutor) == "^"
    tutor.check()
    page.get_by_role("button", name="Save the exercise").click()
    page.get_by_text("Nothing is saved yet.").wait_for()
    page.wait_for_function("() => document.activeElement.name === 'abc'")
    assert selected(tutor) == "^"
    box.fill(HEAD + "{g}A {d}B c d e | {gcd}c d e f |]\n")
    note.filter(has_text="Is this meant? Line 7: bar 1 holds 5 beats; 4/4 has 4 beats.").wait_for()
    box.fill(HEAD + "{g}A {d}B c d | {gcd}c d e f |]\n")
    length_is(tutor, "2 bars, 8 beats, 3 movements; 8 s to play")
    assert page.get_by_role("button", name="Go to the place").is_hidden()
    page.get_by_role("button", name="Save the exercise").click()
    page.get_by_role("heading", name="Mine").wait_for()


def test_a_file_is_brought_in(tutor: Person, tmp_path: Path) -> None:
    file = tmp_path / "drill.musicxml"
    file.write_text(to_musicxml(parse_abc(HEAD.replace("Mine", "Drill") + "A {gef}e B {g}A |]\n")), encoding="utf-8")
    tutor.open("/exercises/import/")
    tutor.check()
    tutor.page.get_by_label("File").set_input_files(file)
    tutor.page.get_by_role("button", name="Read the file").click()
    tutor.page.get_by_text("“drill.musicxml” is read.").wait_for()
    length_is(tutor, "1 bar, 4 beats, 2 movements; 4 s to play")
    tutor.check()
    tutor.page.get_by_role("button", name="Save the exercise").click()
    tutor.page.get_by_role("heading", name="Drill").wait_for()


def test_the_library_is_looked_through_heard_and_copied_and_a_learner_meets_what_is_open(
    tutor: Person, browser: Browser
) -> None:
    page = tutor.page
    tutor.open("/exercises/library/")
    tutor.check()
    page.get_by_label("Movement").select_option(label="Birls")
    page.get_by_label("Level").select_option(label="advanced")
    page.get_by_role("button", name="Find").click()
    page.get_by_text(re.compile(r"^\d of 96$")).wait_for()
    page.get_by_role("link", name="Birl on low A: from short notes").click()
    page.wait_for_selector(".music-place svg .movement")
    page.evaluate("document.querySelector('audio').play()")
    page.wait_for_function("() => document.querySelector('audio').currentTime > 0.2")
    page.get_by_role("button", name="Copy into my studio").click()
    page.get_by_text("is one of your exercises now").wait_for()
    page.get_by_role("button", name="Open to all learners").click()
    page.get_by_text("is open to all your learners").wait_for()
    tutor.check()

    tutor.open("/learners/")
    page.locator("input[name=display_name]").fill("Pip Larkhall")
    page.locator("form:has(input[name=display_name]) button[type=submit]").click()
    page.wait_for_selector("svg")
    link = re.search(r"/join/[^\"'\s<]+", page.content())
    assert link is not None
    learner = browser.person(tutor.address, viewport=NARROW, phone=True)
    learner.open(link.group())
    learner.fill_rest({"username": "pip", "password": PASSWORD})
    learner.page.get_by_role("button", name="Join").click()
    learner.page.wait_for_url("**/week/")
    learner.open("/exercises/")
    assert learner.page.locator("main tbody tr").count() == 1  # nothing else of what the tutor wrote
    learner.check()
    learner.page.get_by_role("link", name="Birl on low A: from short notes").click()
    learner.page.get_by_role("link", name="Record it").wait_for()
    learner.check()
    assert tutor.complaints == learner.complaints == []


@pytest.mark.parametrize("path", ["/exercises/", "/exercises/library/", "/exercises/new/", "/exercises/new/phrase/"])
def test_the_pages_fit_a_narrow_screen(tutor: Person, path: str) -> None:
    tutor.page.set_viewport_size(NARROW)
    tutor.open(path)
    tutor.check()


HEARD = "document.querySelector('.music-place .heard-ground')"


def place_of_mark(tutor: Person) -> float:
    """How far along its line the marked note stands, in the picture's units, after the mark is there."""
    tutor.page.wait_for_function(f"() => {HEARD}")
    return float(tutor.page.evaluate(f"Number({HEARD}.getAttribute('x'))"))


def moves_from(tutor: Person, place: float) -> None:
    tutor.page.wait_for_function(f"(place) => {HEARD} && Number({HEARD}.getAttribute('x')) !== place", arg=place)


def test_the_music_follows_the_model(tutor: Person) -> None:
    page = tutor.page
    page.set_viewport_size(DESK)
    tutor.open("/exercises/new/")
    page.get_by_role("button", name="Save the exercise").click()
    page.wait_for_selector(".music-place svg .movement")
    assert page.evaluate(HEARD) is None
    page.evaluate("document.querySelector('audio').play()")
    first = place_of_mark(tutor)
    moves_from(tutor, first)
    page.evaluate("document.querySelector('audio').pause()")
    page.wait_for_function(f"() => !{HEARD}")
    # Beat 13, at 56 beats a minute, is the first of the fourth bar, which stands in the second line.
    page.evaluate(
        "(() => { const a = document.querySelector('audio'); a.currentTime = 0.15 + 12.5 * 60 / 56; a.play(); })()"
    )
    page.wait_for_function(f"() => {HEARD}?.nextElementSibling?.dataset.onset === '12'")
    page.get_by_label("The beat").select_option("count-in")
    page.wait_for_function("() => document.querySelector('audio').currentTime > 0.5")
    assert page.evaluate(HEARD) is None  # the bar that is counted in
    files = page.locator("[data-hear-file]").evaluate_all("(links) => links.map((link) => link.search)")
    assert files == [f"?tempo=56&count_in=4&as={kind}" for kind in ("wav", "mp3", "flac")]
    page.evaluate("document.querySelector('audio').currentTime = 0.15 + 4.5 * 60 / 56")
    page.wait_for_function(f"() => {HEARD}?.nextElementSibling?.dataset.onset === '0'")
    tutor.check()

    page.get_by_role("link", name="Listen closely").click()
    page.wait_for_selector(".music-place svg .movement")
    page.get_by_role("button", name="Half speed").click()
    page.get_by_role("button", name="Play it").click()
    first = place_of_mark(tutor)
    moves_from(tutor, first)
    tutor.check()
    page.get_by_role("button", name="Stop").click()
    page.wait_for_function(f"() => !{HEARD}")
    late = page.get_by_role("group", name="Late")
    late.get_by_role("button", name="Wrong").click()
    page.get_by_text("Late: wrong, round and round.").wait_for()
    assert page.evaluate(HEARD) is None  # an example is not the exercise
    assert tutor.complaints == []


def test_music_out_of_sight_is_brought_into_it_while_it_plays(tutor: Person) -> None:
    page = tutor.page
    page.set_viewport_size({"width": 390, "height": 500})
    tutor.open("/exercises/new/")
    page.get_by_role("button", name="Save the exercise").click()
    page.wait_for_selector(".music-place svg .movement")
    page.evaluate("document.querySelector('.music-place').scrollIntoView()")
    begun = page.evaluate("scrollY")
    box = page.locator("audio").bounding_box()
    assert box is not None
    assert box["y"] + box["height"] <= 500  # at hand beside the music
    page.evaluate(
        "(() => { const a = document.querySelector('audio'); a.currentTime = 0.15 + 20.5 * 60 / 56; a.play(); })()"
    )
    page.wait_for_function(
        f"() => {{ const seen = {HEARD}?.getBoundingClientRect(); return seen && seen.top > 0 && seen.bottom < 430; }}"
    )
    assert page.evaluate("scrollY") > begun


def test_everything_can_be_heard_without_scripts(tutor: Person, browser: Browser) -> None:
    plain = browser.person(tutor.address, viewport=NARROW, phone=True, scripts=False)
    plain.open("/log-in/")
    plain.page.get_by_label("User name").fill("una")
    plain.page.get_by_label("Password").fill(PASSWORD)
    plain.page.get_by_role("button", name="Log in").click()
    plain.open("/exercises/")
    plain.page.locator("main tbody a").first.click()
    picture = plain.page.locator(".music-place img")
    assert picture.get_attribute("src")
    assert plain.page.get_by_label("played right").bounding_box()["width"] > 300
    plain.page.get_by_label("The beat").select_option("count-in")
    plain.page.get_by_role("button", name="Set").click()
    assert "count_in=4" in (plain.page.get_by_label("played right").get_attribute("src") or "")
    plain.page.get_by_role("link", name="Listen closely").click()
    players = plain.page.locator("audio")
    assert players.count() == 21  # the whole, and ten words right and wrong
    assert all((box := player.bounding_box()) and box["width"] > 300 for player in players.all())
    plain.page.get_by_label("Speed").select_option("half")
    plain.page.get_by_role("button", name="Set").click()
    assert "speed=half" in (players.first.get_attribute("src") or "")


def test_the_music_stays_in_sight_while_a_phone_is_used_to_choose(tutor: Person) -> None:
    page = tutor.page
    page.set_viewport_size({"width": 390, "height": 844})
    tutor.open("/exercises/new/")
    page.wait_for_selector("[data-preview-place] svg")
    page.get_by_label("Times through").fill("1")
    length_is(tutor, "3 bars, 12 beats, 6 movements; 13 s to play")
    seen = page.locator("[data-preview-length]").bounding_box()
    assert seen is not None
    assert 0 <= seen["y"] < 200
    tutor.check()


def test_the_library_shows_one_level_at_first(tutor: Person) -> None:
    page = tutor.page
    page.set_viewport_size({"width": 390, "height": 844})
    tutor.open("/exercises/library/")
    assert page.evaluate("document.documentElement.scrollHeight") < 3500
    entry = page.get_by_role("link", name="Crunluath on E: single then full").first
    assert not entry.is_visible()
    page.locator("summary", has_text="Advanced").click()
    entry.wait_for()
    tutor.check()
