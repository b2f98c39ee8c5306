"""What is too short for how little sure it is, and how a note begins to speak after silence."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from analysis import echo, notes
from analysis.chanter import Note
from analysis.decoding import REST, Segment
from analysis.notes import Sounded, _without_slurs
from tests.analysis.sequences import letters, sounded

SPEAKS_MS = 14.0


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


def heard(
    *lengths: tuple[int, int, float], is_expected: Callable[[Sounded], bool] = lambda sound: False
) -> list[Sounded]:
    """What is heard in segments of (state, milliseconds, share of that note in all of its frames)."""
    found: list[Segment] = []
    rows = []
    for state, length_ms, share in lengths:
        start = found[-1].stop if found else 0
        found.append(Segment(start, start + length_ms // 2, state))
        rows.append(np.full((length_ms // 2, len(Note)), share, dtype=np.float32))
    times = [0.002 * segment.start for segment in found[1:]]
    return notes._sounded(found, times, np.concatenate(rows), 0.002 * found[-1].stop, is_expected)


SILENCE, E_HELD = (REST, 200, 0.0), (int(Note.E), 500, 1.0)


@pytest.mark.parametrize("length_ms", [4, 8, 12, 18, 24])
@pytest.mark.parametrize("share", [0.1, 0.85])
def test_after_silence_a_short_moment_is_how_the_next_note_begins_to_speak(length_ms: int, share: float) -> None:
    (found,) = heard(SILENCE, (Note.HIGH_A, length_ms, share), E_HELD, SILENCE)
    assert found.note == Note.E
    assert found.end_s == pytest.approx(0.7 + 0.001 * length_ms)
    assert 1000.0 * (0.2 - found.start_s) + length_ms == pytest.approx(min(length_ms, SPEAKS_MS))


def test_several_such_moments_are_one_beginning() -> None:
    (found,) = heard(SILENCE, (Note.HIGH_A, 6, 0.9), (Note.D, 4, 0.3), E_HELD, SILENCE)
    assert (found.note, found.start_s) == (Note.E, pytest.approx(0.2))
    found = heard(SILENCE, (Note.HIGH_A, 14, 0.6), (Note.D, 12, 0.6), E_HELD, SILENCE)
    assert letters(found) == "ade"  # together as long as gracenotes


@pytest.mark.parametrize(("length_ms", "share", "expected"), [(14, 0.95, "e"), (18, 0.95, "ge"), (24, 0.85, "e")])
def test_a_sure_gracenote_after_silence_stands(length_ms: int, share: float, expected: str) -> None:
    assert letters(heard(SILENCE, (Note.HIGH_G, length_ms, share), E_HELD, SILENCE)) == expected


def test_a_moment_that_was_expected_stands() -> None:
    moment = (Note.HIGH_G, 20, 0.6)
    assert letters(heard(SILENCE, moment, E_HELD, SILENCE)) == "e"
    assert letters(heard(SILENCE, moment, E_HELD, SILENCE, is_expected=lambda s: s.note == Note.HIGH_G)) == "ge"


@pytest.mark.parametrize(
    ("segments", "expected"),
    [
        ((SILENCE, (Note.HIGH_A, 10, 0.3), SILENCE, E_HELD, SILENCE), "e"),  # no note after it
        ((SILENCE, E_HELD, (Note.HIGH_A, 10, 0.3), SILENCE), "e"),
        ((SILENCE, (Note.HIGH_A, 4, 0.3), (Note.D, 28, 0.3), SILENCE), ""),  # what follows is too short
        ((SILENCE, (Note.HIGH_A, 28, 0.3), E_HELD, SILENCE), "e"),  # too long to be a beginning: a blip
        ((SILENCE, (Note.C, 400, 1.0), (REST, 2, 0.0), (Note.HIGH_G, 22, 0.95), E_HELD, SILENCE), "cge"),  # no silence
        ((SILENCE, (Note.C, 400, 1.0), (REST, 2, 0.0), (Note.HIGH_G, 14, 0.8), E_HELD, SILENCE), "cge"),
        ((SILENCE, (Note.C, 400, 1.0), (Note.B, 4, 0.9), (Note.HIGH_G, 22, 0.95), E_HELD, SILENCE), "cge"),
        (((Note.HIGH_G, 20, 0.95), E_HELD, SILENCE), "ge"),  # the take begins in sound
    ],
)
def test_elsewhere_nothing_is_taken_for_a_beginning(segments: tuple, expected: str) -> None:
    found = heard(*segments)
    assert letters(found) == expected
    starts = {0.002 * sum(ms // 2 for _, ms, _ in segments[:number]) for number in range(len(segments))}
    assert all(min(abs(sound.start_s - start) for start in starts) < 1e-9 for sound in found)
