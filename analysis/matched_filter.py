"""Strokes told by their waveform: those of a count-in, looked for under the playing by matched filtering.

A click without treble drowns in the chanter, but the strokes of a count-in stand alone and show what to look for. All
is whitened by the take's own mean spectrum first, so that the chanter's strong partials count for little.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import scipy.fft
import scipy.ndimage
import scipy.signal
from numpy.typing import NDArray

from analysis import mapped
from analysis.percussion import CLOSEST_S, HOP_S, Strokes, align, described, edge, novelty
from analysis.spectra import Floats

#: Samples worked on at a time; every so many of them are enough for a median.
_PIECE: Final = 320_000
_SOME: Final = 16
#: The length of the filter that whitens.
_TAPS: Final = 2048
_QUIET_BANDS_HZ: Final = ((700.0, 2000.0), (2000.0, 5000.0), (5000.0, 15000.0))
_LEAST_QUIET_RISE: Final = 2.0
_LIKE_S: Final = 0.030
_LEAST_LIKENESS: Final = 0.5
#: Less than this part of the loudest is its reflection.
_REFLECTED: Final = 0.4
#: Two strokes that correlate so well are clicks of one metronome (by made takes: less, and it may be talk).
_SAME: Final = 0.9
#: Below this share of the loudest power nothing is a stroke; a stroke begins with more than this share of its own.
_SILENT_POWER: Final = 1e-3
_FAINT_POWER: Final = 0.02
_MOST_FOR_SPECTRUM: Final = 400


def strokes_like_the_first(samples: Floats, rate_hz: int, *, until_s: float) -> Strokes | None:
    """Strokes like those before `until_s`, when the chanter starts, by matched filtering; None if none are alike there.

    What is looked for is the mean of those that are alike.
    """
    stop = int(max(0.0, until_s - 0.03) * rate_hz)
    if stop < rate_hz // 2:
        return None
    quiet = samples[:stop]
    rise = novelty(quiet, rate_hz, _QUIET_BANDS_HZ)
    peaks, _ = scipy.signal.find_peaks(rise, height=_LEAST_QUIET_RISE, distance=int(CLOSEST_S / HOP_S))
    starts = np.array([edge(quiet, int(peak * rate_hz * HOP_S), rate_hz) for peak in peaks], dtype=np.int64)
    length = int(_LIKE_S * rate_hz)
    starts = _loud_onsets(quiet, starts[(starts > rate_hz // 100) & (starts + 2 * length < stop)], length, rate_hz)
    if starts.size < 3:
        return None
    white = Whitened(samples, rate_hz)
    wave, alike = _alike(white.between(0, stop), starts, length, rate_hz)
    if wave is None:
        return None
    match = _matched(white, wave, samples.size)
    scale = float(np.median(match[alike]))
    noise = 1.4826 * float(np.median(np.abs(match[::_SOME])))
    found = _peaks(match, max(0.35 * scale, 5.0 * noise), int(CLOSEST_S * rate_hz))
    found = found[_look_alike(white, found, wave, match, stop)]
    if found.size < 3:
        return None
    strength = np.clip(6.0 * match[found] / scale, 0.0, 6.0)
    # The strength is the match itself here, which the chanter does not lower.
    return replace(described(samples, rate_hz, found, strength), going_on=0.6)


def _look_alike(white: Whitened, found: NDArray[np.int64], wave: Floats, match: Floats, stop: int) -> NDArray[np.bool_]:
    """Which of the strokes `found` (k,) look like `wave` (length,) where they stand alone, before sample `stop`; those
    under the playing all count as such.

    Talk is loud and long enough to match anything.
    """
    power = float(np.sum(wave**2))
    result = np.ones(found.size, dtype=bool)
    for number in np.flatnonzero(found + wave.size <= stop):
        start = int(found[number])
        level = float(np.sqrt(power * np.sum(white.between(start, start + wave.size) ** 2)))
        result[number] = power * float(match[start]) >= _LEAST_LIKENESS * level
    return result


def _loud_onsets(quiet: Floats, starts: NDArray[np.int64], length: int, rate_hz: int) -> NDArray[np.int64]:
    """Those of `starts` (k,) after which `quiet` (n,) is not all but silent, each at the onset that follows: in what is
    nearly silence the faintest flutter rises sharply, and hides the stroke just after it."""
    smooth, first = max(1, rate_hz // 1000), max(1, 3 * rate_hz // 1000)
    powers = [
        scipy.ndimage.uniform_filter1d(quiet[start : start + length].astype(float) ** 2, smooth) for start in starts
    ]
    peaks = np.array([power.max() for power in powers])
    onsets = []
    for start, power, peak in zip(starts, powers, peaks, strict=True):
        if peak < _SILENT_POWER * peaks.max():
            continue
        faint = power[:first].max() < _FAINT_POWER * peak
        onsets.append(edge(quiet, int(start) + int(np.argmax(power >= 0.5 * peak)), rate_hz) if faint else int(start))
    return np.unique(np.array(onsets, dtype=np.int64))


def _matched(white: Whitened, wave: Floats, size: int) -> Floats:
    """How much of `wave` (k,) begins at every sample of the whitened sound of `size` samples (size - k + 1,)."""
    result = np.empty(max(0, size - wave.size + 1), dtype=np.float32)
    scale = 1.0 / float(np.sum(wave**2))
    for start in range(0, result.size, _PIECE):
        stop = min(result.size, start + _PIECE)
        piece = white.between(start, stop + wave.size - 1)
        result[start:stop] = scipy.signal.oaconvolve(piece, wave[::-1], mode="valid") * scale
    return result


def _peaks(match: Floats, least: float, distance: int) -> NDArray[np.int64]:
    """The peaks of `match` (n,) of at least `least`, the highest first where they are closer than `distance`."""
    found = []
    for start in range(0, match.size, _PIECE):
        first = max(0, start - distance)
        peaks, _ = scipy.signal.find_peaks(match[first : start + _PIECE + distance], height=least, distance=distance)
        found.append(peaks[(peaks + first >= start) & (peaks + first < start + _PIECE)] + first)
    places = np.concatenate(found) if found else np.zeros(0, dtype=np.int64)
    for place in np.flatnonzero(np.diff(places) < distance):  # on both sides of where pieces meet
        places[place + int(match[places[place]] > match[places[place + 1]])] = -1
    return places[places >= 0].astype(np.int64)


class Whitened:
    """A sound (n,) divided by its own mean spectrum, and without what lies below 700 Hz, made where it is asked for."""

    def __init__(self, samples: Floats, rate_hz: int) -> None:
        self._samples = samples
        hz = np.fft.rfftfreq(_TAPS, 1.0 / rate_hz)
        mean = _mean_spectrum(samples, _TAPS)
        shape = np.where(hz > 700.0, 1.0 / (mean + 0.01 * mean.max()), 0.0)
        filter_ = np.roll(np.fft.irfft(shape), _TAPS // 2) * np.hanning(_TAPS)
        self._filter = filter_.astype(np.float32)

    def between(self, start: int, stop: int) -> Floats:
        """Samples `start` to `stop` (stop - start,), with silence beyond both ends of the sound."""
        first, last = start - _TAPS // 2 + 1, stop + _TAPS // 2
        part = self._samples[max(0, first) : max(0, last)]
        missing = (max(0, -first), max(0, last - max(0, first) - part.size))
        white = scipy.signal.oaconvolve(np.pad(part, missing), self._filter, mode="valid")
        mapped.let_go(self._samples)
        return np.asarray(white, dtype=np.float32)


def _mean_spectrum(samples: Floats, size: int) -> NDArray[np.float64]:
    """The root mean square spectrum (bins,) of `samples` in windows of `size`, from enough of them spread evenly."""
    count = max(1, (samples.size - size) // (size // 2))
    starts = np.arange(0, count, max(1, count // _MOST_FOR_SPECTRUM)) * (size // 2)
    taper = np.hanning(size).astype(np.float32)
    rows = np.stack([samples[start : start + size] for start in starts if start + size <= samples.size])
    power = np.mean(np.abs(scipy.fft.rfft(rows * taper, axis=1)) ** 2, axis=0)
    mapped.let_go(samples)
    return np.asarray(np.sqrt(power), dtype=np.float64)


def _alike(
    white: Floats, starts: NDArray[np.int64], length: int, rate_hz: int
) -> tuple[Floats | None, NDArray[np.int64]]:
    """The mean waveform of the group of strokes that are alike and together the loudest, and where these start; None
    for fewer than three, or two that are all but the same. What a room leaves of a stroke may seem alike too, and there
    may be more of it.

    Of four strokes that count in, the first of each bar may sound unlike the others, and two be left of each kind; of
    these, it is the ones that lie closer together.
    """
    groups = [_like(white, int(first), starts, length, rate_hz, _LEAST_LIKENESS) for first in starts]
    several = [(places, loud) for places, loud in groups if places.size >= 3]
    if several:
        places, _ = max(several, key=lambda group: group[1])
    else:
        groups = [_like(white, int(first), starts, length, rate_hz, _SAME) for first in starts]
        pairs = [places for places, _ in groups if places.size == 2]
        if not pairs:
            return None, starts[:0]
        places = min(pairs, key=lambda pair: int(pair[1] - pair[0]))
    mean = np.mean([white[place : place + length] for place in places], axis=0)
    return np.asarray(mean, dtype=np.float32), places


def _like(
    white: Floats, first: int, starts: NDArray[np.int64], length: int, rate_hz: int, least: float
) -> tuple[NDArray[np.int64], float]:
    """Where those of the strokes at `starts` (k,) start that correlate with the one at `first` by `least` or more, and
    how loud they are together."""
    wave = white[first : first + length]
    power = float(np.sum(wave**2))
    places, levels = [], []
    for start in starts:
        place = align(white, wave, int(start), rate_hz)
        other = white[place : place + length]
        if other.size < length:
            continue
        level = float(np.sqrt(np.sum(other**2)))
        if float(np.sum(wave * other)) >= least * np.sqrt(power) * level:
            places.append(place)
            levels.append(level)
    # A room's reflection of a stroke looks like it too, and is never nearly as loud.
    strong = np.array(levels) >= _REFLECTED * max(levels, default=0.0)
    return np.array(places, dtype=np.int64)[strong], float(np.sum(np.array(levels)[strong]))


def likeness(samples: Floats, rate_hz: int, times_s: NDArray[np.float64]) -> float:
    """How alike the strokes at `times_s` (k,) are, -1 to 1: the median correlation of each with the mean of the others.

    A metronome's clicks are alike; the marks of note changes are not.
    """
    length, spare = int(_LIKE_S * rate_hz), rate_hz // 100
    starts = np.round(times_s * rate_hz).astype(np.int64)
    starts = starts[(starts > spare) & (starts + 2 * length < samples.size)]
    if starts.size < 3:
        return 0.0
    white = Whitened(samples, rate_hz)
    around = [white.between(int(start) - spare, int(start) + length + spare) for start in starts]
    places = [spare] * starts.size
    for _ in range(2):
        rows = np.stack([part[place : place + length] for part, place in zip(around, places, strict=True)])
        mean = rows.mean(axis=0)
        places = [align(part, mean, place, rate_hz) for part, place in zip(around, places, strict=True)]
    rows = np.stack([part[place : place + length] for part, place in zip(around, places, strict=True)])
    others = (rows.sum(axis=0) - rows) / (rows.shape[0] - 1)
    power = np.sqrt(np.sum(rows**2, axis=1) * np.sum(others**2, axis=1)) + 1e-12
    return float(np.median(np.sum(rows * others, axis=1) / power))
