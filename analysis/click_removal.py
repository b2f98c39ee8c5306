"""A metronome's clicks, taken out of a sound before it is listened to.

A click is the same every time, room and all, so its waveform can be learned from the take and subtracted; what is left
of a gracenote under it can then be heard.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy.signal
from numpy.typing import NDArray

from analysis import click_kinds
from analysis.spectra import Floats

#: What is taken out begins so long before a click and goes on for so long after it.
_BEFORE_S: Final = 0.003
_AFTER_S: Final = 0.120
#: Clicks are even if half of them lie so near to a straight line; out of step is what lies further off than the second
#: and nearer than the third.
_EVEN_S: Final = 0.00015
_OUT_OF_STEP_S: Final = 0.00025
_ANEW_S: Final = 0.004
#: Samples worked on at a time.
_PIECE: Final = 320_000


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
    kinds = click_kinds.kinds(samples, high, starts + before, numbers, rate_hz)
    return cleaned, [
        _take_out(cleaned, samples, high, starts[kind], numbers[kind], before, length, rate_hz) for kind in kinds
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
    numbers: NDArray[np.int64],
    before: int,
    length: int,
    rate_hz: int,
) -> Clicks:
    """Take one kind of click out of `cleaned`, in place."""
    starts = _in_step(click_kinds.aligned(high, starts, length, rate_hz), numbers, rate_hz)
    starts = np.clip(starts, 0, samples.size - length)
    high_wave = click_kinds.mean_wave(high, starts, length)
    wave = click_kinds.mean_wave(samples, starts, length)
    fade = np.ones(length, dtype=np.float32)
    fade[: before // 2] = np.linspace(0.0, 1.0, before // 2)
    fade[-length // 4 :] = np.linspace(1.0, 0.0, length // 4)
    energy = float(np.sum(high_wave.astype(np.float64) ** 2)) + 1e-12
    for start in starts:
        part = slice(int(start), int(start) + length)
        gain = float(np.sum(high[part].astype(np.float64) * high_wave)) / energy
        cleaned[part] -= (np.clip(gain, 0.0, 1.4) * fade * wave).astype(np.float32)
    return Clicks((starts + before) / rate_hz, np.asarray(fade * wave, dtype=np.float32), before)


def _in_step(starts: NDArray[np.int64], numbers: NDArray[np.int64], rate_hz: int) -> NDArray[np.int64]:
    """The `starts` (k,) of clicks on beats `numbers` (k,), those that are out of step put where the others say.

    Under a loud note a click fits best a period or two of its tone too early or too late. A metronome is even to a part
    of that; where most are not, none is moved, and never one that is further off: there bars began anew.
    """
    half = max(1, starts.size // 2)
    apart = numbers[half:] - numbers[:-half]
    if not np.any(apart > 0):
        return starts
    slope = float(np.median((starts[half:] - starts[:-half])[apart > 0] / apart[apart > 0]))
    offset = float(np.median(starts - slope * numbers))
    due = offset + slope * numbers
    off = np.abs(starts - due)
    if float(np.median(off)) > _EVEN_S * rate_hz:
        return starts
    is_out = (off > _OUT_OF_STEP_S * rate_hz) & (off < _ANEW_S * rate_hz)
    return np.where(is_out, np.round(due), starts).astype(np.int64)
