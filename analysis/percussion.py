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
_BANDS_HZ: Final = ((5500.0, 7500.0), (7500.0, 10000.0), (10000.0, 15000.0))
_LEAST_RISE: Final = 1.0
#: Frames, and samples, worked on at a time; every so many samples are enough for a median.
_FRAMES: Final = 4096
_PIECE: Final = 320_000
_SOME: Final = 16
#: A stroke that sounds alone has so many times the power above the low notes of what was before it.
_STANDS_OUT: Final = 20.0
#: So many frames on both sides have a part in a frame's rise.
_RISE_REACH: Final = 16
#: The length of the filter that whitens.
_TAPS: Final = 2048
_CLOSEST_S: Final = 0.06


@dataclass(frozen=True)
class Strokes:
    """Percussive sounds: start times in seconds (n,), their strength (n,), and the share of their energy below 200 Hz
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


def _novelty(samples: Floats, rate_hz: int, bands_hz: tuple[tuple[float, float], ...]) -> NDArray[np.float64]:
    """Rise of level in `bands_hz` together, one value a millisecond."""
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


def _edge(samples: Floats, near: int, rate_hz: int, high_pass: NDArray[np.float64] | None = None) -> int:
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
    rise = _novelty(samples, rate_hz, _BANDS_HZ)
    peaks, _ = scipy.signal.find_peaks(rise, height=_LEAST_RISE, distance=int(_CLOSEST_S / HOP_S))
    high_pass = scipy.signal.butter(4, 5000.0, "highpass", fs=rate_hz, output="sos")
    starts = np.array(
        [_edge(samples, int(peak * rate_hz * HOP_S), rate_hz, high_pass) for peak in peaks], dtype=np.int64
    )
    return _described(samples, rate_hz, starts, rise[peaks])


def strokes_like_the_first(samples: Floats, rate_hz: int, *, until_s: float) -> Strokes | None:
    """Strokes like those before `until_s`, when the chanter starts, by matched filtering; None if none are alike there.

    A click without treble drowns in the chanter, but the strokes of a count-in stand alone: their mean is what to look
    for. Both it and the take are whitened by the take's own mean spectrum, so that the chanter's strong partials count
    for little.
    """
    stop = int(max(0.0, until_s - 0.03) * rate_hz)
    if stop < rate_hz // 2:
        return None
    quiet = samples[:stop]
    rise = _novelty(quiet, rate_hz, _QUIET_BANDS_HZ)
    peaks, _ = scipy.signal.find_peaks(rise, height=_LEAST_QUIET_RISE, distance=int(_CLOSEST_S / HOP_S))
    starts = np.array([_edge(quiet, int(peak * rate_hz * HOP_S), rate_hz) for peak in peaks], dtype=np.int64)
    length = int(_LIKE_S * rate_hz)
    starts = _loud_onsets(quiet, starts[(starts > rate_hz // 100) & (starts + 2 * length < stop)], length, rate_hz)
    if starts.size < 3:
        return None
    white = _Whitened(samples, rate_hz)
    wave, alike = _alike(white.between(0, stop), starts, length, rate_hz)
    if wave is None:
        return None
    match = _matched(white, wave, samples.size)
    scale = float(np.median(match[alike]))
    noise = 1.4826 * float(np.median(np.abs(match[::_SOME])))
    found = _peaks(match, max(0.35 * scale, 5.0 * noise), int(_CLOSEST_S * rate_hz))
    if found.size < 3:
        return None
    strength = np.clip(6.0 * match[found] / scale, 0.0, 6.0)
    # The strength is the match itself here, which the chanter does not lower.
    return replace(_described(samples, rate_hz, found, strength), going_on=0.6)


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
        onsets.append(_edge(quiet, int(start) + int(np.argmax(power >= 0.5 * peak)), rate_hz) if faint else int(start))
    return np.unique(np.array(onsets, dtype=np.int64))


def _matched(white: _Whitened, wave: Floats, size: int) -> Floats:
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


_QUIET_BANDS_HZ: Final = ((700.0, 2000.0), (2000.0, 5000.0), (5000.0, 15000.0))
_LEAST_QUIET_RISE: Final = 2.0
_LIKE_S: Final = 0.030
_LEAST_LIKENESS: Final = 0.5
#: Below this share of the loudest power nothing is a stroke; a stroke begins with more than this share of its own.
_SILENT_POWER: Final = 1e-3
_FAINT_POWER: Final = 0.02
_MOST_FOR_SPECTRUM: Final = 400


class _Whitened:
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
    for fewer than three. What a room leaves of a stroke may seem alike too, and there may be more of it."""
    best: tuple[Floats | None, NDArray[np.int64]] = (None, starts[:0])
    loudest = 0.0
    for first in starts:
        wave = white[first : first + length]
        power = float(np.sum(wave**2))
        group, loud = [], 0.0
        for start in starts:
            place = _align(white, wave, int(start), rate_hz)
            other = white[place : place + length]
            if other.size < length:
                continue
            level = float(np.sqrt(np.sum(other**2)))
            if float(np.sum(wave * other)) >= _LEAST_LIKENESS * np.sqrt(power) * level:
                group.append(place)
                loud += level
        if len(group) >= 3 and loud > loudest:
            loudest = loud
            mean = np.mean([white[place : place + length] for place in group], axis=0)
            best = (np.asarray(mean, dtype=np.float32), np.array(group, dtype=np.int64))
    return best


def likeness(samples: Floats, rate_hz: int, times_s: NDArray[np.float64]) -> float:
    """How alike the strokes at `times_s` (k,) are, -1 to 1: the median correlation of each with the mean of the others.

    A metronome's clicks are alike; the marks of note changes are not.
    """
    length, spare = int(_LIKE_S * rate_hz), rate_hz // 100
    starts = np.round(times_s * rate_hz).astype(np.int64)
    starts = starts[(starts > spare) & (starts + 2 * length < samples.size)]
    if starts.size < 3:
        return 0.0
    white = _Whitened(samples, rate_hz)
    around = [white.between(int(start) - spare, int(start) + length + spare) for start in starts]
    places = [spare] * starts.size
    for _ in range(2):
        rows = np.stack([part[place : place + length] for part, place in zip(around, places, strict=True)])
        mean = rows.mean(axis=0)
        places = [_align(part, mean, place, rate_hz) for part, place in zip(around, places, strict=True)]
    rows = np.stack([part[place : place + length] for part, place in zip(around, places, strict=True)])
    others = (rows.sum(axis=0) - rows) / (rows.shape[0] - 1)
    power = np.sqrt(np.sum(rows**2, axis=1) * np.sum(others**2, axis=1)) + 1e-12
    return float(np.median(np.sum(rows * others, axis=1) / power))


def _described(samples: Floats, rate_hz: int, starts: NDArray[np.int64], strength: NDArray[np.float64]) -> Strokes:
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


_BEFORE_S: Final = 0.003
_AFTER_S: Final = 0.120


@dataclass(frozen=True)
class Clicks:
    """Clicks of one kind taken out of a sound: when each starts in seconds (k,), and the waveform (n,) that was taken
    out, which starts `lead` samples before the click."""

    times_s: NDArray[np.float64]
    wave: Floats
    lead: int


def subtract(
    samples: Floats, rate_hz: int, times_s: NDArray[np.float64], numbers: NDArray[np.int64]
) -> tuple[Floats, list[Clicks]]:
    """`samples` (n,) without the clicks that sound at `times_s` (k,) on beats `numbers` (k,), and what was taken out,
    one entry a kind of click.

    A metronome's click is the same every time, room and all, so its waveform is the mean over all strokes (quiet
    moments count most) aligned on the high-passed sound, and it can be taken out with a gain fitted to each. Some
    metronomes have two: the first of a bar sounds higher. What does not repeat (a foot) averages to little, is fitted
    with little gain, and so stays.
    """
    high_pass = scipy.signal.butter(4, 1200.0, "highpass", fs=rate_hz, output="sos")
    high = _both_ways(high_pass, samples, rate_hz)
    before, length = int(_BEFORE_S * rate_hz), int((_BEFORE_S + _AFTER_S) * rate_hz)
    starts = np.round(times_s * rate_hz).astype(int) - before
    inside = (starts >= 0) & (starts + length <= samples.size)
    starts, numbers = starts[inside], numbers[inside]
    if starts.size < 3:
        return samples, []
    cleaned = samples.copy()
    return cleaned, [
        _take_out(cleaned, samples, high, starts[kind], before, length, rate_hz)
        for kind in _kinds(samples, starts + before, numbers, rate_hz)
    ]


def _both_ways(sections: NDArray[np.float64], samples: Floats, rate_hz: int) -> Floats:
    """`samples` (n,) filtered forwards and backwards by `sections`, piece by piece."""
    result = np.empty_like(samples)
    spare = rate_hz // 20
    for start in range(0, samples.size, _PIECE):
        first = max(0, start - spare)
        filtered = scipy.signal.sosfiltfilt(sections, samples[first : start + _PIECE + spare])
        result[start : start + _PIECE] = filtered[start - first : start - first + _PIECE]
    return result


def _take_out(
    cleaned: Floats,
    samples: Floats,
    high: Floats,
    starts: NDArray[np.int64],
    before: int,
    length: int,
    rate_hz: int,
) -> Clicks:
    """Take one kind of click out of `cleaned`, in place."""
    starts = starts.copy()
    for _ in range(3):
        wave = _mean_wave(high, starts, length)
        starts = np.array([_align(high, wave, int(start), rate_hz) for start in starts])
    high_wave = _mean_wave(high, starts, length)
    wave = _mean_wave(samples, starts, length)
    fade = np.ones(length, dtype=np.float32)
    fade[: before // 2] = np.linspace(0.0, 1.0, before // 2)
    fade[-length // 4 :] = np.linspace(1.0, 0.0, length // 4)
    energy = float(np.sum(high_wave.astype(np.float64) ** 2)) + 1e-12
    for start in starts:
        part = slice(int(start), int(start) + length)
        gain = float(np.sum(high[part].astype(np.float64) * high_wave)) / energy
        cleaned[part] -= (np.clip(gain, 0.0, 1.4) * fade * wave).astype(np.float32)
    return Clicks((starts + before) / rate_hz, np.asarray(fade * wave, dtype=np.float32), before)


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


def _kinds(
    samples: Floats, starts: NDArray[np.int64], numbers: NDArray[np.int64], rate_hz: int
) -> list[NDArray[np.bool_]]:
    """The strokes that start at `starts` (k,) on beats `numbers` as one or two kinds: masks (k,).

    Metronomes mark the first beat of two, three, four or six. Which, if any, shows in what each stroke adds to the
    spectrum: the division is taken that leaves the kinds far more alike within than dividing by lot would. Exercises
    have a step of two beats themselves, so every fourth or sixth stroke is compared with those an even number of beats
    away.
    """
    added = np.stack([_added(samples, int(start), rate_hz) for start in starts])
    for divisions in (((4, 2), (6, 2), (3, 1)), ((2, 1),)):
        best, chosen = _LEAST_DISTINCT, np.ones(starts.size, dtype=bool)
        for beats, step in divisions:
            for first in range(beats):
                one = numbers % beats == first
                among = numbers % step == first % step
                distinct = _distinct(added[among], one[among])
                if distinct > best:
                    best, chosen = distinct, one
        if not chosen.all():
            return [chosen, ~chosen]
    return [np.ones(starts.size, dtype=bool)]


def _distinct(added: NDArray[np.float64], one: NDArray[np.bool_]) -> float:
    """By how many standard deviations the kind `one` (k,) of `added` (k, bins) stands out from a division by lot."""
    if min(one.sum(), (~one).sum()) < _LEAST_OF_A_KIND:
        return 0.0
    random = np.random.default_rng(one.size)
    lots = [_explained(added, random.permutation(one)) for _ in range(60)]
    return float((_explained(added, one) - np.mean(lots)) / (np.std(lots) + 1e-12))


def _added(samples: Floats, start: int, rate_hz: int) -> NDArray[np.float64]:
    """What a stroke at `start` adds to the spectrum from 700 Hz up, of length 1."""
    size = rate_hz * 16 // 1000
    taper = np.hanning(size)
    first = max(0, start - size - rate_hz // 200)
    before, after = samples[first : first + size], samples[start : start + size]
    if before.size < size or after.size < size:
        return np.zeros(size // 2 + 1)
    rise = np.abs(np.fft.rfft(after * taper)) ** 0.5 - np.abs(np.fft.rfft(before * taper)) ** 0.5
    rise = np.where(np.fft.rfftfreq(size, 1.0 / rate_hz) > 700.0, np.maximum(rise, 0.0), 0.0)
    return np.asarray(rise / (np.linalg.norm(rise) + 1e-12), dtype=np.float64)


def _explained(rows: NDArray[np.float64], one: NDArray[np.bool_]) -> float:
    """The energy of `rows` that the means of the two kinds hold."""
    return float(sum(np.sum(rows[kind].sum(axis=0) ** 2) / kind.sum() for kind in (one, ~one)))


#: A kind of click has at least this many strokes; two kinds stand out by so many standard deviations.
_LEAST_OF_A_KIND: Final = 3
_LEAST_DISTINCT: Final = 5.0


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
    return first + int(np.argmax(np.correlate(span, wave, mode="valid")))
