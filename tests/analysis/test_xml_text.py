"""Titles of anybody's in XML documents."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.engraving import mei, svg
from analysis.musicxml import from_musicxml, to_musicxml
from analysis.score import parse_abc
from analysis.xml_text import xml_text

SCORE = parse_abc("X:1\nT:Two\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\nA {gef}e A {gef}e |]\n")


@given(st.text())
def test_whatever_is_typed_can_be_held(text: str) -> None:
    held = xml_text(text)
    assert held == " ".join(held.split())
    element = ET.Element("words")
    element.text = held
    assert (ET.fromstring(ET.tostring(element, encoding="unicode")).text or "") == held


@pytest.mark.parametrize(
    ("text", "held"),
    [("a\x01b", "a b"), ("a\ufffeb", "a b"), (" Mòrag’s\n\tbirl ", "Mòrag’s birl"), ("𝄞 & <tune>", "𝄞 & <tune>")],
)
def test_music_with_such_a_title_is_written_and_drawn(text: str, held: str) -> None:
    score = replace(SCORE, title=text, instruction=text)
    read = from_musicxml(to_musicxml(score).encode())
    assert (read.title, read.instruction) == (held, held)
    drawn = ET.fromstring(svg(score))
    assert drawn[0].text == f"{held}: 1 bar, 2 movements"
    titles = [element.text for element in ET.fromstring(mei(score).split("\n", 1)[1]).iter() if "title" in element.tag]
    assert held in titles


def test_theme_notes_say_when_they_come() -> None:
    score = parse_abc("X:1\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\nA | {gef}e>A (3ABc d2 |]\n")
    drawn = ET.fromstring(svg(score))
    onsets = [float(element.get("data-onset", "")) for element in drawn.iter() if element.get("data-onset")]
    assert onsets == pytest.approx([float(theme.onset) for theme in score.themes], abs=1e-4)
