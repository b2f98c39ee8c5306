"""Clicks and taps: short broadband sounds, found above the chanter's harmonics and by their own steady return.

A reed's partials fade above 6 kHz, where a click or a tapped foot still has plenty, so a rise of level there in all
of several bands at once marks one, even under loud playing. Note changes leave weaker marks in the same bands; what tells
clicks from them is that they return with the beat (see :mod:`analysis.beat`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy.ndimage
import scipy.signal
from numpy.typing import NDArray

from analysis.spectra import Floats

HOP_S: Final = 0.001
_BANDS_HZ: Final = ((5500.0, 7500.0), (7500.0, 10000.0), (10000.0, 15000.0))
_LEAST_RISE: Final = 1.0
_CLOSEST_S: Final = 0.06


@dataclass(frozen=True)
class Strokes:
    """Percussive sounds: start times in seconds (n,), their strength in nepers of power summed over bands (n,), and the
    share of their energy below 200 Hz (n,), high for a foot and low for a metronome."""

    times_s: NDArray[np.float64]
    strength: NDArray[np.float64]
    depth: NDArray[np.float64]


def _novelty(samples: Floats, rate_hz: int) -> NDArray[np.float64]:
    """Rise of level in the high bands, one value a millisecond."""
    hop, window = rate_hz // 1000, rate_hz // 200
    taper = np.hanning(window).astype(np.float32)
    count = 1 + samples.size // hop
    frames = np.lib.stride_tricks.sliding_window_view(np.pad(samples, (window // 2, window)), window)[::hop][:count]
    hz = np.fft.rfftfreq(window, 1.0 / rate_hz)
    picks = [(hz >= low) & (hz < high) for low, high in _BANDS_HZ]
    energy = np.empty((count, len(picks)))
    for start in range(0, count, 8192):
        power = np.abs(np.fft.rfft(frames[start : start + 8192] * taper, axis=1)) ** 2
        for band, pick in enumerate(picks):
            energy[start : start + 8192, band] = power[:, pick].sum(axis=1)
    level = np.log(energy + np.percentile(energy, 30, axis=0) + 1e-10)
    after = np.roll(scipy.ndimage.maximum_filter1d(level, 5, axis=0), -2, axis=0)
    before = np.roll(scipy.ndimage.maximum_filter1d(level, 11, axis=0), 7, axis=0)
    rise: NDArray[np.float64] = np.clip(after - before, 0.0, 4.0).sum(axis=1)
    return rise


def _edge(high: Floats, near: int, rate_hz: int) -> int:
    """The sample within 8 ms of `near` where the high-passed sound `high` rises most sharply."""
    step = max(1, rate_hz // 4000)
    reach, long, short = rate_hz * 8 // 1000, rate_hz * 4 // 1000, rate_hz * 3 // 2000
    first = max(0, near - reach - long)
    power = np.concatenate([[0.0], np.cumsum(high[first : near + reach + short + 1].astype(np.float64) ** 2)])
    places = np.arange(long, power.size - short, step)
    if places.size == 0:
        return near
    after = (power[places + short] - power[places]) / short
    before = (power[places] - power[places - long]) / long
    rise = np.log(after + 1e-10) - np.log(before + 1e-10)
    # A rise is only worth as much as what it rises to: quiet flutter before the stroke must not win.
    loudness = after / max(float(after.max()), 1e-12)
    return int(first + places[int(np.argmax(rise + 0.7 * np.log(loudness + 1e-3)))])


def strokes(samples: Floats, rate_hz: int) -> Strokes:
    """All sounds in `samples` (n,) that may be clicks or taps, in order. Note changes may be among them."""
    rise = _novelty(samples, rate_hz)
    peaks, _ = scipy.signal.find_peaks(rise, height=_LEAST_RISE, distance=int(_CLOSEST_S / HOP_S))
    if peaks.size == 0:
        empty = np.zeros(0)
        return Strokes(empty, empty, empty)
    high_pass = scipy.signal.butter(4, 5000.0, "highpass", fs=rate_hz, output="sos")
    low_pass = scipy.signal.butter(2, 180.0, "lowpass", fs=rate_hz, output="sos")
    high = scipy.signal.sosfilt(high_pass, samples).astype(np.float32)
    low = scipy.signal.sosfilt(low_pass, samples).astype(np.float32)
    starts = np.array([_edge(high, int(peak * rate_hz * HOP_S), rate_hz) for peak in peaks])
    depth = np.array([_depth(low, samples, start, rate_hz) for start in starts])
    return Strokes(starts / rate_hz, rise[peaks], depth)


def _depth(low: Floats, samples: Floats, start: int, rate_hz: int) -> float:
    """Energy gained below 180 Hz in the 30 ms after `start`, as a share of all energy there."""
    span = rate_hz * 30 // 1000
    after = float(np.sum(low[start : start + span].astype(np.float64) ** 2))
    before = float(np.sum(low[max(0, start - span) : start].astype(np.float64) ** 2))
    whole = float(np.sum(samples[start : start + span].astype(np.float64) ** 2))
    return max(0.0, after - before) / (whole + 1e-9)


_BEFORE_S: Final = 0.003
_AFTER_S: Final = 0.120


def subtract(samples: Floats, rate_hz: int, times_s: NDArray[np.float64]) -> tuple[Floats, NDArray[np.float64]]:
    """`samples` (n,) without the click that sounds at `times_s` (k,), and each stroke's exact time.

    A metronome's click is the same every time, room and all, so its waveform is the mean over all strokes (quiet moments count
    most) aligned on the high-passed sound, and it can be taken out with a gain fitted to each. What does not
    repeat (a foot) averages to little, is fitted with little gain, and so stays.
    """
    high_pass = scipy.signal.butter(4, 4000.0, "highpass", fs=rate_hz, output="sos")
    high = scipy.signal.sosfiltfilt(high_pass, samples).astype(np.float32)
    before, length = int(_BEFORE_S * rate_hz), int((_BEFORE_S + _AFTER_S) * rate_hz)
    starts = np.round(times_s * rate_hz).astype(int) - before
    good = (starts >= 0) & (starts + length <= samples.size)
    if good.sum() < 3:
        return samples, times_s
    starts = starts.copy()
    for _ in range(3):
        wave = _mean_wave(high, starts[good], length)
        for index in np.flatnonzero(good):
            starts[index] = _align(high, wave, int(starts[index]), rate_hz)
    high_wave = _mean_wave(high, starts[good], length)
    wave = _mean_wave(samples, starts[good], length)
    fade = np.ones(length, dtype=np.float32)
    fade[: before // 2] = np.linspace(0.0, 1.0, before // 2)
    fade[-length // 4 :] = np.linspace(1.0, 0.0, length // 4)
    cleaned = samples.copy()
    energy = float(np.sum(high_wave.astype(np.float64) ** 2)) + 1e-12
    for index in np.flatnonzero(good):
        part = slice(int(starts[index]), int(starts[index]) + length)
        gain = float(np.sum(high[part].astype(np.float64) * high_wave)) / energy
        cleaned[part] -= (np.clip(gain, 0.0, 1.4) * fade * wave).astype(np.float32)
    return cleaned, (starts + before) / rate_hz


def _mean_wave(samples: Floats, starts: NDArray[np.int64], length: int) -> Floats:
    """The mean waveform (length,), each stroke weighted by how quiet its surroundings are."""
    rows = np.stack([samples[start : start + length] for start in starts]).astype(np.float64)
    # Before the stroke and after its decay; the louder counts, since a note may start on the stroke.
    before = np.array([np.mean(samples[max(0, start - length) : start].astype(np.float64) ** 2) for start in starts])
    after = np.mean(rows[:, length // 2 :] ** 2, axis=1)
    around = np.maximum(before, after)
    weights = 1.0 / (around + 0.02 * np.mean(around) + 1e-12)
    return np.asarray((weights[:, None] * rows).sum(axis=0) / weights.sum(), dtype=np.float32)


def _align(high: Floats, wave: Floats, start: int, rate_hz: int) -> int:
    """The start within 1.5 ms of `start` at which `wave` fits `high` best."""
    reach = rate_hz * 3 // 2000
    first = max(0, start - reach)
    span = high[first : start + reach + wave.size]
    if span.size < wave.size:
        return start
    return first + int(np.argmax(scipy.signal.correlate(span, wave, mode="valid", method="fft")))
