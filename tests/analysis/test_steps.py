"""Steps: where all of a sound changes at once."""

from __future__ import annotations

import numpy as np
import pytest

from analysis import decoding, spectra, steps, templates
from analysis.chanter import Note
from analysis.decoding import REST
from analysis.notes import _of_one_note

RATE_HZ = spectra.RATE_HZ
HOP = 8


def tone(hz: float, seconds: float) -> np.ndarray:
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return np.sum([np.sin(2 * np.pi * hz * k * time) / k for k in range(1, 9)], axis=0).astype(np.float32)


def heights(samples: np.ndarray) -> np.ndarray:
    sound = templates.listen(samples, window=steps.WINDOW, hop=HOP, size=512)
    return steps.heights(sound.levels(np.arange(sound.count)), sound.hop_s)


def in_room(samples: np.ndarray) -> np.ndarray:
    """In a room of 0.5 s, its reflections 3 dB below the direct sound (no early ones, whose steps would be true)."""
    random = np.random.default_rng(3)
    time = np.arange(round(0.5 * RATE_HZ)) / RATE_HZ
    response = random.normal(0, 1, time.size) * 10 ** (-3 * time / 0.5)
    response *= 10 ** (-3 / 20) / np.sqrt(np.sum(response**2))
    response[0] = 1.0
    return np.convolve(samples, response)[: samples.size].astype(np.float32)


@pytest.mark.parametrize("room", [False, True])
@pytest.mark.parametrize("after_hz", [330.0, 420.0, 470.0])
def test_a_change_of_note_is_the_highest_step(room: bool, after_hz: float):
    samples = np.concatenate([tone(235.0, 0.4), tone(after_hz, 0.4)])
    found = heights(in_room(samples) if room else samples)
    inside = slice(round(0.1 * RATE_HZ / HOP), -round(0.1 * RATE_HZ / HOP))
    place_s = (inside.start + int(found[inside].argmax())) * HOP / RATE_HZ
    assert abs(place_s - 0.4) < 0.002
    assert found[inside].max() > (0.4 if room else 0.6)


def test_a_step_counts_by_its_height_not_by_how_loud_the_sound_is():
    samples = np.concatenate([tone(235.0, 0.3), tone(330.0, 0.3)])
    loud, quiet = heights(samples), heights(0.1 * samples)
    assert np.allclose(loud, quiet, atol=2e-3)


def test_a_held_note_that_swells_and_wavers_has_no_step():
    time = np.arange(RATE_HZ) / RATE_HZ
    hz = 235.0 * 2.0 ** (0.3 / 12.0 * np.sin(2 * np.pi * 1.5 * time))
    phase = 2 * np.pi * np.cumsum(hz) / RATE_HZ
    samples = sum(np.sin(k * phase) / k for k in range(1, 9)) * (0.6 + 0.4 * np.sin(2 * np.pi * 0.8 * time))
    found = heights(samples.astype(np.float32))
    assert found[100:-100].max() < 0.1


def test_the_whole_sound_piece_by_piece_is_as_at_once():
    random = np.random.default_rng(1)
    samples = np.concatenate([tone(hz, 0.3) for hz in random.choice([235.0, 264.0, 330.0, 420.0], 40)])
    sound = templates.listen(samples, window=352, hop=32, size=512)
    pieces = steps.throughout(sound)
    assert pieces.size == sound.count > steps._CHUNK  # more than one piece, or the check could not fail
    short = templates.Listening(samples, steps.SEARCH_WINDOW, 32, steps.SEARCH_SIZE, sound.floor)
    levels = short.levels(np.arange(short.count))[:, :: steps._EVERY]
    at_once = steps.heights(levels, short.hop_s, steps.SEARCH_WINDOW)
    assert np.allclose(pieces, at_once, atol=1e-4)


def test_a_change_costs_less_the_higher_its_step_and_never_nothing():
    costs = steps.change_costs(np.array([0.0, 0.1, 0.3, 0.6, 3.0], dtype=np.float32))
    assert (np.diff(costs) <= 0.0).all()
    assert costs[0] > costs[2] > costs[3] > 0.0
    assert costs[4] > 0.0


def moment_in(around: int, moment: int, *, frames: int, steps_at: tuple[int, ...] = ()) -> list[tuple[int, int]]:
    """What is left (state, frames) of a `moment` in a held note, where there are steps at the frames named only."""
    path = np.repeat(np.array([around, moment, around], dtype=np.int8), [200, frames, 200])
    cost = np.full(path.size, 40.0, dtype=np.float32)
    cost[list(steps_at)] = 12.0
    return [(s.state, s.stop - s.start) for s in _of_one_note(decoding.segments(path), cost, 0.002)]


def test_what_comes_and_goes_without_a_step_is_no_other_note():
    assert moment_in(Note.LOW_A, Note.HIGH_A, frames=12) == [(Note.LOW_A, 412)]


@pytest.mark.parametrize("steps_at", [(200,), (206,), (212,), (200, 212)])
def test_a_step_at_either_edge_is_a_finger(steps_at: tuple[int, ...]):
    kept = moment_in(Note.LOW_A, Note.HIGH_A, frames=12, steps_at=steps_at)
    assert kept == [(Note.LOW_A, 200), (Note.HIGH_A, 12), (Note.LOW_A, 200)]


def test_what_is_held_long_and_silence_are_left_as_they_are():
    assert len(moment_in(Note.LOW_A, Note.HIGH_A, frames=80)) == 3
    assert len(moment_in(Note.LOW_A, REST, frames=12)) == 3
    assert len(moment_in(REST, Note.LOW_A, frames=12)) == 3
