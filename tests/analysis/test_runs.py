"""Runs: stops and steps back, and the beat that is laid on each of them anew."""

from __future__ import annotations

import numpy as np
import pytest

from analysis import readings, runs
from analysis.beat import BeatLine
from analysis.runs import Anchor


def anchors(places, start_s, *, beat_s=1.0, off_s=0.0, rested=False):
    first = places[0]
    return [
        Anchor(float(place), start_s + (place - first) * beat_s + off_s, rested and place == first) for place in places
    ]


def test_a_new_run_begins_after_a_stop_and_at_a_step_back():
    played = anchors(range(6), 1.0) + anchors(range(6, 10), 9.3, rested=True) + anchors(range(4), 13.3)
    found = runs.split(played)
    assert [len(run.anchors) for run in found] == [6, 4, 4]
    assert [run.rested for run in found] == [False, True, False]


def test_a_fitted_line_begins_anew_after_a_stop():
    found = runs.split(anchors(range(8), 1.0) + anchors(range(8, 16), 11.37, rested=True))
    line = runs.fitted(found, until_s=19.5, tempo_bpm=60)
    for run in found:
        off = [line.nearest(time)[0] - time for time in run.times_s]
        assert np.abs(off).max() < 0.005


def test_without_a_stop_a_step_back_keeps_to_the_beat():
    late = anchors(range(8), 9.0, off_s=0.2)  # played again without stopping, all of it late
    line = runs.fitted(runs.split(anchors(range(8), 1.0) + late), until_s=17.0, tempo_bpm=60)
    assert line.nearest(10.2)[0] == pytest.approx(10.0, abs=0.15)


def test_who_plays_it_again_starts_at_the_first_tempo_again():
    places = np.arange(16.0)
    slowing = places + 0.004 * places**2
    first = [Anchor(float(place), 1.0 + float(time), rested=False) for place, time in zip(places, slowing, strict=True)]
    again = [Anchor(anchor.place, anchor.time_s + 17.2, rested=False) for anchor in first]
    line = runs.fitted(runs.split(first + again), until_s=36.0, tempo_bpm=60)
    off = [line.nearest(anchor.time_s)[0] - anchor.time_s for anchor in (*first[1:], *again[1:])]
    assert np.abs(off).max() < 0.02


def test_faults_after_a_stop_still_show():
    after = anchors(range(8, 16), 11.37, rested=True)
    after[3] = Anchor(after[3].place, after[3].time_s + 0.15, rested=False)
    line = runs.fitted(runs.split(anchors(range(8), 1.0) + after), until_s=19.5, tempo_bpm=60)
    assert after[3].time_s - line.nearest(after[3].time_s)[0] == pytest.approx(0.15, abs=0.02)


def test_too_few_notes_make_no_line():
    assert runs.fitted(runs.split(anchors(range(2), 1.0)), until_s=3.0, tempo_bpm=60) is None


def test_a_second_count_in_counts_for_what_follows_it():
    line = BeatLine("count-in", np.arange(0.0, 30.0))
    counted = np.array([0.0, 1.0, 2.0, 3.0, 10.4, 11.4, 12.4, 13.4])
    late = anchors(range(8), 14.5, rested=True)  # a tenth of a second behind its own count-in
    carried = runs.carried_on(line, runs.split(anchors(range(3), 4.0) + late), counted)
    assert carried.nearest(4.0)[0] == pytest.approx(4.0, abs=0.01)
    assert carried.nearest(14.5)[0] == pytest.approx(14.4, abs=0.01)
    assert np.all(np.diff(carried.beats_s) > 0.5)


def test_without_a_second_count_in_the_notes_themselves_are_the_beat():
    line = BeatLine("count-in", np.arange(0.0, 30.0))
    carried = runs.carried_on(
        line, runs.split(anchors(range(3), 4.0) + anchors(range(3, 11), 10.37, rested=True)), np.arange(4.0)
    )
    assert carried.nearest(12.37)[0] == pytest.approx(12.37, abs=0.01)


def test_a_take_without_stops_keeps_its_line():
    line = BeatLine("count-in", np.arange(0.0, 12.0))
    assert runs.carried_on(line, runs.split(anchors(range(6), 4.0)), np.arange(4.0)) is line


def test_a_movement_just_before_a_step_back_is_on_its_own_runs_beat():
    found = runs.split(anchors(range(9), 1.0) + anchors(range(9), 10.0))
    line = BeatLine("tap", np.arange(0.0, 30.0))
    assert readings._on_line(line, found, 9.0, 9.95) == 10.0  # the second run is nearer, and would make it beat 19
    assert readings._on_line(line, found, 0.0, 10.05) == 10.0
    assert readings._on_line(line, found, 4.0, 5.4) == 5.0
