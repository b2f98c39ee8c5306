"""The place of an edge, by what comes after it and by how high a step there is in the sound."""

from __future__ import annotations

import numpy as np
import pytest

from analysis import steps
from analysis.boundaries import Rise, _without_click_remains, edge

TIMES_S = np.arange(0.95, 1.05, 0.0005)


def share(place_s: float) -> np.ndarray:
    return 0.1 + 0.8 * steps.shape(TIMES_S - place_s)


def height(place_s: float) -> np.ndarray:
    """How high the steps are that a window sees near one at `place_s`."""
    return 0.7 * np.exp(-0.5 * ((TIMES_S - place_s) / 0.003) ** 2)


def found_s(rise: Rise, near_s: float = 1.0) -> float:
    return edge(TIMES_S, rise, near_s, near_s - 0.03, near_s + 0.011)


@pytest.mark.parametrize("place_s", [0.9931, 1.0, 1.0042])
@pytest.mark.parametrize("with_height", [False, True])
def test_a_clean_edge_is_found_to_a_tenth_of_a_millisecond(place_s: float, with_height: bool) -> None:
    rise = Rise(share(place_s), np.ones(TIMES_S.size), height(place_s) if with_height else np.zeros(TIMES_S.size))
    assert found_s(rise) == pytest.approx(place_s, abs=1e-4)


def test_a_note_whose_first_moments_look_like_the_last_one_begins_where_the_sound_changes() -> None:
    late = 0.4 * share(0.994) + 0.6 * share(1.006)
    without = Rise(late, np.ones(TIMES_S.size), np.zeros(TIMES_S.size))
    assert found_s(without) > 1.0
    both = Rise(late, np.ones(TIMES_S.size), height(0.994) + 0.9 * height(1.006))
    assert found_s(both) == pytest.approx(0.994, abs=1.5e-3)


def test_where_nothing_tells_the_edge_stays_where_decoding_put_it() -> None:
    nothing = Rise(np.full(TIMES_S.size, 0.5), np.ones(TIMES_S.size), np.zeros(TIMES_S.size))
    assert found_s(nothing) == 1.0


def test_what_a_click_left_behind_before_a_note_is_no_part_of_it() -> None:
    level = np.where(TIMES_S < 1.0, 0.0, 1.0)
    left = (TIMES_S > 0.985) & (TIMES_S < 0.994)
    level[left] = 0.3
    clicked = np.where((TIMES_S > 0.98) & (TIMES_S < 1.0), 0.8, 1.0).astype(np.float32)

    def begins_s(level: np.ndarray, trusted: np.ndarray) -> float:
        kept = np.clip(_without_click_remains(level, trusted), 0.0, 0.15)
        return found_s(Rise(kept, np.ones(TIMES_S.size), np.zeros(TIMES_S.size)), near_s=0.999)

    assert begins_s(level, clicked) == pytest.approx(1.0, abs=1e-3)
    sure = np.ones_like(clicked)  # where no click was, a reed that catches for a moment is heard
    assert begins_s(level, sure) == pytest.approx(0.985, abs=3e-3)
    speaking = np.clip((TIMES_S - 0.985) / 0.03, 0.01, 1.0)  # a note that swells from under a click keeps its beginning
    assert np.array_equal(_without_click_remains(speaking, clicked)[TIMES_S > 0.987], speaking[TIMES_S > 0.987])
