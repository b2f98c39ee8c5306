"""Drones alone told from a note over them; harmonics nobody has heard yet; a note that shows two spectra."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from analysis import combs, variants
from analysis.templates import _is_played

BINS = np.arange(150.0, 6200.0, 31.25)


def _sound(seed: int, loud: float = 1.0) -> np.ndarray:
    return (loud * np.random.default_rng(seed).uniform(0.0, 1.0, BINS.size) ** 3).astype(np.float32)


@pytest.mark.parametrize(
    ("loud", "seed", "played"),
    [
        (1.1, 1, True),  # low A that was not heard as held
        (0.6, 1, False),  # drones alone, whose harmonics low A shares
        (1.1, 9, False),  # something else
    ],
)
def test_drones_alone_are_never_as_loud_as_with_the_chanter(loud: float, seed: int, played: bool) -> None:
    known = [_sound(1), _sound(2), _sound(3)]
    ground = _sound(seed, loud) + 0.05 * _sound(4)
    assert _is_played(ground, known) is played


def test_with_no_note_known_what_drones_is_drones() -> None:
    assert _is_played(_sound(1), []) is False


def test_harmonics_stand_where_they_lie() -> None:
    comb = combs.harmonics(500.0, BINS, window=352, size=512)
    at = [int(np.abs(BINS - number * 500.0).argmin()) for number in range(1, 12)]
    assert comb[at].min() > 0.9
    assert comb[[(first + after) // 2 for first, after in pairwise(at)]].max() < 0.05


def test_bands_divide_every_bin_among_them() -> None:
    divided = combs.bands(BINS, 150.0, 6200.0)
    assert divided.sum(axis=0) == pytest.approx(1.0, abs=1e-6)
    assert divided.min() >= 0.0


def _frames(*parts: tuple[np.ndarray, int]) -> np.ndarray:
    random = np.random.default_rng(7)
    rows = np.concatenate([np.tile(spectrum, (count, 1)) for spectrum, count in parts])
    return (rows * random.uniform(0.9, 1.1, rows.shape)).astype(np.float32)


def test_a_note_that_shows_two_spectra_has_both_the_commoner_first() -> None:
    usual, other = _sound(1) + _sound(2), _sound(1) + _sound(3)
    found = variants.two(_frames((other, 60), (usual, 140)), [_sound(8), _sound(9)])
    assert [
        round(variants.likeness(spectrum, own), 2) for spectrum, own in zip(found, (usual, other), strict=True)
    ] == [
        1.0,
        1.0,
    ]


def test_a_rarer_spectrum_that_is_another_notes_is_not_its_own() -> None:
    usual, other = _sound(1) + _sound(2), _sound(1) + _sound(3)
    assert variants.two(_frames((other, 60), (usual, 140)), [_sound(8), other]) == []


@pytest.mark.parametrize("rare", [0, 20])
def test_a_note_with_one_spectrum_has_no_two(rare: int) -> None:
    usual, other = _sound(1) + _sound(2), _sound(1) + _sound(3)
    assert variants.two(_frames((other, rare), (usual, 200 - rare)), []) == []
