"""Sheets to print: what stands on them, on which paper, and that a phone finds the recorder by their code."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any
from urllib.parse import urlencode

import pypdf
import pypdfium2
import pytest
import zxingcpp
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from analysis.engraving import svg
from analysis.engraving_pdf import Drawing
from analysis.score import parse_abc, to_abc
from studio.exercises.models import Exercise
from studio.exercises.sheets import PICTURE_PX, Entry, Heading, sheet_pdf
from studio.week.services import SetRow, set_plan
from tests.analysis.every_drill import every_drill

ClientFor = Callable[[Any], Client]
MM = 72 / 25.4
SIZES = {"a4": (210, 297), "letter": (215.9, 279.4)}
DAY = date(2026, 11, 26)
RECORDER = "https://studio.example.org/takes/new/?exercise={}"


def entry(name: str, number: int = 1, *, instruction: str = "Slow and even.", code: bool = True) -> Entry:
    drawing = Drawing(svg(every_drill()[name], width_px=PICTURE_PX))
    return Entry(name, 60, instruction, drawing, RECORDER.format(number) if code else "")


def words(page: Any) -> str:
    return " ".join(page.extract_text().split())


def codes(data: bytes, page: int = 0, *, scale: float = 200 / 72) -> list[str]:
    """What a scanner reads on a page that is printed at 200 dots an inch, from the top down."""
    document = pypdfium2.PdfDocument(data)
    try:
        picture = document[page].render(scale=scale).to_numpy()
    finally:
        document.close()
    found = zxingcpp.read_barcodes(picture, formats=zxingcpp.BarcodeFormat.QRCode)
    return [code.text for code in sorted(found, key=lambda code: code.position.top_left.y)]


def blackness(data: bytes, page: int = 0) -> Any:
    document = pypdfium2.PdfDocument(data)
    try:
        return (document[page].render(scale=2, grayscale=True).to_numpy() < 128).squeeze()
    finally:
        document.close()


@pytest.mark.parametrize("name", list(every_drill())[::40])
def test_everything_in_a_picture_is_drawn_on_paper(name: str) -> None:
    """What the pen does not know it refuses."""
    plain = sheet_pdf([entry(name, code=False)], Heading("S", "Rory", DAY), paper="a4")
    assert blackness(plain).any()


def bent_lines(name: str) -> int:
    """Lines with one corner, neither closed nor filled."""
    data = sheet_pdf([entry(name, code=False)], Heading("S", "Rory", DAY), paper="a4")
    drawn = pypdf.PdfReader(io.BytesIO(data)).pages[0].get_contents()
    assert drawn is not None
    point = r"-?[\d.]+ -?[\d.]+"
    text = " ".join(drawn.get_data().decode("latin-1").split())
    return len(re.findall(rf"(?<!l) {point} m {point} l {point} l S\b", text))


def test_a_triplet_has_its_bracket_on_paper() -> None:
    assert bent_lines("doubling on low A, from short notes 1/4") == 0
    assert bent_lines("doubling on low A, from short notes 1/3") == 9 * 2  # left and right of each number


NAMES = ("doubling on E, single then full", "taorluath, chain from E", "strike on B, in a phrase")


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_sheet_holds_everything_in_order(paper: str) -> None:
    data = sheet_pdf(
        [entry(name, number) for number, name in enumerate(NAMES, 1)],
        Heading("Strathmorrow Juniors", "Mòrag Tulloch-Vane", DAY),
        paper=paper,
    )
    reader = pypdf.PdfReader(io.BytesIO(data))
    for page in reader.pages:
        size = (float(page.mediabox.width) / MM, float(page.mediabox.height) / MM)
        assert size == pytest.approx(SIZES[paper], abs=0.1)
    whole = " ".join(words(page) for page in reader.pages)
    places = [whole.index(name) for name in NAMES]
    assert places == sorted(places)
    for said in ("Mòrag Tulloch-Vane", "Week from 26 November 2026", "Strathmorrow Juniors", "Slow and even."):
        assert said in whole
    assert whole.count("60 beats a minute") == 3
    assert whole.count("Thu Fri Sat Sun Mon Tue Wed") == 3
    assert f"Page 1 of {len(reader.pages)}" in whole
    assert reader.metadata.title == "Practice sheet for Mòrag Tulloch-Vane, 26 November 2026"
    found = [text for page in range(len(reader.pages)) for text in codes(data, page)]
    assert found == [RECORDER.format(number) for number in (1, 2, 3)]


def test_nothing_is_printed_on_the_margins() -> None:
    for paper in SIZES:
        data = sheet_pdf([entry(NAMES[0]), entry(NAMES[1])], Heading("S", "", DAY), paper=paper)
        black = blackness(data)
        margin = round(14 * MM * 2)
        assert black.any()
        assert not black[:, :margin].any()
        assert not black[:, -margin:].any()
        assert not black[: round(10 * MM * 2)].any()


def test_music_longer_than_a_page_flows_over_pages_with_all_its_bars() -> None:
    long = parse_abc("M:4/4\nL:1/4\nQ:60\nK:HP\n" + "A {gef}e A {gef}e|" * 96)
    drawing = Drawing(svg(long, width_px=PICTURE_PX))
    data = sheet_pdf([Entry("Long", 60, "", drawing, RECORDER.format(7))], Heading("S", "Rory", DAY), paper="a4")
    reader = pypdf.PdfReader(io.BytesIO(data))
    assert len(reader.pages) > 1
    numbers = {word for page in reader.pages for word in page.extract_text().split() if word.isdecimal()}
    assert {str(bar) for bar in range(1, 97)} <= numbers
    assert codes(data, len(reader.pages) - 1) == [RECORDER.format(7)]
    assert "Thu Fri Sat" in words(reader.pages[-1])


def test_an_exercise_is_not_divided_where_it_fits_on_a_page() -> None:
    names = [NAMES[0]] * 5
    data = sheet_pdf([entry(name) for name in names], Heading("S", "Rory", DAY), paper="a4")
    for page in pypdf.PdfReader(io.BytesIO(data)).pages:
        assert words(page).count(NAMES[0]) == words(page).count("Tick each day")


def test_long_words_are_broken_into_lines() -> None:
    said = "Lift the finger from the knuckle and put it down at once, " * 5
    data = sheet_pdf([entry(NAMES[0], instruction=said)], Heading("S" * 120, "R" * 80, DAY), paper="a4")
    assert words(pypdf.PdfReader(io.BytesIO(data)).pages[0]).count("from the knuckle") == 5
    assert not blackness(data)[:, -round(14 * MM * 2) :].any()


def test_every_movement_is_drawn() -> None:
    """All symbols of all drills are known to the pen, and put as much black on paper as there is music."""
    blacks = []
    for name in list(every_drill())[::7]:
        data = sheet_pdf([entry(name, code=False)], Heading("S", "R", DAY), paper="a4")
        blacks.append(int(blackness(data).sum()))
    assert min(blacks) > 4000


def test_what_cannot_be_a_sheet() -> None:
    with pytest.raises(ValueError, match="expected one of a4, letter"):
        sheet_pdf([entry(NAMES[0])], Heading("S", "", DAY), paper="a3")
    with pytest.raises(ValueError, match="choose at least one"):
        sheet_pdf([], Heading("S", "", DAY), paper="a4")
    with pytest.raises(ValueError, match="no music in the picture"):
        Drawing('<svg xmlns="http://www.w3.org/2000/svg"/>')


@pytest.fixture
def second(studio: Any, tutor: Any) -> Any:
    abc = to_abc(every_drill()[NAMES[1]])
    return Exercise.objects.create(
        studio=studio, title="Taorluaths", family="chain", abc=abc, tempo_bpm=56, created_by=tutor
    )


def copied(exercise: Any) -> Any:
    return Exercise.objects.create(
        studio=exercise.studio, title="One more", family="phrase", abc=exercise.abc, tempo_bpm=56
    )


def ask(client: Client, **asked: Any) -> Any:
    given = {"starts_on": "2026-11-26", "paper": "a4", **asked}
    return client.get(f"{reverse('exercises:sheet')}?{urlencode(given, doseq=True)}")


def text_of(response: Any) -> str:
    assert response.status_code == 200
    assert response["Content-Type"] == "application/pdf"
    return " ".join(words(page) for page in pypdf.PdfReader(io.BytesIO(response.content)).pages)


def test_a_tutor_prints_a_sheet_for_a_learner(
    client_for: ClientFor, tutor: Any, learner: Any, exercise: Any, second: Any
) -> None:
    set_plan(learner, starts_on=date(2026, 11, 24), rows=[SetRow(exercise, 72)], by=tutor)
    response = ask(client_for(tutor), exercise=[exercise.pk, second.pk], learner=learner.pk)
    said = text_of(response)
    assert "Rory Tulloch-Vane" in said
    assert exercise.title in said
    assert "72 beats a minute" in said  # as it is set for the learner
    assert "56 beats a minute" in said
    # The second is not set for the learner: a code would lead nowhere.
    assert codes(response.content) == [f"http://testserver{reverse('takes:new')}?exercise={exercise.pk}&tempo=72"]
    second.open_to_all = True
    second.save()
    assert len(codes(ask(client_for(tutor), exercise=[exercise.pk, second.pk], learner=learner.pk).content)) == 2


def test_the_code_leads_the_learner_to_the_recorder_with_the_exercise_chosen(
    client_for: ClientFor, tutor: Any, learner: Any, exercise: Any
) -> None:
    set_plan(learner, starts_on=DAY, rows=[SetRow(exercise, 52)], by=tutor)
    (address,) = codes(ask(client_for(tutor), exercise=[exercise.pk], learner=learner.pk).content)
    page = client_for(learner).get(address.removeprefix("http://testserver"))
    assert page.status_code == 200
    assert page.context["chosen"] == exercise
    assert page.context["tempo"] == "52"  # as it is set, and as the sheet says


def test_the_code_has_the_public_address(client_for: ClientFor, tutor: Any, exercise: Any, settings: Any) -> None:
    settings.SITE_URL = "https://piping.example.org"
    found = codes(ask(client_for(tutor), exercise=[exercise.pk]).content)
    assert found == [f"https://piping.example.org{reverse('takes:new')}?exercise={exercise.pk}&tempo=60"]


def test_without_a_learner_there_is_a_line_for_a_name(client_for: ClientFor, tutor: Any, exercise: Any) -> None:
    said = text_of(ask(client_for(tutor), exercise=[exercise.pk], paper="letter"))
    assert said.startswith("Name")


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"exercise": []}, "Choose at least one exercise."),
        ({"exercise": ["99999"]}, "not among your exercises"),
        ({"exercise": ["x"]}, "not among your exercises"),
        ({"starts_on": "soon"}, "This is not a date."),
        ({"learner": "99999"}, "none of your learners"),
        ({"paper": "a3"}, "a3 is not one of the available choices"),
    ],
)
def test_what_is_missing_is_said_on_the_form(
    client_for: ClientFor, tutor: Any, exercise: Any, asked: dict[str, Any], said: str
) -> None:
    response = ask(client_for(tutor), **{"exercise": [exercise.pk], **asked})
    assert response.status_code == 400
    assert said in response.content.decode()


def test_music_that_cannot_be_read_any_more_is_named(client_for: ClientFor, tutor: Any, exercise: Any) -> None:
    Exercise.objects.filter(pk=exercise.pk).update(abc="X:1\nK:HP\nA ^c")
    response = ask(client_for(tutor), exercise=[exercise.pk])
    assert response.status_code == 400
    assert "cannot be read any more" in response.content.decode()


def test_the_form_brings_the_exercises_of_a_learners_plan(
    client_for: ClientFor, tutor: Any, learner: Any, exercise: Any, second: Any
) -> None:
    set_plan(learner, starts_on=DAY, rows=[SetRow(second, 60)], by=tutor)
    form = client_for(tutor).get(f"{reverse('exercises:sheets')}?learner={learner.pk}").context["form"]
    assert form.initial["exercise"] == [str(second.pk)]
    assert form.initial["learner"] == learner
    later = timezone.localdate() + timedelta(days=5)
    set_plan(learner, starts_on=later, rows=[SetRow(exercise, 64)], by=tutor)
    address = f"{reverse('exercises:sheets')}?learner={learner.pk}"
    for query, brought, day in (
        ("", exercise, later),
        (f"&starts_on={later}", exercise, later),
        (f"&starts_on={DAY}", second, max(DAY, timezone.localdate())),
        ("&starts_on=soon", exercise, later),
    ):
        initial = client_for(tutor).get(address + query).context["form"].initial
        assert initial["exercise"] == [str(brought.pk)]
        assert initial["starts_on"] == day
    plan = client_for(tutor).get(f"{reverse('week:plan', args=[learner.pk])}?starts={later}").content.decode()
    assert f"{address}&amp;starts_on={later}" in plan


def test_a_sheet_takes_the_same_queries_for_many_exercises(
    client_for: ClientFor, tutor: Any, learner: Any, exercise: Any, second: Any
) -> None:
    client = client_for(tutor)
    rows = [SetRow(exercise, 50), SetRow(second, 51)]
    set_plan(learner, starts_on=DAY, rows=rows, by=tutor)
    with CaptureQueriesContext(connection) as few:
        ask(client, exercise=[exercise.pk], learner=learner.pk)
    more = [copied(exercise) for _ in range(10)]
    with CaptureQueriesContext(connection) as many:
        assert ask(client, exercise=[exercise.pk, second.pk, *(one.pk for one in more)], learner=learner.pk).content
    assert len(many) == len(few)


def test_a_key_that_no_database_holds_is_answered(client_for: ClientFor, tutor: Any, exercise: Any) -> None:
    assert ask(client_for(tutor), exercise=["9" * 30]).status_code == 400
    page = client_for(tutor).get(f"{reverse('exercises:sheets')}?exercise={'9' * 30}&learner={'9' * 30}")
    assert page.status_code == 200
    form = client_for(tutor).get(f"{reverse('exercises:sheets')}?exercise={exercise.pk}&learner=x").context["form"]
    assert form.initial["exercise"] == [str(exercise.pk)]
