"""Low A and E over drones that are as loud as the chanter."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from analysis import api, over_drones, spectra, tuning
from analysis.chanter import Note
from analysis.spectra import Floats
from tests.benchmarks import made_takes

PIPES = made_takes.Made(
    tone=made_takes.OTHER, instrument="pipes", low_a_hz=470.0, beat="none", rt60_s=0.2, tempo_bpm=72.0
)


@cache
def take(drill: str, seed: int) -> tuple[Floats, np.ndarray, dict[Note, float]]:
    """A take at the listening rate, the note held in the middle of each long frame (-1: none), and what is written."""
    made = replace(PIPES, drill=drill, seed=seed)
    score = made_takes.written(made)
    performance = made_takes.played(made, score)
    samples = spectra.at_listening_rate(made_takes.sounded(made, performance), made_takes.RATE_HZ)
    times = np.arange(spectra.frame_count(samples, tuning.HOP)) * tuning.HOP_S
    held = np.full(times.size, -1)
    for note in performance.notes:
        held[(times > note.start_s + 0.07) & (times < note.end_s - 0.07)] = note.note
    return samples, held, api._written_shares(score)


def found(note: Note, drill: str, seed: int) -> float:
    """The share of held frames of `note` that the fit finds."""
    samples, held, written = take(drill, seed)
    fit = tuning.fit(samples, expected=written)
    assert fit is not None
    assert fit.drone_hz is not None
    return float(np.mean(fit.labels[held == note] == note))


LOUD = [
    (Note.LOW_A, "doubling:A", 1, 0.1),  # taken for high A
    (Note.LOW_A, "doubling:A", 2, 0.6),
    (Note.LOW_A, "gracenote:e", 3, 0.8),
    (Note.E, "doubling:A", 3, 0.7),
]


@pytest.mark.parametrize(("note", "drill", "seed", "without"), LOUD)
def test_what_the_drones_hide_is_found(note, drill, seed, without, monkeypatch):
    assert found(note, drill, seed) >= 0.93
    monkeypatch.setattr(over_drones, "settle", lambda labels, *others: labels)
    assert found(note, drill, seed) <= without


def test_high_a_stays_high_a():
    for seed in (1, 2):
        assert found(Note.HIGH_A, "doubling:A", seed) >= 0.95


# Which of the two it is

HIGH, LOW = int(Note.HIGH_A), int(Note.LOW_A)


def shapes(*kinds: tuple[int, int]) -> np.ndarray:
    """Spectra of length 1: so many frames (count) of each of two kinds (kind 0 or 1), with a little noise."""
    random = np.random.default_rng(1)
    two = np.abs(random.normal(0, 1, (2, 40)))
    rows = np.concatenate([np.tile(two[kind], (count, 1)) for kind, count in kinds])
    rows = np.abs(rows + random.normal(0, 0.02, rows.shape))
    return (rows / np.linalg.norm(rows, axis=1, keepdims=True)).astype(np.float16)


def told(labels, odd, shape, expected=None) -> list[int]:
    return over_drones._low_a_or_high_a(
        np.array(labels, dtype=np.int8), np.array(odd, dtype=np.float32), shape, expected
    ).tolist()


def test_of_two_kinds_the_one_with_odd_harmonics_is_low_a():
    odd = [0.1] * 10 + [0.8] * 10
    assert told([HIGH] * 20, odd, shapes((0, 10), (1, 10))) == [HIGH] * 10 + [LOW] * 10


def test_one_kind_stays_what_it_is_without_odd_harmonics():
    assert told([HIGH] * 20, [0.2] * 20, shapes((0, 20))) == [HIGH] * 20


def test_one_kind_with_plain_odd_harmonics_is_low_a():
    assert told([HIGH] * 20, [1.0] * 20, shapes((0, 20))) == [LOW] * 20


def test_where_low_a_is_known_and_far_stronger_high_a_is_high_a():
    labels = [HIGH] * 20 + [LOW] * 10
    assert told(labels, [0.9] * 20 + [2.0] * 10, shapes((0, 20), (1, 10))) == labels


@pytest.mark.parametrize(("written", "expected"), [(0.9, LOW), (0.1, HIGH)])
def test_where_it_is_open_the_score_tells(written, expected):
    shares = {Note.LOW_A: written, Note.HIGH_A: 1.0 - written}
    assert told([HIGH] * 20, [0.6] * 20, shapes((0, 20)), shares) == [expected] * 20


def test_where_no_other_note_shows_what_the_drones_leave_nothing_is_found():
    labels = np.full(50, LOW, dtype=np.int8)
    pipes = over_drones.Pipes(
        tuple(np.linspace(420.0, 940.0, 9)), 118.0, lambda frames: np.ones((frames.size, 1460), np.float32), 4.0
    )
    assert over_drones.settle(labels, np.ones(50, dtype=bool), pipes, None).tolist() == labels.tolist()
    nothing = np.full(50, -1, dtype=np.int8)
    assert over_drones.settle(nothing, np.zeros(50, dtype=bool), pipes, None).tolist() == nothing.tolist()
