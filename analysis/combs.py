"""Spectra of a note that nobody has heard yet: equally strong harmonics, whole or in bands."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis import spectra
from analysis.spectra import Floats

#: How much finer than a spectrum's bins the shape of a line is known.
_FINE: Final = 8
_BANDS: Final = 5


def harmonics(hz: float, bins_hz: NDArray[np.float64], *, window: int, size: int) -> Floats:
    """The magnitudes (bins,) at `bins_hz` (bins,) of equally strong harmonics of `hz`, each of height 1, under a Hann
    window of `window` samples and a transform of `size`."""
    wide = np.abs(np.fft.rfft(np.hanning(window + 1)[:-1], n=_FINE * size))
    wide /= wide[0]
    step = spectra.RATE_HZ / (_FINE * size)
    away = np.abs(bins_hz[:, None] - hz * np.arange(1, int(bins_hz[-1] / hz) + 3)[None, :])
    lines = wide[np.minimum(np.round(away / step).astype(int), wide.size - 1)]
    return np.asarray(lines.max(axis=1), dtype=np.float32)


def bands(hz: NDArray[np.float64], low_hz: float, high_hz: float) -> Floats:
    """Overlapping bands (bands, bins) from `low_hz` to `high_hz`, evenly wide in octaves, that sum to 1 in every bin at
    `hz` (bins,)."""
    place = (_BANDS - 1) * np.log(hz / low_hz) / np.log(high_hz / low_hz)
    away = np.abs(place[None, :] - np.arange(_BANDS)[:, None])
    return np.asarray(np.where(away < 1.0, 0.5 + 0.5 * np.cos(np.pi * away), 0.0), dtype=np.float32)
