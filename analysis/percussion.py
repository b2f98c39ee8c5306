"""Clicks and taps: short broadband sounds, found above the chanter's harmonics and by their own steady return.

A reed's partials fade above 6 kHz, where a click or a tapped foot still has plenty, so a rise of level there in all
of several bands at once marks one, even under loud playing. Note changes leave weaker marks in the same bands; what
tells clicks from them is that they return with the beat (see :mod:`analysis.beat`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import scipy.fft
import scipy.ndimage
import scipy.signal
from numpy.typing import NDArray

from analysis import mapped, spectra
from analysis.spectra import Floats

HOP_S: Final = 0.001
#: Two strokes are never closer than this.
CLOSEST_S: Final = 0.06
_BANDS_HZ: Final = ((5500.0, 7500.0), (7500.0, 10000.0), (10000.0, 15000.0))
_LEAST_RISE: Final = 1.0
#: Frames worked on at a time.
_FRAMES: Final = 4096
#: A stroke that sounds alone has so many times the power above the low notes of what was before it.
_STANDS_OUT: Final = 20.0
#: A foot is heard between these, by what comes in so many milliseconds after it against so many before.
_THUMP_HZ: Final = (45.0, 170.0)
_THUMP_AFTER: Final = 20
_THUMP_BEFORE: Final = 60
#: Its rise in one band weighs as much as half of that of a stroke in three.
_THUMP_STRENGTH: Final = 2.0
#: No stroke is stronger, whatever the silence that it sounds in.
_STRONGEST: Final = 12.0
#: So many frames on both sides have a part in a frame's rise.
_RISE_REACH: Final = 16


@dataclass(frozen=True)
class Strokes:
    """Percussive sounds: start times in seconds (n,), their strength (n,), and the share of their energy below 180 Hz
    (n,), high for a foot and low for a metronome. `going_on`: the least share of the strength before the playing that
    strokes keep under it."""

    times_s: NDArray[np.float64]
    strength: NDArray[np.float64]
    depth: NDArray[np.float64]
    going_on: float = 0.3

    def until(self, time_s: float) -> Strokes:
        """Those before `time_s`."""
        early = self.times_s < time_s
        return replace(self, times_s=self.times_s[early], strength=self.strength[early], depth=self.depth[early])


def novelty(samples: Floats, rate_hz: int, bands_hz: tuple[tuple[float, float], ...]) -> NDArray[np.float64]:
    """Rise of level in `bands_hz` (pairs of hertz) together, in nepers of energy, one value a millisecond (n,)."""
    hop, window = rate_hz // 1000, rate_hz // 200
    taper = np.hanning(window).astype(np.float32)
    count = spectra.frame_count(samples, hop)
    hz = np.fft.rfftfreq(window, 1.0 / rate_hz)
    picks = [(hz >= low) & (hz < high) for low, high in bands_hz]
    energy = np.empty((count, len(picks)), dtype=np.float32)
    for start in range(0, count, _FRAMES):
        frames = np.arange(start, min(count, start + _FRAMES))
        rows = spectra.windows(samples, frames * hop - window // 2, window) * taper
        power = np.abs(scipy.fft.rfft(rows, axis=1)) ** 2
        for band, pick in enumerate(picks):
            energy[frames, band] = power[:, pick].sum(axis=1)
        mapped.let_go(samples)
    quiet = np.percentile(energy, 30, axis=0) + 1e-10
    rise = np.empty(count)
    for start in range(0, count, _FRAMES):
        first, stop = max(0, start - _RISE_REACH), min(count, start + _FRAMES)
        level = np.log(energy[first : stop + _RISE_REACH] + quiet)
        after = np.roll(scipy.ndimage.maximum_filter1d(level, 5, axis=0), -2, axis=0)
        before = np.roll(scipy.ndimage.maximum_filter1d(level, 11, axis=0), 7, axis=0)
        rise[start:stop] = np.clip(after - before, 0.0, 4.0).sum(axis=1)[start - first : stop - first]
    return rise


def edge(samples: Floats, near: int, rate_hz: int, high_pass: NDArray[np.float64] | None = None) -> int:
    """The sample within 8 ms of `near` where the sound, high-passed by sections `high_pass`, rises most sharply."""
    step = max(1, rate_hz // 4000)
    reach, long, short = rate_hz * 8 // 1000, rate_hz * 4 // 1000, rate_hz * 3 // 2000
    first = max(0, near - reach - long)
    settling = min(first, rate_hz * 20 // 1000)
    part = samples[first - settling : near + reach + short + 1].astype(np.float64)
    if high_pass is not None:
        part = scipy.signal.sosfilt(high_pass, part)
    power = np.concatenate([[0.0], np.cumsum(part[settling:] ** 2)])
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
    """All sounds in `samples` (n,) that may be clicks or taps, in order, by the rise above the chanter's partials.

    Note changes may be among them.
    """
    rise = novelty(samples, rate_hz, _BANDS_HZ)
    peaks, _ = scipy.signal.find_peaks(rise, height=_LEAST_RISE, distance=int(CLOSEST_S / HOP_S))
    high_pass = scipy.signal.butter(4, 5000.0, "highpass", fs=rate_hz, output="sos")
    starts = np.array(
        [edge(samples, int(peak * rate_hz * HOP_S), rate_hz, high_pass) for peak in peaks], dtype=np.int64
    )
    return described(samples, rate_hz, starts, rise[peaks])


def thumps(samples: Floats, rate_hz: int) -> Strokes:
    """All sounds in `samples` (n,) that may be a foot's, in order, by the rise below the lowest note of any chanter.

    A soft shoe has no treble to be told by under the playing, but there is nothing else down there, drones apart.
    """
    power = _deep_power(samples, rate_hz)
    places = np.arange(_THUMP_BEFORE, power.size - _THUMP_AFTER)
    if not places.size:
        return Strokes(np.zeros(0), np.zeros(0), np.zeros(0))
    total = np.concatenate([[0.0], np.cumsum(power)])
    after = (total[places + _THUMP_AFTER] - total[places]) / _THUMP_AFTER
    before = (total[places] - total[places - _THUMP_BEFORE]) / _THUMP_BEFORE
    quiet = float(np.percentile(after, 20)) + 1e-12
    rise = np.log(after + quiet) - np.log(before + quiet)
    peaks, _ = scipy.signal.find_peaks(rise, height=_LEAST_RISE, distance=int(CLOSEST_S / HOP_S))
    starts = np.round(places[peaks] * HOP_S * rate_hz).astype(np.int64)
    strength = np.minimum(_THUMP_STRENGTH * rise[peaks], _STRONGEST)
    return described(samples, rate_hz, starts, strength)


def _deep_power(samples: Floats, rate_hz: int) -> NDArray[np.float64]:
    """The mean power of `samples` (n,) where a foot sounds, one value a millisecond."""
    sections = scipy.signal.butter(2, _THUMP_HZ, "bandpass", fs=rate_hz, output="sos")
    state = np.zeros((sections.shape[0], 2))
    hop = rate_hz // 1000
    power = np.empty(samples.size // hop)
    piece = _FRAMES * hop
    for start in range(0, power.size * hop, piece):
        part = samples[start : min(power.size * hop, start + piece)].astype(np.float64)
        deep, state = scipy.signal.sosfilt(sections, part, zi=state)
        first = start // hop
        power[first : first + part.size // hop] = np.mean(deep.reshape(-1, hop) ** 2, axis=1)
        mapped.let_go(samples)
    return power


def described(samples: Floats, rate_hz: int, starts: NDArray[np.int64], strength: NDArray[np.float64]) -> Strokes:
    """The strokes that begin at the samples `starts` (k,) with their `strength` (k,), and how deep each sounds."""
    low_pass = scipy.signal.butter(2, 180.0, "lowpass", fs=rate_hz, output="sos")
    depth = np.array([_depth(samples, int(start), rate_hz, low_pass) for start in starts])
    mapped.let_go(samples)
    return Strokes(starts / rate_hz, np.asarray(strength, dtype=float), depth)


def _depth(samples: Floats, start: int, rate_hz: int, low_pass: NDArray[np.float64]) -> float:
    """Energy gained below 180 Hz in the 30 ms after `start`, as a share of all energy there."""
    span, settling = rate_hz * 30 // 1000, rate_hz * 90 // 1000
    first = max(0, start - settling)
    part = samples[first : start + span].astype(np.float64)
    low = scipy.signal.sosfilt(low_pass, part) ** 2
    after = float(np.sum(low[start - first :]))
    before = float(np.sum(low[max(0, start - first - span) : start - first]))
    whole = float(np.sum(part[start - first :] ** 2))
    return max(0.0, after - before) / (whole + 1e-9)


def sharpest(samples: Floats, rate_hz: int, time_s: float) -> float:
    """The time within 15 ms of `time_s` at which sound above 1200 Hz rises most steeply: a click expected there."""
    reach, span = rate_hz * 15 // 1000, rate_hz * 2 // 1000
    first = max(0, round(time_s * rate_hz) - reach - span)
    part = samples[first : first + 2 * reach + 2 * span].astype(np.float64)
    if part.size < 4 * span:
        return time_s
    power = np.cumsum(np.diff(part, prepend=part[:1]) ** 2)
    places = np.arange(span, part.size - span)
    gain = (power[places + span - 1] - power[places - 1]) / (power[places - 1] - power[places - span] + 1e-9)
    return float(first + places[int(np.argmax(gain))]) / rate_hz


def stroke_near(samples: Floats, rate_hz: int, time_s: float) -> float | None:
    """When the stroke near `time_s` starts, if there is one that stands out of whatever sounds before it."""
    if not 0.0 < time_s < samples.size / rate_hz:
        return None
    start_s = sharpest(samples, rate_hz, time_s)
    start, span = round(start_s * rate_hz), rate_hz * 4 // 1000
    steps = np.diff(samples[max(0, start - span - 1) : start + span].astype(np.float64)) ** 2
    before, after = float(steps[: -span or None].sum()), float(steps[-span:].sum())
    return start_s if steps.size > span and after > _STANDS_OUT * (before + 1e-9) else None


def align(high: Floats, wave: Floats, start: int, rate_hz: int) -> int:
    """The start within 1.5 ms of `start` at which `wave` fits `high` best."""
    reach = rate_hz * 3 // 2000
    first = max(0, start - reach)
    span = high[first : start + reach + wave.size]
    if span.size < wave.size:
        return start
    return first + int(np.argmax(np.correlate(span, wave, mode="valid")))
