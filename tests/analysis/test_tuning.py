"""Clusters of held fundamentals laid onto the nine notes."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest

from analysis.chanter import Note, table_cents
from analysis.tuning import _TABLE_SPREAD_CENTS, _Cluster, _lay, _strange

TABLE = table_cents(tuning="harmonic")
LOW_A_CENTS = 1200.0 * math.log2(440.0)


def cheapest(clusters: list[_Cluster], low_a_cents: float, expected: dict[Note, float] | None) -> float:
    """The cost of the cheapest of all ascending assignments, tried one by one."""
    total = sum(cluster.weight for cluster in clusters)
    best = math.inf
    for count in range(len(clusters) + 1):
        for chosen in combinations(range(len(clusters)), count):
            for notes in combinations(Note, count):
                way = [-1] * len(clusters)
                for number, note in zip(chosen, notes, strict=True):
                    way[number] = int(note)
                cost = sum(
                    math.sqrt(cluster.weight / total) * _cost(cluster, note, low_a_cents, expected, total)
                    for cluster, note in zip(clusters, way, strict=True)
                )
                best = min(best, cost)
    return best


def _cost(cluster: _Cluster, note: int, low_a_cents: float, expected: dict[Note, float] | None, total: float) -> float:
    if note < 0:
        return 9.0
    away = (cluster.cents - low_a_cents - TABLE[note]) / _TABLE_SPREAD_CENTS
    if abs(away) >= 4.0:
        return math.inf
    strange = 0.0 if expected is None else _strange(expected.get(Note(note), 0.0), cluster.weight / total)
    return min(away * away + strange, 30.0)


@pytest.mark.parametrize("seed", range(12))
def test_clusters_are_laid_the_cheapest_way(seed: int) -> None:
    random = np.random.default_rng(seed)
    count = int(random.integers(1, 5))
    cents = np.sort(LOW_A_CENTS + random.uniform(-300.0, 1300.0, count))
    clusters = [_Cluster(float(place), float(random.uniform(1.0, 100.0))) for place in cents]
    expected = {Note.LOW_A: 0.5, Note.E: 0.4} if seed % 2 else None
    low_as = LOW_A_CENTS + np.array([-80.0, 0.0, 120.0])
    costs, ways = _lay(clusters, low_as, TABLE, expected)
    for low_a, cost, way in zip(low_as, costs, ways, strict=True):
        least = cheapest(clusters, float(low_a), expected)
        assert cost == pytest.approx(least)
        total = sum(cluster.weight for cluster in clusters)
        told = [
            math.sqrt(cluster.weight / total) * _cost(cluster, int(note), float(low_a), expected, total)
            for cluster, note in zip(clusters, way, strict=True)
        ]
        assert sum(told) == pytest.approx(least)
        taken = [note for note in way if note >= 0]
        assert taken == sorted(set(taken))
