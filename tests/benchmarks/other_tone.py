"""Chanter, drones, clicks and taps of another kind than :mod:`analysis.tone` makes: to hear whether what holds of the
one sound holds of others.

Here one oscillator glides from note to note, as one column of air does; every harmonic of every note has its own level
and comes and goes by itself; the change of a finger dips the sound; breath hisses with it; drones are up to as loud as
the chanter; metronomes beep, click and knock at any pitch, and no two taps of a foot are the same. All of it is drawn
from the seed, wider than real instruments are (values by ear, no published source).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, fftconvolve, sosfilt

from analysis.chanter import Note
from analysis.model_player import Stroke, Voice
from analysis.performance import PlayedNote
from analysis.tone import Floats

_TOP_HZ: Final = 10_000.0
_LEVEL: Final = 0.15
#: Sounds closer than this are joined by a finger, not by a breath.
_JOINED_S: Final = 0.01
_STROKE_S: Final = 0.06


def sound(notes: Sequence[PlayedNote], voice: Voice, *, duration_s: float, rate_hz: int, drones: bool = True) -> Floats:
    """`notes` as float32 mono of ``duration_s * rate_hz`` samples, RMS about 0.15 in the music; pipes with their drones
    unless `drones` is False."""
    random = np.random.default_rng([voice.seed, 901])
    size = round(duration_s * rate_hz)
    levels, hz = _courses(notes, voice, size, rate_hz, random)
    result = _oscillated(levels, hz, rate_hz, random)
    loudness = np.sqrt(0.5 * np.sum(levels.astype(np.float64) ** 2, axis=0))
    hiss = sosfilt(butter(1, (600, 5000), "bandpass", fs=rate_hz, output="sos"), random.standard_normal(size))
    result += _gain(-random.uniform(26, 50)) * loudness * hiss / hiss.std()
    result *= _LEVEL / np.sqrt(np.mean(result[loudness > 0.1] ** 2))
    if voice.instrument == "pipes" and drones:
        first, last = round(notes[0].start_s * rate_hz), min(size, round(notes[-1].end_s * rate_hz))
        result[first:last] += _drones(voice.hertz(Note.LOW_A), last - first, rate_hz, random)
    return result.astype(np.float32)


def _gain(db: float) -> float:
    return float(10 ** (db / 20))


def _spectra(voice: Voice, random: np.random.Generator) -> NDArray[np.float64]:
    """The level of every harmonic of every note (9, harmonics): a slope, even against odd ones, resonances where the
    seed puts them, and what each harmonic has of its own."""
    pipes = voice.instrument == "pipes"
    slope, even = random.uniform(0.3, 1.6), random.uniform(0.6, 1.6) if pipes else random.uniform(0.25, 1.3)
    resonances = random.normal(0, random.uniform(2, 8), 24)
    places = np.linspace(np.log(150.0), np.log(_TOP_HZ), resonances.size)
    own, loudness = random.uniform(0.5, 5), random.uniform(0, 3)
    numbers = np.arange(1, int(_TOP_HZ / voice.hertz(Note.LOW_G)) + 1)
    rows = []
    for note in Note:
        hz = voice.hertz(note) * numbers
        db = np.interp(np.log(hz), places, resonances) - 20 * slope * np.log10(numbers)
        db += np.where(numbers % 2 == 0, 20 * np.log10(even), 0.0) + random.normal(0, own, numbers.size)
        level = 10 ** (db / 20) * (hz < 1.05 * _TOP_HZ)
        rows.append(level / np.sqrt(0.5 * np.sum(level**2)) * _gain(random.normal(0, loudness)))
    return np.array(rows)


def _courses(
    notes: Sequence[PlayedNote], voice: Voice, size: int, rate_hz: int, random: np.random.Generator
) -> tuple[Floats, NDArray[np.float64]]:
    """The level of every harmonic (harmonics, n) and the fundamental in hertz (n,) of a take of `size` samples."""
    spectra = _spectra(voice, random)
    glide = max(1, round(random.uniform(0.001, 0.007) * rate_hz))
    dip = random.uniform(0, 0.6)
    levels = np.zeros((spectra.shape[1], size), dtype=np.float32)
    pitch = np.full(size, np.log(voice.hertz(Note.LOW_A)))
    for note in notes:
        part = slice(round(note.start_s * rate_hz), round(note.end_s * rate_hz))
        levels[:, part] = spectra[note.note][:, None]
        pitch[part] = np.log(voice.hertz(note.note))
    taper = np.hanning(glide + 2)[1:-1]
    taper /= taper.sum()
    levels = fftconvolve(levels, taper[None, :].astype(np.float32), mode="same", axes=1)
    pitch = fftconvolve(np.pad(pitch, glide, mode="edge"), taper, mode="same")[glide:-glide]
    for number, note in enumerate(notes):
        start, stop = round(note.start_s * rate_hz), min(size, round(note.end_s * rate_hz))
        if number and note.start_s - notes[number - 1].end_s < _JOINED_S:
            width = round(0.004 * rate_hz)
            levels[:, start - width : start + width] *= 1.0 - dip * np.hanning(2 * width)
        else:
            levels[:, max(0, start - glide) : start] = 0.0
            rise = round(random.uniform(0.008, 0.03) * rate_hz)
            levels[:, start : start + rise] *= np.sin(np.linspace(0, np.pi / 2, rise)) ** 2
            settling = np.arange(round(0.05 * rate_hz)) / (0.012 * rate_hz)
            pitch[start : start + settling.size] -= random.uniform(0, 40) / 1200 * np.log(2) * np.exp(-settling)
        if number + 1 == len(notes) or notes[number + 1].start_s - note.end_s >= _JOINED_S:
            fall = round(random.uniform(0.01, 0.04) * rate_hz)
            levels[:, stop - fall : stop] *= np.linspace(1, 0, fall)
            levels[:, stop : stop + glide] = 0.0
    wobble = _slow(size, rate_hz, 5.0, random) * voice.wobble_cents
    return levels, np.exp(pitch) * 2 ** (wobble / 1200)


def _slow(size: int, rate_hz: int, per_s: float, random: np.random.Generator) -> NDArray[np.float64]:
    """A random course (n,) of unit spread through `per_s` points a second."""
    points = random.standard_normal(int(size / rate_hz * per_s) + 3)
    return np.interp(np.arange(size) * (per_s / rate_hz), np.arange(points.size), points)


def _oscillated(
    levels: Floats, hz: NDArray[np.float64], rate_hz: int, random: np.random.Generator
) -> NDArray[np.float64]:
    """The sum (n,) of harmonics at `levels` (harmonics, n) of the fundamental `hz` (n,), each coming and going."""
    phase = 2 * np.pi * np.cumsum(hz) / rate_hz
    come_and_go = random.uniform(0, 0.25)
    result = np.zeros(hz.size)
    for number, level in enumerate(levels, 1):
        course = np.clip(1 + come_and_go * _slow(hz.size, rate_hz, 8.0, random), 0.2, 2.0)
        result += level * course * np.sin(number * phase + random.uniform(0, 2 * np.pi))
    return result


def _drones(low_a_hz: float, size: int, rate_hz: int, random: np.random.Generator) -> NDArray[np.float64]:
    """Two tenors and a bass (n,), a fifth as loud as the chanter to just as loud."""
    time = np.arange(size) / rate_hz
    result = np.zeros(size)
    for ratio in (0.5, 0.5 * 2 ** (random.uniform(-2, 2) / 1200), 0.25):
        slope = random.uniform(0.8, 1.4)
        for number in range(1, int(6000 / (low_a_hz * ratio))):
            level = _gain(random.normal(0, 4)) * number**-slope
            result += level * np.sin(2 * np.pi * number * low_a_hz * ratio * time + random.uniform(0, 2 * np.pi))
    result *= random.uniform(0.2, 1.0) * _LEVEL / result.std()
    fade = np.linspace(0, 1, round(0.05 * rate_hz))
    result[: fade.size] *= fade
    result[-fade.size :] *= fade[::-1]
    return result


def strokes(
    times_s: Iterable[float], accented: Iterable[float], *, duration_s: float, rate_hz: int, kind: Stroke, seed: int
) -> Floats:
    """Clicks of a metronome that `seed` chooses, or taps of a foot, at `times_s`; those also in `accented` a fourth
    higher, or louder. Peak about 1."""
    random = np.random.default_rng([seed, 902])
    make = _Metronome(random, rate_hz)
    result = np.zeros(round(duration_s * rate_hz), dtype=np.float32)
    first = frozenset(accented)
    for time in times_s:
        wave = make.click(accented=time in first) if kind == "click" else _tap(random, rate_hz)
        start = round(time * rate_hz)
        stop = min(result.size, start + wave.size)
        result[start:stop] += wave[: stop - start].astype(np.float32)
    return result


class _Metronome:
    """One of four: a beep, a burst of noise, a knock on wood, a square buzz."""

    def __init__(self, random: np.random.Generator, rate_hz: int) -> None:
        self.kind = int(random.integers(4))
        self.hz = random.uniform(700, 3000)
        self.decay_s = random.uniform(0.003, 0.015)
        self.time = np.arange(round(_STROKE_S * rate_hz)) / rate_hz
        self.noise = random.standard_normal(self.time.size)

    def click(self, *, accented: bool) -> NDArray[np.float64]:
        time, hz = self.time, self.hz * (4 / 3 if accented else 1.0)
        decay = np.exp(-time / self.decay_s)
        if self.kind == 0:
            wave = np.sin(2 * np.pi * hz * time) * np.clip(np.minimum(time / 0.001, (0.02 - time) / 0.002), 0, 1)
        elif self.kind == 1:
            wave = self.noise * decay
            return wave / np.abs(wave).max() * (1.0 if accented else 0.7)
        elif self.kind == 2:
            wave = (np.sin(2 * np.pi * hz * time) + 0.6 * np.sin(2 * np.pi * 2.71 * hz * time)) * decay
        else:
            wave = np.sign(np.sin(2 * np.pi * hz * time)) * decay
        return np.asarray(wave / np.abs(wave).max())


def _tap(random: np.random.Generator, rate_hz: int) -> NDArray[np.float64]:
    time = np.arange(round(_STROKE_S * rate_hz)) / rate_hz
    thump = np.sin(2 * np.pi * random.uniform(70, 110) * time) * np.exp(-time / 0.025)
    scrape = random.standard_normal(time.size) * np.exp(-time / random.uniform(0.002, 0.006))
    wave = thump + 0.6 * scrape
    return np.asarray(random.uniform(0.6, 1.0) * wave / np.abs(wave).max())
