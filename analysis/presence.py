"""Whether what was fitted is a chanter at all, and not talk, a song or a piano.

Three things that only hold of a reed blown steadily: its notes are held, their sound is the harmonics of one
fundamental (with the drones') and little else, and their level neither dies away nor swells. The limits lie between
what was measured on chanter takes in rooms and noise (harmonic share 0.8 and more, slopes within 4 dB a second) and on
speech, chords and plucked melodies (0.72 and less, or 12 dB a second and more).
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np

from analysis import spectra, tuning
from analysis.spectra import Floats

_LEAST_HELD_S: Final = 0.8
_LEAST_RUN_S: Final = 0.15
_LEAST_HARMONIC: Final = 0.55
_LEAST_OVER_DRONES: Final = 0.75
_MOST_SLOPE_DB_PER_S: Final = 9.0
_LOWEST_HZ: Final = 120.0
_MOST_FRAMES: Final = 120


def runs(fit: tuning.Fit) -> list[tuple[int, int]]:
    """The held stretches as (first, after last) long frame, each of at least 0.15 s."""
    edges = np.concatenate([[0], np.flatnonzero(np.diff(fit.labels)) + 1, [fit.labels.size]])
    least = round(_LEAST_RUN_S / tuning.HOP_S)
    return [(int(a), int(b)) for a, b in pairwise(edges) if fit.labels[a] >= 0 and b - a >= least]


def is_chanter(samples: Floats, fit: tuning.Fit) -> bool:
    """Whether `samples` (n,) at the listening rate, fitted by `fit`, hold a chanter."""
    held = runs(fit)
    if sum(stop - start for start, stop in held) * tuning.HOP_S < _LEAST_HELD_S:
        return False
    # Drones in tune with the notes over them are evidence enough, and hide the harmonics of low A and E.
    if fit.drone_hz is None:
        frames = np.concatenate([np.arange(start + 1, stop - 1) for start, stop in held])
        picked = frames[:: max(1, frames.size // _MOST_FRAMES)]
        shares = harmonic_shares(samples, fit, picked)
        if float(np.median(shares)) < _LEAST_HARMONIC and not _over_drones(samples, fit, picked):
            return False
    slopes = [_slope(samples, start, stop) for start, stop in held]
    return abs(float(np.median(slopes))) < _MOST_SLOPE_DB_PER_S


def _over_drones(samples: Floats, fit: tuning.Fit, frames: np.ndarray) -> bool:
    """Whether pipes sound over drones that could not be told from the notes, in hum or with the lowest parts cut
    off."""
    if fit.kind != "pipes":
        return False
    shares = harmonic_shares(samples, fit, frames, drone_hz=fit.low_a_hz / 4.0)
    return float(np.median(shares)) > _LEAST_OVER_DRONES


def harmonic_shares(
    samples: Floats, fit: tuning.Fit, frames: np.ndarray, *, drone_hz: float | None = None
) -> np.ndarray:
    """For each of the long `frames` (k,), the share of its level above the noise that lies on harmonics of its
    fundamental, or of a bass drone of `drone_hz`."""
    taper = np.hanning(tuning.WINDOW).astype(np.float32)
    padded = np.pad(samples, tuning.WINDOW)
    hz = np.fft.rfftfreq(tuning.SIZE, 1.0 / spectra.RATE_HZ)
    wanted = (hz > _LOWEST_HZ) & (hz < 5600.0)
    result = np.empty(frames.size)
    for index, frame in enumerate(frames):
        start = int(frame) * tuning.HOP + tuning.WINDOW // 2
        level = np.abs(np.fft.rfft(padded[start : start + tuning.WINDOW] * taper, n=tuning.SIZE))
        level = np.maximum(level - 2.0 * np.median(level), 0.0)
        number = hz / fit.frame_hz[frame]
        on = (np.abs(number - np.round(number)) * fit.frame_hz[frame] < np.maximum(16.0, 0.012 * hz)) & (number > 0.5)
        if drone_hz is not None:
            line = hz / drone_hz
            on |= (np.abs(line - np.round(line)) * drone_hz < 12.0) & (line > 0.5)
        result[index] = level[wanted & on].sum() / max(float(level[wanted].sum()), 1e-12)
    return result


def _slope(samples: Floats, start: int, stop: int) -> float:
    """The slope of the level over held frames `start` to `stop`, in dB a second."""
    part = samples[start * tuning.HOP : stop * tuning.HOP]
    count = part.size // tuning.HOP
    power = np.mean(part[: count * tuning.HOP].reshape(count, tuning.HOP).astype(np.float64) ** 2, axis=1)
    level = 10.0 * np.log10(power + 1e-12)
    return float(np.polyfit(np.arange(count) * tuning.HOP_S, level, 1)[0])
