"""Exercises as files for other programs, asked for over the web."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any
from xml.etree import ElementTree as ET

import mido
import pypdf
import pytest
from django.test import Client
from django.urls import reverse

from analysis.musicxml import from_musicxml
from analysis.score import parse_abc
from studio.exercises.models import Exercise
from tests.analysis.test_musicxml import assert_valid

ClientFor = Callable[[Any], Client]
FORMATS = ("musicxml", "mei", "midi", "pdf")


@pytest.fixture
def named(exercise: Any) -> Any:
    exercise.title, exercise.tempo_bpm, exercise.instruction = "Mòrag’s E", 66, "Slow & even."
    exercise.save()
    return exercise


def download(client: Client, name: str, exercise: Any, query: str = "") -> Any:
    response = client.get(reverse(f"exercises:{name}", args=[exercise.pk]) + query)
    assert response.status_code == 200
    return response


def test_musicxml_is_valid_and_the_same_music(client_for: ClientFor, tutor: Any, named: Any) -> None:
    response = download(client_for(tutor), "musicxml", named)
    assert response["Content-Type"] == "application/vnd.recordare.musicxml+xml"
    assert response["Content-Disposition"] == 'attachment; filename="morags-e.musicxml"'
    assert_valid(response.content.decode())
    back = from_musicxml(response.content)
    assert back.themes == parse_abc(named.abc).themes
    assert (back.title, back.tempo_bpm, back.instruction) == ("Mòrag’s E", 66.0, "Slow & even.")


def test_mei_holds_every_note(client_for: ClientFor, tutor: Any, named: Any) -> None:
    response = download(client_for(tutor), "mei", named)
    assert response["Content-Disposition"].endswith('.mei"')
    root = ET.fromstring(response.content)
    space = "{http://www.music-encoding.org/ns/mei}"
    score = parse_abc(named.abc)
    assert len(list(root.iter(f"{space}note"))) == sum(1 + len(theme.gracenotes) for theme in score.themes)
    assert next(root.iter(f"{space}title")).text == "Mòrag’s E"
    assert next(root.iter(f"{space}tempo")).get("mm") == "66"


def test_midi_has_the_tempo_and_the_beat_points_of_the_studio(
    client_for: ClientFor, tutor: Any, named: Any, studio: Any
) -> None:
    plain = download(client_for(tutor), "midi", named)
    assert plain["Content-Type"] == "audio/midi"
    file = mido.MidiFile(file=io.BytesIO(plain.content), charset="utf-8")
    messages = list(file.tracks[0])
    assert next(m for m in messages if m.type == "set_tempo").tempo == round(60e6 / 66)
    assert next(m for m in messages if m.type == "track_name").name == "Mòrag’s E"
    studio.beat_points = {"doubling": "opens", "gracenote": "opens"}
    studio.save()
    assert download(client_for(tutor), "midi", named).content != plain.content


@pytest.mark.parametrize(("query", "width"), [("", 595), ("?paper=letter", 612)])
def test_pdf_of_one_exercise(client_for: ClientFor, tutor: Any, named: Any, query: str, width: int) -> None:
    response = download(client_for(tutor), "pdf", named, query)
    assert response["Content-Disposition"] == 'inline; filename="morags-e.pdf"'
    page = pypdf.PdfReader(io.BytesIO(response.content)).pages[0]
    assert round(float(page.mediabox.width)) == width
    text = page.extract_text()
    assert "Mòrag’s E" in text
    assert "Slow & even." in text
    assert "66 beats a minute" in text


def test_another_paper_is_refused(client_for: ClientFor, tutor: Any, named: Any) -> None:
    response = client_for(tutor).get(reverse("exercises:pdf", args=[named.pk]) + "?paper=a3")
    assert response.status_code == 422
    assert response.content.decode() == "There is no paper called a3: choose a4 or letter."


@pytest.mark.parametrize("name", FORMATS)
def test_music_that_cannot_be_read_any_more_is_said_so(
    client_for: ClientFor, tutor: Any, exercise: Any, name: str
) -> None:
    Exercise.objects.filter(pk=exercise.pk).update(abc="X:1\nK:HP\nA ^c")
    response = client_for(tutor).get(reverse(f"exercises:{name}", args=[exercise.pk]))
    assert response.status_code == 422
    assert "line 3" in response.content.decode()


def test_the_page_of_an_exercise_offers_every_file(client_for: ClientFor, tutor: Any, exercise: Any) -> None:
    page = client_for(tutor).get(reverse("exercises:show", args=[exercise.pk])).content.decode()
    for name in (*FORMATS, "abc"):
        assert reverse(f"exercises:{name}", args=[exercise.pk]) in page
    assert reverse("exercises:sheets") in page
