"""The beat of free playing, followed from note to note."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from analysis import beat, following, readings
from analysis.beat import BeatLine
from analysis.chanter import Note
from analysis.following import ThemeNotes
from analysis.notes import Sounded
from analysis.readings import Heard

FOUR = np.array([0.0, 1.0, 2.0, 3.0])
LONG, CUT = 0.7, 0.2


def counted(bpm: float, *, beats: int = 45) -> BeatLine:
    """A count-in carried on at `bpm` from 0 s."""
    return BeatLine("count-in", 60.0 / bpm * np.arange(beats, dtype=np.float64))


def notes(moments_s: Sequence[float], *, cut: Sequence[float] = (), rested: Sequence[float] = ()) -> ThemeNotes:
    """Long notes at `moments_s` and cut ones, those at `rested` after a rest."""
    moments = np.array(sorted([*moments_s, *cut]))
    return ThemeNotes(moments, np.where(np.isin(moments, list(cut)), CUT, LONG), np.isin(moments, list(rested)))


def places(line: BeatLine, given: ThemeNotes) -> list[float]:
    """The numbers of the notes that fall on a beat."""
    return [anchor.place for anchor in following.follow(line, given)]


def moments(line: BeatLine, given: ThemeNotes) -> list[float]:
    """When they sound."""
    return [anchor.time_s for anchor in following.follow(line, given)]


def test_a_count_in_two_percent_slow_is_followed_all_the_way() -> None:
    assert places(counted(60), notes([4.0 + 0.98 * number for number in range(60)])) == list(range(4, 64))


def test_a_tempo_that_drifts_by_a_tenth_is_followed_all_the_way() -> None:
    lengths = np.linspace(1.0, 0.9, 80)
    assert places(counted(60), notes(4.0 + np.concatenate([[0.0], np.cumsum(lengths)]))) == list(range(4, 85))


def test_one_early_note_does_not_carry_the_beat_away() -> None:
    played = [4.0 + number for number in range(12)]
    played[3] -= 0.18
    assert places(counted(60), notes(played)) == list(range(4, 16))


@pytest.mark.parametrize("before", [0.25, 0.15])
def test_cut_notes_on_the_way_to_a_beat_are_none(before: float) -> None:
    on = [4.0 + number for number in range(8)]
    cut = [5.0 + number - before for number in range(7)]
    assert moments(counted(60), notes(on, cut=cut)) == on


def test_after_a_rest_the_beat_begins_where_the_notes_do() -> None:
    found = following.follow(counted(60), notes([4.0, 5.0, 6.0, 9.4, 10.4, 11.4], rested=[9.4]))
    assert [anchor.rested for anchor in found] == [False, False, False, True, False, False]
    assert np.diff([anchor.place for anchor in found[3:]]).tolist() == [1.0, 1.0]


@pytest.mark.parametrize("cuts", [1, 8])
def test_a_cut_note_after_a_rest_is_not_the_beat(cuts: int) -> None:
    before, on = [4.0, 5.0, 6.0], [10.0 + number for number in range(8)]
    cut = [9.72 + number for number in range(cuts)]
    assert moments(counted(60), notes(before + on, cut=cut, rested=[9.72])) == before + on


@pytest.mark.parametrize("by", [0.4, -0.4])
def test_who_waits_without_a_rest_is_found_again(by: float) -> None:
    played = [4.0 + number for number in range(20)] + [24.0 + by + number for number in range(30)]
    found = following.follow(counted(60), notes(played))
    assert [anchor.time_s for anchor in found] == played
    assert [number for number, anchor in enumerate(found) if anchor.rested] == [20]


def test_nothing_is_followed_where_nothing_is_on_the_beat() -> None:
    assert following.follow(counted(60), notes([4.5, 5.5])) == []
    assert following.follow(counted(60), notes([])) == []


def test_a_count_in_goes_on_at_the_tempo_that_the_notes_show() -> None:
    strokes = np.array([0.0, 0.9945, 2.004, 2.996])  # each a few milliseconds off 60
    line = following.at_tempo(counted(60.1), strokes, 60.0)
    assert line.source == "count-in"
    assert line.tempo_bpm == pytest.approx(60.0)
    assert line.at(20.0) == pytest.approx(20.0, abs=0.005)


def test_a_count_in_that_rules_out_the_tempo_of_the_notes_keeps_its_own() -> None:
    assert following.at_tempo(counted(60), FOUR, 58.5).tempo_bpm == pytest.approx(60.0)


def sounds(starts_s: Sequence[float], until_s: float, *, silent: Sequence[float] = ()) -> list[Sounded]:
    """Notes end to end, D and E in turn; those at `silent` end after 0.6 s."""
    ends = [
        start + 0.6 if start in silent else end for start, end in zip(starts_s, [*starts_s[1:], until_s], strict=True)
    ]
    alternating = [Note.D, Note.E]
    return [
        Sounded(start, end, alternating[number % 2], 0.9)
        for number, (start, end) in enumerate(zip(starts_s, ends, strict=True))
    ]


def line_of(played: list[Sounded], heard: Heard | None) -> BeatLine:
    """The beat that free playing is read by."""
    line = readings.unwritten(played, heard, tempo_bpm=None, beat_points={}).line
    assert line is not None
    return line


def off_s(line: BeatLine, times_s: Sequence[float]) -> float:
    """The farthest of `times_s` from a beat."""
    return max(abs(line.nearest(time)[0] - time) for time in times_s)


def test_free_playing_after_a_count_in_keeps_its_own_tempo() -> None:
    strokes = np.array([0.0, 1.005, 2.0, 3.01])
    played = [4.0 + number for number in range(36)]
    line = line_of(sounds(played, 40.0), Heard(counted(59.8), strokes, strokes))
    assert line.source == "count-in"
    assert off_s(line, played) < 0.02  # carried on as counted it would end 0.11 s off


def test_who_drags_behind_an_exact_count_in_is_told() -> None:
    played = [4.0 + 1.01 * number for number in range(20)]
    line = line_of(sounds(played, 24.0), Heard(counted(60), FOUR, FOUR))
    assert line.source == "count-in"
    assert played[-1] - line.nearest(played[-1])[0] == pytest.approx(0.19, abs=0.01)


@pytest.mark.parametrize("silence_s", [0.5, 1.4, 1.9, 2.5, 10.3, 20.3])
@pytest.mark.parametrize("counts", [True, False])
def test_a_stop_changes_neither_tempo_nor_beat(silence_s: float, counts: bool) -> None:
    first = [4.0 + number for number in range(30)]
    again = [33.6 + silence_s + number for number in range(30)]
    played = sounds(first + again, again[-1] + 1.0, silent=[33.0])
    line = line_of(played, Heard(counted(60, beats=100), FOUR, FOUR) if counts else None)
    assert line.source == ("count-in" if counts else "fitted")
    assert line.tempo_bpm == pytest.approx(60.0, abs=0.2)
    assert off_s(line, first[2:] + again[2:]) < 0.01


def test_who_waits_without_a_rest_and_stops_later_has_beats_throughout() -> None:
    first = [1.0 + number for number in range(20)]
    waited = [21.4 + number for number in range(25)]
    again = [48.2 + number for number in range(30)]
    line = line_of(sounds(first + waited + again, 79.0, silent=[45.4]), None)
    assert line.tempo_bpm == pytest.approx(60.0, abs=0.2)
    assert off_s(line, first + waited + again) < 0.01
    assert np.diff(line.beats_s).max() < 1.6


def test_a_count_in_that_nobody_plays_by_is_no_beat() -> None:
    played = [4.3 + 0.9 * number for number in range(36)]
    assert line_of(sounds(played, 37.0), Heard(counted(60), FOUR, FOUR)).source == "fitted"


def test_one_note_has_no_beat_of_its_own() -> None:
    assert readings.unwritten(sounds([1.0], 3.0), None, tempo_bpm=None, beat_points={}).line is None
    assert line_of(sounds([4.0], 5.0), Heard(counted(60), FOUR, FOUR)).source == "count-in"


@pytest.mark.parametrize("setting", ["closes", "opens"])
def test_the_short_note_of_a_tachum_is_no_beat(setting: str) -> None:
    played: list[Sounded] = []
    for start in np.arange(1.0, 20.0, 2.0):
        for length_ms, note in ((950, Note.E), (50, Note.HIGH_G), (240, Note.C), (45, Note.D), (715, Note.LOW_A)):
            begins = played[-1].end_s if played else float(start)
            played.append(Sounded(begins, begins + length_ms / 1000, note, 0.9))
    reading = readings.unwritten(played, None, tempo_bpm=None, beat_points={"tachum": setting})
    assert {entry.kind.kind for entry in reading.played} == {"tachum"}
    assert reading.line is not None
    assert reading.line.tempo_bpm == pytest.approx(60.0, rel=0.01)


def test_cut_notes_do_not_make_the_beat_though_they_are_as_even() -> None:
    random = np.random.default_rng(3)
    on = [1.0 + number + float(random.uniform(-0.04, 0.04)) for number in range(20)]
    given = notes(on, cut=[1.75 + number for number in range(20)])
    line = beat.free_beat(given.moments_s, given.lengths_s, playing_s=(1.0, 21.0))
    assert line is not None
    assert line.tempo_bpm == pytest.approx(60.0, rel=0.01)
    assert abs(line.nearest(10.0)[0] - 10.0) < 0.04
