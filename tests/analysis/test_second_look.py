"""Looking again where the score has a moment that was not heard: how likely it has to be, and that all else stays."""

from __future__ import annotations

import numpy as np
import pytest

from analysis import decoding, second_look
from analysis.chanter import Note
from analysis.echo import DRY
from analysis.notes import _without_slurs
from analysis.score import parse_abc
from analysis.second_look import Place
from tests.analysis.sequences import sounded

HOP_S = 0.002
COST = 6.0
SCORE = parse_abc("M:2/4\nL:1/4\nQ:1/4=60\nK:HP\nA {g}c | e {gdG}A |]")


def worth(log: np.ndarray, states: np.ndarray) -> float:
    """What a path is worth: its log likelihood less what its changes cost."""
    return float(log[np.arange(states.size), states].sum() - COST * np.count_nonzero(np.diff(states)))


def hidden(per_frame: float, *, first: int = 90, length: int = 20) -> tuple[np.ndarray, np.ndarray]:
    """The likeliest path (200,) from low A to C at frame 110 and log likelihoods (200, 10), in which high G from frame
    `first` on is less likely by `per_frame` for `length` frames, and hardly likely elsewhere."""
    states = np.where(np.arange(200) < 110, Note.LOW_A, Note.C).astype(np.int8)
    log = np.full((200, 10), -5.0, dtype=np.float32)
    log[np.arange(200), states] = 0.0
    log[first : first + length, Note.HIGH_G] = -per_frame
    return states, log


def looked(states: np.ndarray, log: np.ndarray, *wanted: Place) -> np.ndarray:
    return second_look.path(states, log, np.full(states.size, COST, dtype=np.float32), wanted, HOP_S)


def test_a_missing_gracenote_is_looked_for_between_its_neighbours() -> None:
    heard = sounded("A:960 c:1000 e:960 g:40 d:40 G:40 A:900")
    (place,) = second_look.places(SCORE, heard)
    assert (place.note, place.instead) == (Note.HIGH_G, False)
    assert place.from_s < heard[1].start_s < place.to_s
    assert heard[0].start_s < place.from_s
    assert place.to_s < heard[1].end_s


def test_another_note_in_the_place_of_a_gracenote_is_looked_at_as_a_whole() -> None:
    heard = sounded("A:960 a:40 c:960 e:960 g:40 d:40 G:40 A:900")
    (place,) = second_look.places(SCORE, heard)
    assert (place.note, place.instead) == (Note.HIGH_G, True)
    assert (place.from_s, place.to_s) == (heard[1].start_s, heard[1].end_s)


@pytest.mark.parametrize(
    "words",
    [
        pytest.param("A:960 g:40 c:960 e:960 g:40 d:40 G:40 A:900", id="all there"),
        pytest.param("A:960 g:40 c:960 e:1000 A:1000", id="a movement that was not tried"),
        pytest.param("A:960 -:400 c:1000 e:960 g:40 d:40 G:40 A:900", id="a stop"),
        pytest.param("A:960 g:40 f:960 e:960 g:40 d:40 G:40 A:900", id="another theme note"),
    ],
)
def test_nothing_is_looked_for_where(words: str) -> None:
    assert second_look.places(SCORE, sounded(words)) == []


def test_two_missing_ones_have_to_be_likelier_than_one() -> None:
    one = second_look.places(SCORE, sounded("A:960 g:40 c:960 e:960 g:40 G:40 A:900"))
    two = second_look.places(SCORE, sounded("A:960 g:40 c:960 e:960 g:40 A:900"))
    assert [place.note for place in one] == [Note.D]
    assert [place.note for place in two] == [Note.D, Note.LOW_G]
    assert two[0].at_most < one[0].at_most


def test_a_gracenote_all_but_as_likely_is_put_in_where_it_is() -> None:
    states, log = hidden(-0.1)
    result = looked(states, log, Place(Note.HIGH_G, 0.14, 0.26, False, 15.0))
    assert [(s.state, s.start) for s in decoding.segments(result)] == [
        (Note.LOW_A, 0),
        (Note.HIGH_G, 90),
        (Note.C, 110),
    ]
    assert worth(log, states) - 15.0 < worth(log, result)


def test_what_it_may_cost_is_the_whole_difference_between_the_paths() -> None:
    states, log = hidden(-0.1)
    likeliest = states.copy()
    likeliest[90:110] = Note.HIGH_G
    less = worth(log, states) - worth(log, likeliest)
    assert less > 0.0
    place = Place(Note.HIGH_G, 0.14, 0.26, False, less - 0.01)
    assert np.array_equal(looked(states, log, place), states)
    just_more = Place(Note.HIGH_G, 0.14, 0.26, False, less + 0.01)
    assert np.array_equal(looked(states, log, just_more), likeliest)


def test_a_gracenote_that_was_left_out_stays_out() -> None:
    states, log = hidden(3.0)
    assert np.array_equal(looked(states, log, Place(Note.HIGH_G, 0.14, 0.26, False, 15.0)), states)


def test_it_is_looked_for_nowhere_else() -> None:
    states, log = hidden(0.2, first=20)
    assert np.array_equal(looked(states, log, Place(Note.HIGH_G, 0.14, 0.26, False, 15.0)), states)


def test_no_gracenote_is_put_in_that_is_too_short_to_be_one() -> None:
    states, log = hidden(0.0, first=107, length=3)
    result = looked(states, log, Place(Note.HIGH_G, 0.14, 0.26, False, 15.0))
    assert all(s.stop - s.start >= 6 for s in decoding.segments(result))


@pytest.mark.parametrize(("less", "is_renamed"), [(0.5, True), (3.0, False)])
def test_a_misheard_gracenote_is_renamed_and_one_truly_played_is_not(less: float, is_renamed: bool) -> None:
    states, log = hidden(less)
    states[90:110] = Note.HIGH_A
    log[90:110, Note.HIGH_A] = 0.0
    result = looked(states, log, Place(Note.HIGH_G, 0.181, 0.219, True, 40.0))
    expected = np.where(states == Note.HIGH_A, Note.HIGH_G, states) if is_renamed else states
    assert np.array_equal(result, expected)


def test_a_short_sound_that_the_score_has_is_no_slur() -> None:
    notes = [*sounded("A:900"), *sounded("g:14", start_s=1.9, confidence=0.3), *sounded("c:900", start_s=1.914)]
    wanted = [Place(Note.HIGH_G, 1.8, 2.0, False, 15.0)]
    kept = _without_slurs(notes, DRY, lambda sound: second_look.is_wanted(wanted, sound))
    assert [note.note for note in kept] == [Note.LOW_A, Note.HIGH_G, Note.C]
    assert [note.note for note in _without_slurs(notes, DRY)] == [Note.LOW_A, Note.C]
