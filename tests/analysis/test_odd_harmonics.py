"""The odd harmonics tell low G from high G, whatever the blowing does to the others."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from analysis import odd_harmonics
from analysis.api import analyse
from analysis.chanter import Note
from analysis.odd_harmonics import IS_LOWER, IS_OPEN, IS_UPPER
from analysis.score import parse_abc
from tests.benchmarks import made_takes
from tests.benchmarks.scoring import load_truth, score

HZ = np.arange(150.0, 6200.0, 31.25)
LOW_G_HZ = 440.0
GROUND = np.full(HZ.size, 0.01, dtype=np.float32)
LEVEL = 30.0


def _lines(hz: float, strengths: list[float]) -> np.ndarray:
    """A spectrum (bins,) with lines 100 Hz wide at the harmonics of `hz`."""
    away = np.abs(HZ[:, None] - hz * np.arange(1, len(strengths) + 1)[None, :])
    return ((away < 50.0) @ np.array(strengths)).astype(np.float32)


def _low_g(random: np.random.Generator, count: int) -> np.ndarray:
    strengths = random.uniform(0.7, 1.3, (count, 10)) * np.linspace(1.0, 0.4, 10)
    return np.array([_lines(LOW_G_HZ, list(row)) for row in strengths])


@pytest.fixture
def octave() -> odd_harmonics.OddHarmonics:
    levels = _low_g(np.random.default_rng(1), 200)
    learned = odd_harmonics.learn(Note.LOW_G, levels, HZ, LOW_G_HZ, GROUND, float(np.median(levels.sum(axis=1))))
    assert learned is not None
    return learned


def test_one_note_of_the_octave_is_told_from_the_other(octave: odd_harmonics.OddHarmonics) -> None:
    low = _low_g(np.random.default_rng(2), 50)
    # Blown harder, with its even harmonics so strong that as a whole it looks like high G.
    low += 0.6 * _lines(2 * LOW_G_HZ, [1.0, 0.5, 0.5])
    high = np.array([_lines(2 * LOW_G_HZ, [1.0, 0.8, 0.6, 0.4, 0.3])] * 50)
    ones = np.ones(50, dtype=np.float32)
    told_low = odd_harmonics.tell(low.astype(np.float32), ones, octave)
    assert (told_low != IS_UPPER).all()
    assert (odd_harmonics.tell(_low_g(np.random.default_rng(4), 50), ones, octave) == IS_LOWER).mean() > 0.9
    assert (odd_harmonics.tell(high, ones, octave) == IS_UPPER).all()


def test_what_another_note_leaves_is_not_taken_for_the_lower_one(octave: odd_harmonics.OddHarmonics) -> None:
    high = _lines(2 * LOW_G_HZ, [0.4, 0.3, 0.2])
    left_of_e = _lines(LOW_G_HZ * 5 / 3, [0.0, 0.0, 2.0])  # its third harmonic is the fifth of low G
    told = odd_harmonics.tell((high + left_of_e)[None, :], np.ones(1, dtype=np.float32), octave)
    assert told.tolist() == [IS_UPPER]


def test_nothing_is_learned_from_a_sound_without_odd_harmonics() -> None:
    high = np.array([_lines(2 * LOW_G_HZ, [1.0, 0.8, 0.6])] * 100)
    assert odd_harmonics.learn(Note.LOW_G, high, HZ, LOW_G_HZ, GROUND, LEVEL) is None


def test_nothing_is_learned_from_harmonics_that_come_and_go() -> None:
    levels = _low_g(np.random.default_rng(5), 200)
    levels[::6] = _lines(2 * LOW_G_HZ, [1.0, 0.8, 0.6])  # a reed that loses its odd harmonics now and then
    assert odd_harmonics.learn(Note.LOW_G, levels, HZ, LOW_G_HZ, GROUND, LEVEL) is None


def test_nothing_is_learned_from_two_odd_harmonics() -> None:
    strengths = [1.0, 1.0, 0.8, 0.8, 0.0, 0.6, 0.0, 0.5]
    levels = np.array([_lines(LOW_G_HZ, strengths)] * 100)
    assert odd_harmonics.learn(Note.LOW_G, levels, HZ, LOW_G_HZ, GROUND, LEVEL) is None
    strengths[4] = 0.6
    assert odd_harmonics.learn(Note.LOW_G, np.array([_lines(LOW_G_HZ, strengths)] * 100), HZ, LOW_G_HZ, GROUND, LEVEL)


def test_only_what_is_mostly_one_of_the_two_notes_is_looked_at(octave: odd_harmonics.OddHarmonics) -> None:
    own = np.zeros((3, 9), dtype=np.float32)
    own[0, [Note.LOW_G, Note.HIGH_G]] = 0.4
    own[1, [Note.LOW_G, Note.E]] = 0.5
    own[2, Note.LOW_G] = 0.1
    assert odd_harmonics.candidates(own, octave).tolist() == [0]


def test_the_lower_note_is_settled_only_well_inside_it() -> None:
    own = np.tile(np.array([0.3, 0, 0, 0, 0, 0, 0, 0.6, 0], dtype=np.float32), (100, 1))
    told = np.full((100, 2), IS_OPEN, dtype=np.int8)
    told[20:80, 0] = IS_LOWER
    told[90:, 0] = IS_UPPER
    settled = odd_harmonics.settle(own, told, hop_s=0.002)
    low, high = settled[:, Note.LOW_G], settled[:, Note.HIGH_G]
    assert np.allclose(low + high, 0.9)
    assert np.flatnonzero(high == 0.0).tolist() == list(range(30, 70))
    assert np.flatnonzero(low == 0.0).tolist() == list(range(90, 100))
    assert np.allclose(own[:, Note.LOW_G], 0.3)  # what was given is left as it was


def test_a_low_g_that_wobbles_over_drones_is_no_high_g(tmp_path: Path) -> None:
    """Blown sharp, low G over drones looks more like high G than like its own mean."""
    made_takes.write(made_takes.wide(14002), tmp_path, "take")
    truth = load_truth(tmp_path / "take.json")
    report = analyse(tmp_path / truth["audio"], parse_abc((tmp_path / "take.abc").read_text()))
    assert score(dict(report), truth).f1[0] >= 0.85  # 0.67 without
