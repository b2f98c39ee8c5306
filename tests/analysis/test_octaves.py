"""Octaves by the score, and what is too short for how little sure it is."""

from __future__ import annotations

import pytest

from analysis import echo, octaves
from analysis.chanter import Note
from analysis.notes import Sounded, _without_slurs
from analysis.score import parse_abc

ALL_HEARD = (True,) * len(Note)


def sounds(*entries: tuple[str, float]) -> list[Sounded]:
    """Sounds end to end from (ABC letter, milliseconds)."""
    result, time = [], 1.0
    for letter, length_ms in entries:
        result.append(Sounded(time, time + length_ms / 1000, Note.from_abc(letter), 0.9))
        time += length_ms / 1000
    return result


def letters(sounded: list[Sounded]) -> str:
    """Their notes as ABC letters."""
    return "".join("GABcdefga"[sound.note] for sound in sounded)


def test_a_stretch_an_octave_off_is_the_written_note_that_it_joins() -> None:
    score = parse_abc("M:2/4\nL:1/4\nQ:1/4=60\nK:HP\nA {g}e | A {g}e |]")
    heard = sounds(
        ("a", 300), ("A", 700), ("g", 40), ("e", 960), ("A", 500), ("a", 200), ("A", 260), ("g", 40), ("e", 960)
    )
    whole = octaves.by_score(heard, score, ALL_HEARD)
    assert letters(whole) == "AgeAge"
    assert whole[0].start_s == 1.0
    assert whole[0].length_ms == pytest.approx(1000)


def test_a_noise_of_an_octave_stays() -> None:
    score = parse_abc("M:2/4\nL:1/4\nQ:1/4=60\nK:HP\nA {g}e | A {g}e |]")
    heard = sounds(("a", 30), ("A", 970), ("g", 40), ("e", 960), ("A", 960), ("g", 40), ("e", 960))
    assert letters(octaves.by_score(heard, score, ALL_HEARD)) == "aAgeAge"


def test_moments_are_renamed_where_they_mostly_stand_for_the_octave() -> None:
    score = parse_abc("M:4/4\nL:1/4\nQ:1/4=60\nK:HP\nA {g}e B {g}e | c {g}e d {g}e |]")
    played = [entry for letter in "ABcd" for entry in ((letter, 960), ("G", 40), ("e", 960))]
    no_high_g = tuple(note != Note.HIGH_G for note in Note)
    assert letters(octaves.by_score(sounds(*played), score, no_high_g)) == "AgeBgecgedge"
    assert letters(octaves.by_score(sounds(*played), score, ALL_HEARD)) == "AGeBGecGedGe"


@pytest.mark.parametrize(
    ("confidence", "share", "expected"), [(0.5, 0.1, "Ae"), (0.7, 0.1, "ABe"), (0.7, 0.55, "Ae"), (0.9, 0.55, "ABe")]
)
def test_what_is_short_and_hardly_sure_goes_to_the_note_that_follows(
    confidence: float, share: float, expected: str
) -> None:
    first, second, third = sounds(("A", 500), ("B", 14), ("e", 500))
    noise = Sounded(second.start_s, second.end_s, second.note, confidence)
    found = _without_slurs([first, noise, third], echo.Room(share, 0.03))
    assert letters(found) == expected
    assert found[0] == first
    assert found[-1].start_s == (noise.start_s if expected == "Ae" else third.start_s)


def test_a_moment_within_a_note_goes_back_to_it() -> None:
    first, second, third = sounds(("A", 500), ("B", 14), ("A", 500))
    noise = Sounded(second.start_s, second.end_s, second.note, 0.7)
    (whole,) = _without_slurs([first, noise, third], echo.DRY)
    assert (whole.start_s, whole.end_s) == (first.start_s, third.end_s)
