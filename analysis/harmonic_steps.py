"""Where the harmonics of two notes begin or end all at once: a step in what is linear, which no room can hide.

A room adds echoes of what sounded, and magnitudes of a note and of the last one's echo do not add up: they may cancel
out, and a note that is there at once then seems to come 10 to 25 ms late. Their waveforms do add up. Around a change
from one note to another the sound is a sum of sines at the harmonics of both, and what echoes add to each of these
changes slowly; only the direct sound begins, and ends, in an instant. So each harmonic is given an amplitude and phase
that may drift over 60 ms, and then a step in the middle as well: how much of what the drifting ones leave over the
steps explain tells how much of a step there is.

Measured, in a trial with filters of another kind, where made takes' notes change (6,231 changes, mostly of takes whose
edges were hard to place): the highest step within 30 ms of the true change lay more than 10 ms from it in 178, without
the high-pass in 203. Tried, against the latter: windows of 50 or 80 ms (230, 300), half the ridge or twice (205, 215),
amplitudes that may not drift (510), sines of the drones as well (196), all below 2.5 or 5.5 kHz (205, 198), a flattened
spectrum (233 and more: noise comes up), and, by whole takes, pitches that follow the blowing and less trust where
clicks were taken out (as good).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import scipy.linalg
import scipy.signal
from numpy.typing import NDArray

from analysis import steps
from analysis.spectra import RATE_HZ, Floats, windows

#: Harmonics up to here are looked at, in every second sample; mains hum and rumble lie below the lowest note.
_TOP_HZ: Final = 3700.0
_BAND_HZ: Final = (150.0, 3850.0)
_EVERY: Final = 2
_RATE_HZ: Final = RATE_HZ // _EVERY
#: Half of the window, and what is between two places looked at, in so many of these samples: 30 and 0.25 ms.
_HALF: Final = 240
_HOP: Final = 2
#: How long a change takes, as fingers and the air in the bore make it, in seconds.
_RISE_S: Final = 0.0035
#: Harmonics nearer to each other than this are one in so short a window.
_APART_HZ: Final = 12.0
#: How far from the sound a fit may stay rather than tell like sines apart, as a share of each one's energy.
_RIDGE: Final = 0.1
#: A recording that begins or ends within a note begins or ends at once, but that is no change: none so near to it.
_FROM_ENDS_S: Final = 0.010
#: Where the fit leaves less energy than this of all there is, or there is none, nothing is told.
_LEAST: Final = 1e-9
#: A band-pass (taps,) that moves nothing.
_TAPS: Final = scipy.signal.firwin(321, _BAND_HZ, pass_zero=False, fs=RATE_HZ).astype(np.float32)


@dataclass(frozen=True)
class _Part:
    """The even or the odd half of a pair's sines, made orthonormal: (half window, columns), and how many of the columns
    are drifting ones; the rest are their steps."""

    columns: Floats
    drifting: int


@dataclass(frozen=True)
class HarmonicSteps:
    """Steps of harmonics in `samples` (n,) at the listening rate, of notes whose frequencies are `hz`."""

    samples: Floats
    hz: tuple[float, ...]
    _pairs: dict[frozenset[int], tuple[_Part, _Part]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    def shares(self, before: int, after: int, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """How much of a step there is at `times_s` (k,), in order, between two notes (k,): of what no drifting
        harmonics explain the share that a step in each explains. 0 is none; half, with next to no noise, a clean one,
        since the fit stays short of it.
        """
        pair = frozenset((before, after))
        if pair not in self._pairs:
            self._pairs[pair] = _parts(sorted(self.hz[note] for note in pair))
        first = int(np.floor(times_s[0] * _RATE_HZ / _HOP)) * _HOP
        count = int(np.ceil((times_s[-1] * _RATE_HZ + 0.5 - first) / _HOP)) + 1
        middles_s = (first + _HOP * np.arange(count) - 0.5) / _RATE_HZ  # between two samples
        found = _explained(self._stretches(first, count), self._pairs[pair])
        ends_s = self.samples.size / RATE_HZ - _FROM_ENDS_S
        found[(middles_s < _FROM_ENDS_S) | (middles_s > ends_s)] = 0.0
        return np.interp(times_s, middles_s, found)

    def _stretches(self, first: int, count: int) -> Floats:
        """The windows (count, 2 * half) around places from sample `first` on, every few samples."""
        rim = _TAPS.size // 2
        start = (first - _HALF) * _EVERY - rim
        length = (_HOP * (count - 1) + 2 * _HALF) * _EVERY + 2 * rim
        around = windows(self.samples, np.array([start]), length)[0]
        passed = scipy.signal.fftconvolve(around, _TAPS, "valid")[::_EVERY]
        return np.asarray(np.lib.stride_tricks.sliding_window_view(passed, 2 * _HALF)[::_HOP])


def _parts(hz: list[float]) -> tuple[_Part, _Part]:
    """The sines of all harmonics of notes at `hz`, even and odd ones."""
    harmonics = np.sort(np.concatenate([np.arange(pitch, _TOP_HZ, pitch) for pitch in hz]))
    kept = [harmonics[0]]
    for frequency in harmonics[1:]:
        if frequency - kept[-1] > _APART_HZ:
            kept.append(frequency)
    samples = np.arange(_HALF) + 0.5
    phase = 2.0 * np.pi * samples[:, None] / _RATE_HZ * np.array(kept)
    cosine, sine = (_taper()[:, None] * wave for wave in (np.cos(phase), np.sin(phase)))
    drift = (samples / _HALF)[:, None]
    step = (steps.shape(samples / _RATE_HZ, round(_RISE_S * RATE_HZ)) - 0.5)[:, None]
    # A drift or a step is odd about the middle: times a sine, which is odd too, it is even.
    return _part([cosine, sine * drift], sine * step), _part([sine, cosine * drift], cosine * step)


def _taper() -> Floats:
    """The right half of the window (half,)."""
    return np.asarray(np.cos(0.5 * np.pi * (np.arange(_HALF) + 0.5) / _HALF) ** 2, dtype=np.float32)


def _part(drifting: list[NDArray[np.float64]], stepping: NDArray[np.float64]) -> _Part:
    columns = np.concatenate([*drifting, stepping], axis=1)
    columns /= np.linalg.norm(columns, axis=0)
    gram = columns.T @ columns
    gram[np.diag_indices_from(gram)] += _RIDGE
    orthonormal = scipy.linalg.solve_triangular(np.linalg.cholesky(gram), columns.T, lower=True).T
    return _Part(np.asarray(orthonormal, dtype=np.float32), columns.shape[1] - stepping.shape[1])


def _explained(stretches: Floats, parts: tuple[_Part, _Part]) -> NDArray[np.float64]:
    """The share of what drifting sines leave of each of `stretches` (k, 2 * half) that steps explain (k,)."""
    right, left = stretches[:, _HALF:] * _taper(), stretches[:, _HALF - 1 :: -1] * _taper()
    left_over, by_steps = np.zeros(len(stretches)), np.zeros(len(stretches))
    for half, part in zip((right + left, right - left), parts, strict=True):
        along = np.square(half @ part.columns)
        left_over += np.square(half).sum(axis=1) - along[:, : part.drifting].sum(axis=1)
        by_steps += along[:, part.drifting :].sum(axis=1)
    loudest = float(np.square(right).sum(axis=1).max(initial=0.0))
    return np.asarray(by_steps / np.maximum(left_over, _LEAST * max(loudest, _LEAST)))
