"""Free playing: sounds divided into theme notes and movements, without a score; and octaves told with one."""

from __future__ import annotations

import pytest

from analysis import free, octaves
from analysis.chanter import Note
from analysis.score import parse_abc
from tests.analysis.sequences import sounded


def heard(words: str) -> list[tuple[str, str, str, str | None]]:
    movements, _ = free.recognise(sounded(words))
    return [(m.kind.kind, m.kind.form, m.on.abc, m.approach.abc if m.approach is not None else None) for m in movements]


@pytest.mark.parametrize(
    ("words", "movement"),
    [
        ("A:900 g:45 e:800", ("gracenote", "", "e", "A")),
        ("A:900 g:140 e:800", ("gracenote", "", "e", "A")),  # heavy, and still one
        ("A:900 g:45 e:70 f:40 e:800", ("doubling", "full", "e", "A")),
        ("A:900 g:45 f:40 e:800", ("doubling", "full", "e", "A")),  # run together
        ("A:900 B:20 g:45 e:70 f:40 e:800", ("doubling", "full", "e", "A")),
        ("g:900 a:45 e:70 f:40 e:800", ("doubling", "thumb", "e", "g")),
        ("a:900 e:70 f:40 e:800", ("doubling", "half", "e", "a")),
        ("e:900 G:45 d:45 c:45 d:800", ("throw on D", "light", "d", "e")),
        ("e:900 G:45 d:45 G:45 e:45 A:800", ("taorluath", "", "A", "e")),
        ("e:900 A:45 G:45 A:45 G:45 A:800", ("birl", "", "A", "e")),
        ("e:900 g:45 c:180 d:45 A:800", ("tachum", "", "A", "e")),
        ("e:900 g:45 c:250 d:45 A:800", ("tachum", "", "A", "e")),
        ("B:900 G:45 d:45 G:45 e:45 A:45 f:45 A:45 e:800", ("crunluath", "", "e", "B")),
    ],
)
def test_what_sounds_is_named(words, movement):
    assert heard(words) == [movement]


def test_a_short_note_before_a_movement_is_a_theme_note():
    assert heard("e:700 A:100 g:45 e:800") == [("gracenote", "", "e", "A")]


def test_what_spells_nothing_is_unknown_with_its_notes():
    movements, _ = free.recognise(sounded("A:900 B:50 f:50 c:50 e:800"))
    assert [m.kind.kind for m in movements] == ["unknown"]
    assert [note.abc for note in movements[0].written] == ["B", "f", "c"]


def test_a_lone_blip_is_no_movement():
    assert heard("A:900 c:20 e:800") == []


def test_after_a_rest_nothing_is_approached_from():
    assert heard("A:900 -:400 g:45 e:800") == [("gracenote", "", "e", None)]


def test_moments_an_octave_out_are_what_is_written():
    notes = sounded("B:900 a:45 e:800 B:900 a:45 e:800 B:900 a:45 e:800")
    written = parse_abc("X:1\nM:4/4\nL:1/4\nK:HP\nB {A}e B {A}e B {A}e |")
    never_held = [note not in (Note.HIGH_A, Note.LOW_A) for note in Note]
    named = octaves.by_score(notes, written, never_held)
    assert [sound.note.abc for sound in named if sound.length_ms < 60] == ["A", "A", "A"]


def test_notes_that_were_held_keep_their_octave():
    notes = sounded("B:900 a:45 e:800 B:900 a:45 e:800 B:900 a:45 e:800")
    written = parse_abc("X:1\nM:4/4\nL:1/4\nK:HP\nB {A}e B {A}e B {A}e |")
    assert octaves.by_score(notes, written, [True] * 9) == notes
