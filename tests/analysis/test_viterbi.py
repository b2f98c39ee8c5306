"""The likeliest path against the plain recursion, and at one cost everywhere against librosa's Viterbi decoder.

After L. Rabiner, "A tutorial on hidden Markov models and selected applications in speech recognition", Proceedings of
the IEEE 77, 1989.
"""

from __future__ import annotations

import numpy as np
import pytest
from librosa.sequence import viterbi

from analysis.viterbi import path

CHANGE_COST = 6.0


def likelihoods(seed: int) -> np.ndarray:
    """Log likelihoods (frames, 10) of states that are held for a while, some plain and some hardly to be told."""
    random = np.random.default_rng(seed)
    count = int(random.integers(1, 700))
    held = np.repeat(random.integers(0, 10, count), random.integers(1, 80, count))[:count]
    log = -random.random((count, 10)) * random.choice([1.0, 3.0, 8.0])
    log[np.arange(count), held] += random.choice([0.3, 2.0, 5.0])
    return log.astype(np.float32)


def worth(log: np.ndarray, states: np.ndarray, costs: np.ndarray) -> float:
    """What a path is worth: its log likelihood less what its changes cost."""
    changes = np.flatnonzero(np.diff(states)) + 1
    return float(log[np.arange(len(states)), states].sum(dtype=float) - costs[changes].sum(dtype=float))


def everywhere(log: np.ndarray) -> np.ndarray:
    return np.full(log.shape[0], CHANGE_COST, dtype=np.float32)


def best_worth(log: np.ndarray, costs: np.ndarray) -> float:
    """What the best of all paths is worth, by the plain recursion over every frame and pair of states."""
    score = log[0].astype(float)
    for frame in range(1, log.shape[0]):
        score = np.maximum(score, score.max() - costs[frame]) + log[frame]
    return float(score.max())


@pytest.mark.parametrize("seed", range(40))
def test_no_path_is_worth_more(seed: int):
    log = likelihoods(seed)
    costs = everywhere(log)
    found = path(log, costs).astype(int)
    change = float(np.exp(-CHANGE_COST))
    transition = np.full((10, 10), change)
    # Theirs wants rows that sum to 1, which makes staying cost a little; so little that it may only decide ties.
    np.fill_diagonal(transition, 1.0 - 9.0 * change)
    probability = np.exp(log - log.max(axis=1, keepdims=True)).T.astype(np.float64)
    theirs = viterbi(probability, transition)
    assert worth(log, found, costs) >= worth(log, theirs, costs) - 1e-3


@pytest.mark.parametrize("seed", range(40))
def test_changes_that_cost_more_here_than_there(seed: int):
    log = likelihoods(seed)
    random = np.random.default_rng([seed, 1])
    costs = random.choice([0.5, 2.0, 15.0, 40.0], log.shape[0]).astype(np.float32)
    found = path(log, costs).astype(int)
    best = best_worth(log, costs)
    assert worth(log, found, costs) == pytest.approx(best, abs=1e-2 + 1e-6 * abs(best))


def test_a_change_is_put_where_it_costs_least():
    log = np.zeros((60, 3), dtype=np.float32)
    log[:20, 1] = log[40:, 2] = 4.0
    costs = everywhere(log)
    costs[31] = 1.0
    assert path(log, costs).tolist() == [1] * 31 + [2] * 29


def test_one_frame_is_its_own_path():
    log = np.array([[0.0, 2.0, 1.0]], dtype=np.float32)
    assert path(log, everywhere(log)).tolist() == [1]


def test_a_stretch_with_nothing_to_tell_is_bridged():
    log = np.zeros((60, 3), dtype=np.float32)
    log[:20, 1] = log[40:, 1] = 4.0
    assert path(log, everywhere(log)).tolist() == [1] * 60
