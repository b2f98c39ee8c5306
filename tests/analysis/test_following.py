"""The beat of free playing, followed from note to note."""

from __future__ import annotations

import numpy as np
import pytest

from analysis import beat, following, readings
from analysis.beat import BeatLine
from analysis.chanter import Note
from analysis.notes import Sounded
from analysis.readings import Heard


def counted(bpm: float, *, beats: int = 30, start_s: float = 0.0) -> BeatLine:
    """A count-in carried on at `bpm`."""
    return BeatLine("count-in", start_s + 60.0 / bpm * np.arange(beats, dtype=np.float64))


def places(line: BeatLine, moments_s: list[float], rested: list[bool] | None = None) -> list[float]:
    """The numbers of the notes that fall on a beat."""
    return [anchor.place for anchor in following.follow(line, moments_s, rested or [False] * len(moments_s))]


def test_a_count_in_two_percent_slow_is_followed_all_the_way() -> None:
    moments = [4.0 + 0.98 * number for number in range(60)]
    assert places(counted(60), moments) == list(range(4, 64))


def test_one_early_note_does_not_carry_the_beat_away() -> None:
    moments = [4.0 + number for number in range(12)]
    moments[3] -= 0.18
    assert places(counted(60), moments) == list(range(4, 16))


def test_cut_notes_on_the_way_to_a_beat_are_none() -> None:
    moments = sorted([4.0 + number for number in range(8)] + [4.75 + number for number in range(8)])
    assert places(counted(60), moments) == list(range(4, 12))


def test_after_a_rest_the_beat_begins_where_the_notes_do() -> None:
    before, after = [4.0, 5.0, 6.0], [9.4, 10.4, 11.4]
    found = following.follow(counted(60), before + after, [False] * 3 + [True, False, False])
    assert [anchor.rested for anchor in found] == [False, False, False, True, False, False]
    assert np.diff([anchor.place for anchor in found[3:]]).tolist() == [1.0, 1.0]


def test_a_count_in_goes_on_at_the_tempo_that_the_notes_show() -> None:
    strokes = np.array([0.0, 0.9945, 2.004, 2.996])  # each a few milliseconds off 60
    line = following.at_tempo(counted(60.25), strokes, 60.0)
    assert line.source == "count-in"
    assert line.tempo_bpm == pytest.approx(60.0)
    assert line.at(20.0) == pytest.approx(20.0, abs=0.005)


def sounds(starts_s: list[float], until_s: float) -> list[Sounded]:
    """Notes end to end, D and E in turn."""
    ends = [*starts_s[1:], until_s]
    notes = [Note.D, Note.E]
    return [Sounded(a, b, notes[number % 2], 0.9) for number, (a, b) in enumerate(zip(starts_s, ends, strict=True))]


def test_free_playing_after_a_count_in_keeps_its_own_tempo() -> None:
    strokes = np.array([0.0, 1.005, 2.0, 3.01])  # three strokes and a half a percent slow
    slow = counted(59.8, beats=45)
    reading = readings.unwritten(
        sounds([4.0 + number for number in range(36)], 40.0),
        Heard(slow, strokes, strokes),
        tempo_bpm=None,
        beat_points={},
    )
    assert reading.line is not None
    assert reading.line.source == "count-in"
    assert abs(reading.line.nearest(38.0)[0] - 38.0) < 0.02  # carried on as counted it would be 0.11 s off


def test_a_count_in_that_nobody_plays_by_is_no_beat() -> None:
    strokes = np.array([0.0, 1.0, 2.0, 3.0])
    moments = [4.3 + 0.9 * number for number in range(36)]
    reading = readings.unwritten(
        sounds(moments, 37.0), Heard(counted(60, beats=45), strokes, strokes), tempo_bpm=None, beat_points={}
    )
    assert reading.line is not None
    assert reading.line.source == "fitted"


def test_cut_notes_do_not_make_the_beat_though_they_are_as_even() -> None:
    # Long notes that lie unevenly on the beat, and cut ones in exact time a third before every second beat.
    random = np.random.default_rng(3)
    on = [1.0 + number + float(random.uniform(-0.04, 0.04)) for number in range(20)]
    cut = [1.67 + 2 * number for number in range(9)]
    moments = sorted(on + cut)
    lengths = [0.22 if moment in cut else 0.7 for moment in moments]
    line = beat.free_beat(moments, lengths, playing_s=(1.0, 21.0))
    assert line is not None
    assert line.tempo_bpm == pytest.approx(60.0, rel=0.01)
    assert abs(line.nearest(10.0)[0] - 10.0) < 0.03
