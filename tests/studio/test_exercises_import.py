"""Bringing in music that was written with another program."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from analysis.musicxml import to_musicxml
from analysis.score import parse_abc
from studio.exercises.models import Exercise
from studio.people.models import User

ClientFor = Callable[[Any], Client]
PHRASE = "X:1\nT:Two bars\nM:4/4\nL:1/4\nQ:1/4=54\nK:HP\n{g}A {d}B {gcd}c {e}A | {gef}e2 {g}A2 |]\n"
#: As another program may write it: a full octave too high in none, with stems, beams and a slashed gracenote.
BY_HAND = """<?xml version="1.0"?>
<score-partwise version="3.1"><part-list><score-part id="P1"><part-name>Chanter</part-name></score-part></part-list>
<part id="P1"><measure number="1">
<attributes><divisions>2</divisions><key><fifths>2</fifths></key><time><beats>2</beats><beat-type>4</beat-type></time>
<clef><sign>G</sign><line>2</line></clef></attributes>
<note><pitch><step>A</step><octave>4</octave></pitch><duration>2</duration><type>quarter</type></note>
<note><grace slash="no"/><pitch><step>G</step><octave>5</octave></pitch><type>32nd</type></note>
<note><grace/><pitch><step>E</step><octave>5</octave></pitch><type>32nd</type></note>
<note><grace/><pitch><step>F</step><alter>1</alter><octave>5</octave></pitch><type>32nd</type></note>
<note><pitch><step>E</step><octave>5</octave></pitch><duration>2</duration><type>quarter</type></note>
</measure></part></score-partwise>
"""


@pytest.fixture
def client(client_for: ClientFor, tutor: User) -> Client:
    """The tutor's."""
    return client_for(tutor)


def bring_in(client: Client, name: str, data: bytes) -> Any:
    return client.post(reverse("exercises:import"), {"file": SimpleUploadedFile(name, data)})


def test_a_musicxml_file_becomes_a_phrase(client: Client) -> None:
    page = bring_in(client, "two-bars.musicxml", to_musicxml(parse_abc(PHRASE)).encode())
    assert "“two-bars.musicxml” is read." in page.content.decode()
    assert f'action="{reverse("exercises:new-phrase")}"' in page.content.decode()
    assert not Exercise.objects.exists()
    abc = page.context["form"]["abc"].value()
    client.post(reverse("exercises:new-phrase"), {"abc": abc, "tempo_bpm": "", "title": "", "instruction": ""})
    exercise = Exercise.objects.get()
    assert (exercise.title, exercise.tempo_bpm, exercise.family) == ("Two bars", 54, "phrase")
    assert parse_abc(exercise.abc).themes == parse_abc(PHRASE).themes
    assert "movement:doubling;" in exercise.found_by


def test_a_file_of_another_program_is_read_with_its_gracenotes(client: Client) -> None:
    abc = bring_in(client, "drill.xml", BY_HAND.encode()).context["form"]["abc"].value()
    assert abc.endswith("A {gef}e |]\n")
    assert "M:2/4\n" in abc


def test_a_compressed_file_is_read(client: Client) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("drill.musicxml", BY_HAND)
    assert "{gef}e" in bring_in(client, "drill.mxl", packed.getvalue()).context["form"]["abc"].value()


@pytest.mark.parametrize(
    "data",
    [b"\xef\xbb\xbf" + PHRASE.encode(), PHRASE.replace("\n", "\r\n").encode()],
    ids=["marked", "lines of Windows"],
)
def test_an_abc_file_is_taken_as_it_stands(client: Client, data: bytes) -> None:
    assert bring_in(client, "Tune.ABC", data).context["form"]["abc"].value() == PHRASE


def test_an_abc_file_with_a_slip_can_be_mended(client: Client) -> None:
    wrong = PHRASE.replace("{gcd}c", "^c").replace("Two", "Mac a’ B\xe9")
    page = bring_in(client, "tune.abc", wrong.encode())
    assert page.context["form"]["abc"].value() == wrong


@pytest.mark.parametrize(
    ("name", "data", "said"),
    [
        ("song.mp3", b"ID3\x03\x00\x00", "This is not a MusicXML file; expected one that ends in"),
        ("list.xml", b"<list><item/></list>", "This is not a MusicXML file; expected one that ends in"),
        ("cut.musicxml", BY_HAND[:700].encode(), "."),
        ("empty.musicxml", b"", "This file is empty."),
        ("big.musicxml", b" " * 4_000_001, "This file is larger than 4 MB."),
        ("low.musicxml", BY_HAND.replace("<octave>4<", "<octave>2<").encode(), "Bar 1: "),
        ("long.abc", (PHRASE + "A" * 5000).encode(), "This music is too long: it has 50"),
        (
            "bomb.musicxml",
            b'<!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><score-partwise>&b;</score-partwise>',
            ".",
        ),
    ],
    ids=["sound", "other xml", "cut off", "empty", "too big", "too low", "too long", "entities"],
)
def test_a_file_that_cannot_be_read_is_answered_in_words(client: Client, name: str, data: bytes, said: str) -> None:
    page = bring_in(client, name, data)
    assert page.status_code == 200
    (error,) = page.context["form"].errors["file"]
    assert said in error
    assert error[0].isupper()
    assert error.endswith(".")
    assert "aria-invalid" in page.content.decode()


def test_without_a_file_one_is_asked_for(client: Client) -> None:
    page = client.post(reverse("exercises:import"))
    assert "Choose a file first." in page.content.decode()
