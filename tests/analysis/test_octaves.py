"""Octaves by the score."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis import decoding, octaves, tuning
from analysis.chanter import Note
from analysis.notes import Sounded
from analysis.score import parse_abc
from tests.analysis.sequences import letters

ALL_HEARD = (True,) * len(Note)


def sounds(*entries: tuple[str, float]) -> list[Sounded]:
    """Sounds end to end from (ABC letter, milliseconds)."""
    result, time = [], 1.0
    for letter, length_ms in entries:
        result.append(Sounded(time, time + length_ms / 1000, Note.from_abc(letter), 0.9))
        time += length_ms / 1000
    return result


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


def test_the_moments_of_a_note_never_held_are_all_where_it_stands() -> None:
    score = parse_abc("M:4/4\nL:1/4\nQ:1/4=60\nK:HP\nA {g}e B {g}e | c {g}e d {g}e |]")
    played = [
        entry
        for letter, sound in zip("ABcd", "GGGg", strict=True)
        for entry in ((letter, 960), (sound, 40), ("e", 960))
    ]
    no_high_g = tuple(note != Note.HIGH_G for note in Note)
    assert letters(octaves.moments(sounds(*played), score, no_high_g)) == "gggg"
    assert octaves.moments(sounds(*played), score, ALL_HEARD) == []
    rightly = [(letter if letter != "G" else "g", length) for letter, length in played]
    assert octaves.moments(sounds(*rightly), score, no_high_g) == []


@pytest.mark.parametrize(
    ("letter", "length_ms", "confidence", "expected"),
    [("a", 900, 0.6, "A"), ("a", 900, 0.7, "a"), ("a", 100, 0.6, "a"), ("e", 900, 0.6, "e"), ("f", 900, 0.6, "f")],
)
def test_a_held_high_note_that_is_hardly_sure_is_the_low_one_that_is_written(
    letter: str, length_ms: float, confidence: float, expected: str
) -> None:
    score = parse_abc("M:2/4\nL:1/4\nQ:1/4=60\nK:HP\nA {g}e | A {g}e |]")
    doubtful = replace(sounds((letter, length_ms))[0], confidence=confidence)
    after = [
        replace(sound, start_s=sound.start_s + length_ms / 1000, end_s=sound.end_s + length_ms / 1000)
        for sound in sounds(("g", 40), ("e", 960), ("A", 960), ("g", 40), ("e", 960))
    ]
    assert letters(octaves.by_score([doubtful, *after], score, ALL_HEARD)) == expected + "geAge"


def test_a_low_note_where_a_high_one_is_written_is_what_was_played() -> None:
    score = parse_abc("M:2/4\nL:1/4\nQ:1/4=60\nK:HP\na {g}e | A {g}e |]")
    heard = sounds(("A", 960), ("g", 40), ("e", 960), ("A", 960), ("g", 40), ("e", 960))
    heard[0] = replace(heard[0], confidence=0.5)
    assert letters(octaves.by_score(heard, score, ALL_HEARD)) == "AgeAge"


def test_a_note_is_known_only_where_it_was_held() -> None:
    labels = np.array([0] * 12 + [-1] + [7] * 3 + [-1] + [1] * 12 + [-1] + [7] * 4, dtype=np.int8)
    hz = tuple(400.0 for _ in Note)
    fit = tuning.Fit("practice chanter", 440.0, hz, ALL_HEARD, labels, np.zeros(labels.size), None)
    assert [note for note in Note if octaves.known(fit)[note]] == [Note.LOW_G, Note.LOW_A]


def test_a_gracenote_an_octave_up_is_heard_within_the_note_that_is_held_around_it() -> None:
    hop_s, held = 0.002, np.full(500, Note.LOW_A, dtype=np.int8)
    own = np.zeros((500, len(Note)), dtype=np.float32)
    own[:, Note.LOW_A] = 1.0
    own[200:222] = 0.0
    own[200:222, Note.HIGH_A] = 0.9
    no_high_a = tuple(note != Note.HIGH_A for note in Note)
    settled = decoding.in_octave(own, held, no_high_a, hop_s)
    assert settled[205:218, Note.HIGH_A].min() > 0.8
    # So it is while the held note rings on; where there is nearly as much of this, it is this.
    for ringing, is_other in ((0.4, True), (0.6, False)):
        own[200:222, Note.LOW_A] = ringing
        settled = decoding.in_octave(own, held, no_high_a, hop_s)
        assert bool(settled[205:218, Note.HIGH_A].max() > 0.0) is is_other
    own[200:222, Note.LOW_A] = 0.0
    # Half a second of it is the held note without its odd harmonics.
    own[200:450] = own[205]
    assert decoding.in_octave(own, held, no_high_a, hop_s)[:, Note.HIGH_A].max() == 0.0
