"""How the pitch of sounded notes moves: a fine trace around what is already known to sound.

Which note sounds when is the report's. Here only its fundamental is followed, within a little around where the note
lies in the take: the power of its harmonics, summed, is looked for over a fine grid (harmonic summation, D. J. Hermes,
J. Acoust. Soc. Am. 83, 1988, 257-264, with the grid a few cents wide and no subharmonics to be mistaken for). Drones
and the other notes' rests lie outside that little and do not draw the trace away.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.report import SoundedNote

Floats = NDArray[np.float32]

WINDOW_S: Final = 0.040
STEP_S: Final = 0.008
_HARMONICS: Final = 6
#: How far around the note its pitch is looked for, and how finely, in cents.
_REACH: Final = 70.0
_GRID: Final = 5.0


@dataclass(frozen=True)
class Trace:
    """Times in s, the note that sounds, its frequency in hertz and cents from the note's own place in the take.

    A point without hertz and cents ends a note, so that a line drawn through the others breaks there.
    """

    times_s: list[float]
    notes: list[str]
    hertz: list[float | None]
    cents: list[float | None]


def trace(
    samples: Floats, notes: Sequence[SoundedNote], hertz: dict[str, float], *, rate_hz: int, start_s: float = 0.0
) -> Trace:
    """The pitch of `notes` (those of a report) over `samples`, which begin `start_s` into the take.

    `hertz` says where each note lies; notes that it does not name are left out. A note shorter than half a window has
    no pitch that could be measured.
    """
    size = round(WINDOW_S * rate_hz)
    offsets = np.arange(-_REACH, _REACH + _GRID / 2, _GRID)
    times: list[float] = []
    names: list[str] = []
    found: list[float | None] = []
    cents: list[float | None] = []
    for note in notes:
        middle_hz = hertz.get(note["note"])
        low = max(note["start_s"], start_s) + WINDOW_S / 4
        high = min(note["end_s"], start_s + samples.size / rate_hz) - WINDOW_S / 4
        places = np.arange(low, high, STEP_S)
        starts = np.round((places - start_s) * rate_hz).astype(np.int64) - size // 2
        inside = (starts >= 0) & (starts + size <= samples.size)
        if middle_hz is None or not inside.any():
            continue
        places, starts = places[inside], starts[inside]
        off = _followed(samples, starts, size, middle_hz * 2 ** (offsets / 1200.0) / rate_hz, offsets)
        times.extend(np.round(places, 4).tolist())
        cents.extend(round(float(value), 1) for value in off)
        found.extend(round(middle_hz * 2 ** (float(value) / 1200.0), 2) for value in off)
        names.extend([note["note"]] * (off.size + 1))
        times.append(round(float(places[-1]) + STEP_S / 2, 4))
        cents.append(None)
        found.append(None)
    return Trace(times, names, found, cents)


def _followed(
    samples: Floats, starts: NDArray[np.int64], size: int, cycles: NDArray[np.float64], offsets: NDArray[np.float64]
) -> NDArray[np.float64]:
    """For each window the offset in cents whose harmonics are strongest, read between the grid's lines."""
    time = np.arange(size) - size / 2
    window = np.hanning(size)
    frames = np.lib.stride_tricks.sliding_window_view(samples, size)[starts]
    power = np.zeros((starts.size, offsets.size))
    for harmonic in range(1, _HARMONICS + 1):
        if harmonic * cycles[-1] >= 0.45:
            break
        waves = (window * np.exp(-2j * np.pi * harmonic * np.outer(cycles, time))).astype(np.complex64)
        power += np.abs(frames @ waves.T) ** 2
    best = np.clip(np.argmax(power, axis=1), 1, offsets.size - 2)
    rows = np.arange(starts.size)
    left, middle, right = power[rows, best - 1], power[rows, best], power[rows, best + 1]
    bend = left - 2 * middle + right
    shift = np.where(np.abs(bend) > 1e-12, 0.5 * (left - right) / np.where(np.abs(bend) > 1e-12, bend, 1.0), 0.0)
    return np.asarray(offsets[best] + _GRID * np.clip(shift, -1.0, 1.0))
