"""The place of an edge, by what comes after it and by how high a step there is in the sound."""

from __future__ import annotations

import numpy as np
import pytest

from analysis import steps
from analysis.boundaries import Rise, _without_click_remains, doubtful_edge, edge

TIMES_S = np.arange(0.95, 1.05, 0.0005)


def share(place_s: float) -> np.ndarray:
    return 0.1 + 0.8 * steps.shape(TIMES_S - place_s)


def height(place_s: float) -> np.ndarray:
    """How high the steps are that a window sees near one at `place_s`."""
    return 0.7 * np.exp(-0.5 * ((TIMES_S - place_s) / 0.003) ** 2)


def found_s(rise: Rise, near_s: float = 1.0) -> float:
    return edge(TIMES_S, rise, near_s, near_s - 0.03, near_s + 0.011).time_s


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


def test_an_edge_is_doubtful_far_from_decoding_or_beside_another_one() -> None:
    def is_doubtful(rise: Rise, near_s: float) -> bool:
        return edge(TIMES_S, rise, near_s, near_s - 0.02, near_s + 0.02).doubtful

    plain = Rise(share(1.0), np.ones(TIMES_S.size), height(1.0))
    assert not is_doubtful(plain, 1.001)
    assert is_doubtful(plain, 1.006)
    two = Rise(share(1.0), np.ones(TIMES_S.size), height(1.0) + 0.9 * height(1.013))
    assert is_doubtful(two, 1.001)


def test_of_doubtful_places_the_one_where_harmonics_step_is_the_edge() -> None:
    late = Rise(share(1.015), np.ones(TIMES_S.size), 0.6 * height(0.995) + height(1.015))

    def found(steps_at: dict[float, float]) -> float:
        def harmonics(times_s: np.ndarray) -> np.ndarray:
            peaks = [high * np.exp(-0.5 * ((times_s - place) / 0.003) ** 2) for place, high in steps_at.items()]
            return np.sum(peaks, axis=0)

        place_s = doubtful_edge(TIMES_S, late, harmonics, 1.013, 0.98, 1.045)
        assert place_s is not None
        return place_s

    assert found({0.995: 0.6, 1.015: 0.1}) == pytest.approx(0.995, abs=1e-3)
    assert found({0.995: 0.1, 1.015: 0.1}) == pytest.approx(1.015, abs=1e-3)  # hardly a step anywhere
    nothing = Rise(np.full(TIMES_S.size, 0.5), np.ones(TIMES_S.size), np.zeros(TIMES_S.size))
    assert doubtful_edge(TIMES_S, nothing, np.zeros_like, 1.0, 0.98, 1.02) is None


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
