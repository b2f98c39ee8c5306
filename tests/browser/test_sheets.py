"""Paper and files in a real browser: from an exercise to its files, and to a sheet, on a desk and on a narrow phone."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urljoin

import pypdf
import pytest

from analysis.musicxml import from_musicxml
from tests.browser.chromium import Browser, Person, start_browser
from tests.studio.processes import Serving

pytestmark = pytest.mark.browser

DESK = {"width": 1280, "height": 800}
NARROW = {"width": 360, "height": 740}
PASSWORD = "low-a-and-back"
#: A CSS pixel in millimetres.
PX_MM = 25.4 / 96


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with start_browser() as started:
        yield started


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serving]:
    with Serving(data=tmp_path_factory.mktemp("sheets")) as serving:
        yield serving


@pytest.fixture(scope="module")
def tutor(browser: Browser, server: Serving) -> Person:
    """The tutor of a new studio with two exercises, looking at the second."""
    person = browser.person(server.address, viewport=DESK)
    person.open("/")
    person.page.get_by_label("Studio").first.fill("Corrievreck Lessons")
    person.fill_rest({"name": "Una Marchbank", "username": "una", "password": PASSWORD})
    person.page.get_by_role("button", name="Set up the studio").click()
    person.page.wait_for_url("**/")
    for title in ("First drill", "Second drill"):
        person.open("/exercises/new/")
        person.page.get_by_label("Title").fill(title)
        person.page.locator("main form button[type=submit]").first.click()
        person.page.get_by_role("heading", name=title).wait_for()
    return person


def test_files_are_downloaded_from_the_page_of_an_exercise(tutor: Person) -> None:
    page = tutor.page
    page.get_by_text("Files for other programs").click()
    tutor.check()
    for name, ending in (("MusicXML", "musicxml"), ("ABC", "abc"), ("MEI", "mei"), ("MIDI", "mid")):
        link = page.get_by_role("link", name=name, exact=True)
        assert link.bounding_box()["height"] >= 44
        with page.expect_download() as started:
            link.click()
        assert started.value.suggested_filename == f"second-drill.{ending}"
        if ending == "musicxml":
            assert from_musicxml(Path(started.value.path()).read_bytes()).title == "Second drill"


def test_a_sheet_is_chosen_and_made(tutor: Person) -> None:
    page = tutor.page
    page.get_by_role("link", name="A sheet with others").click()
    page.get_by_role("heading", name="Print a sheet").wait_for()
    assert page.get_by_label("Second drill").is_checked()
    page.get_by_label("First drill").check()
    page.get_by_label("Paper").select_option("letter")
    tutor.check()
    asked = page.evaluate(
        "() => { const form = document.querySelector('.sheet-form');"
        " return `${form.getAttribute('action')}?${new URLSearchParams(new FormData(form))}`; }"
    )
    answer = page.request.get(urljoin(tutor.address, asked))
    assert answer.status == 200
    sheet = pypdf.PdfReader(io.BytesIO(answer.body()))
    text = " ".join(page.extract_text() for page in sheet.pages)
    assert "First drill" in text
    assert "Second drill" in text
    assert round(float(sheet.pages[0].mediabox.width)) == 612
    page.get_by_label("First drill").uncheck()
    page.get_by_label("Second drill").uncheck()
    page.get_by_role("button", name="Make the sheet").click()
    page.get_by_text("Choose at least one exercise.").wait_for()
    tutor.check()


def test_notes_are_large_enough_on_a_narrow_phone(browser: Browser, tutor: Person) -> None:
    phone = browser.person(tutor.address, viewport=NARROW, phone=True)
    phone.page.context.add_cookies(tutor.page.context.cookies())
    phone.open("/exercises/")
    phone.page.get_by_role("link", name="Second drill").first.click()
    head = phone.page.locator(".music .note[data-theme] .notehead use").first
    head.wait_for()
    assert head.bounding_box()["width"] * PX_MM >= 3.0
    lines = phone.page.locator(".music .system").all()
    assert max(line.locator(".measure").count() for line in lines) <= 4
    phone.check()
    phone.open("/exercises/sheets/")
    phone.check()
    complaints = [said for said in tutor.complaints + phone.complaints if "400" not in said]
    assert not complaints
