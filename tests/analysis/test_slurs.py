"""What is too short for how little sure it is, and how a note begins to speak after silence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis import echo, notes
from analysis.chanter import Note
from analysis.decoding import REST, Segment
from analysis.notes import Sounded, _without_slurs
from tests.analysis.sequences import sounded

SPEAKS_MS = 14.0


def letters(found: list[Sounded]) -> str:
    """Their notes as ABC letters."""
    return "".join("GABcdefga"[sound.note] for sound in found)


@pytest.mark.parametrize(
    ("confidence", "share", "expected"), [(0.5, 0.1, "Ae"), (0.7, 0.1, "ABe"), (0.7, 0.55, "Ae"), (0.9, 0.55, "ABe")]
)
def test_what_is_short_and_hardly_sure_goes_to_the_note_that_follows(
    confidence: float, share: float, expected: str
) -> None:
    first, second, third = sounded("A:500 B:14 e:500")
    noise = replace(second, confidence=confidence)
    found = _without_slurs([first, noise, third], echo.Room(share, 0.03))
    assert letters(found) == expected
    assert found[0] == first
    assert found[-1].start_s == (noise.start_s if expected == "Ae" else third.start_s)


def test_a_moment_within_a_note_goes_back_to_it() -> None:
    first, second, third = sounded("A:500 B:14 A:500")
    (whole,) = _without_slurs([first, replace(second, confidence=0.7), third], echo.DRY)
    assert (whole.start_s, whole.end_s) == (first.start_s, third.end_s)


@pytest.mark.parametrize("length_ms", [3.0, 8.0, 12.0, 18.0, 24.0])
@pytest.mark.parametrize("confidence", [0.3, 0.99])
def test_after_silence_a_short_moment_is_how_the_next_note_begins_to_speak(length_ms: float, confidence: float) -> None:
    moment, note = sounded(f"a:{length_ms} e:500")
    (found,) = _without_slurs([replace(moment, confidence=confidence), note], echo.DRY)
    assert found.note == Note.E
    assert found.end_s == note.end_s
    assert 1000.0 * (note.start_s - found.start_s) == pytest.approx(min(length_ms, SPEAKS_MS))


def test_a_gracenote_after_silence_stands_and_so_does_a_shorter_one_that_was_expected() -> None:
    assert letters(_without_slurs(sounded("g:30 e:500"), echo.DRY)) == "ge"
    assert letters(_without_slurs(sounded("g:20 e:500"), echo.DRY)) == "e"
    assert letters(_without_slurs(sounded("g:20 e:500"), echo.DRY, lambda sound: sound.note == Note.HIGH_G)) == "ge"


def test_a_second_beginning_in_a_take_is_taken_as_the_first_is() -> None:
    found = _without_slurs(sounded("A:500 -:300 a:10 e:500"), echo.DRY)
    assert letters(found) == "Ae"
    assert found[1].start_s == pytest.approx(1.8)


def heard(*lengths: tuple[int, int], share: float = 0.3) -> list[Sounded]:
    """What is heard in segments of (state, frames of 2 ms), each with so little of its note."""
    found, start = [], 0
    for state, frames in lengths:
        found.append(Segment(start, start + frames, state))
        start += frames
    times = [0.002 * segment.start for segment in found[1:]]
    return notes._sounded(found, times, np.full((start, len(Note)), share, dtype=np.float32), 0.002 * start)


def test_what_is_hardly_sure_counts_as_a_beginning_only_between_silence_and_a_note() -> None:
    high_a, low_g = int(Note.HIGH_A), int(Note.LOW_G)
    for frames in (2, 10):
        assert letters(heard((REST, 50), (high_a, frames), (low_g, 200), (REST, 50))) == "aG"
        assert letters(heard((REST, 50), (high_a, frames), (REST, 50), (low_g, 200))) == "G"
        assert letters(heard((REST, 50), (low_g, 200), (high_a, frames), (REST, 50))) == "G"
    assert letters(heard((REST, 50), (Note.C, 200), (high_a, 2), (low_g, 200), (REST, 50))) == "cG"
    # What follows is too short to be the note that begins.
    assert letters(heard((REST, 50), (high_a, 2), (low_g, 10), (REST, 50))) == ""
    # Too long to be a beginning: a blip by how little sure it is.
    assert letters(heard((REST, 50), (high_a, 14), (low_g, 200), (REST, 50))) == "G"
