"""ABC as others read it: music21 finds every note and gracenote with its written length in what we write."""

from __future__ import annotations

import re
from fractions import Fraction

import music21
import pytest

from analysis.chanter import Note
from analysis.families import from_short_notes
from analysis.score import Score, ScoreError, parse_abc, to_abc
from tests.analysis.every_drill import every_drill

#: The nine notes on the staff, low G to high A.
PLACES = ("G4", "A4", "B4", "C5", "D5", "E5", "F5", "G5", "A5")
Read = list[tuple[str, Fraction | None]]


def by_music21(text: str) -> Read:
    """Every note with its length in quarter notes; a gracenote has none."""
    found: Read = []
    for symbol in music21.converter.parseData(text, format="abc").recurse().notes:
        length = None if symbol.duration.isGrace else Fraction(symbol.quarterLength).limit_denominator(96)
        found.append((f"{symbol.pitch.step}{symbol.pitch.octave}", length))
    return found


def written(score: Score) -> Read:
    found: Read = []
    for theme in score.themes:
        found += [(PLACES[note], None) for note in theme.gracenotes]
        found.append((PLACES[theme.note], theme.duration * score.beat_unit * 4))
    return found


def test_music21_reads_every_fourth_drill_as_we_wrote_it() -> None:
    for name, score in list(every_drill().items())[::4]:
        text = to_abc(score)
        if not re.search(r"\(3\S* \S+ \{", text):  # music21 counts gracenotes among the notes of a triplet
            assert by_music21(text) == written(score), name


def test_gracenotes_of_a_triplet_stand_before_its_sign() -> None:
    score = from_short_notes("doubling", Note.E, [Note.B, Note.D], cut_share=Fraction(1, 3), tempo_bpm=60)
    text = to_abc(score)
    assert text.splitlines()[-1] == "(3:2:2 e B/ {gef}e {g}(3:2:2 e d/ {gef}e |]"
    assert parse_abc(text) == score
    assert by_music21(text) == written(score)


def test_triplets_are_written_by_the_standard() -> None:
    score = parse_abc("M:6/8\nL:1/8\nK:HP\n(3ABc (3:2:2dA/ z/ (3::4 A/B/cd|]")
    assert to_abc(score).splitlines()[-1] == "(3 A B c (3:2:2 d A/ z/ (3:2:4 A/ B/ c d |]"
    assert parse_abc(to_abc(score)) == score
    assert by_music21(to_abc(score)) == written(score)


@pytest.mark.parametrize("figure", ["(3:2:0ABc", "(3:3ABc", "(2AB", "(3:2:3:1ABc", "(3:2:100ABc"])
def test_other_tuplets_are_refused(figure: str) -> None:
    with pytest.raises(ScoreError, match="only triplets are read"):
        parse_abc(f"M:4/4\nL:1/4\nK:HP\n{figure}|")
