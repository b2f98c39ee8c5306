"""Short-time spectra of a chanter recording.

All of the listening happens at :data:`RATE_HZ`: harmonics of the chanter that tell notes apart lie below 7 kHz, and a
sample there is 0.06 ms, far below what a finger can do. Frame `i` of every spectrogram is centred on sample ``i *
hop``.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import scipy.fft
import soxr
from numpy.typing import NDArray

from analysis import mapped

Floats = NDArray[np.float32]

RATE_HZ: Final = 16_000
_CHUNK_FRAMES: Final = 1024


def at_listening_rate(samples: Floats, rate_hz: int) -> Floats:
    """`samples` (n,) resampled from `rate_hz` to :data:`RATE_HZ`, float32."""
    if rate_hz == RATE_HZ:
        return np.ascontiguousarray(samples, dtype=np.float32)
    stream = soxr.ResampleStream(rate_hz, RATE_HZ, 1, dtype="float32", quality="HQ")
    pieces = [stream.resample_chunk(np.ascontiguousarray(block, dtype=np.float32)) for block in mapped.blocks(samples)]
    return np.concatenate([*pieces, stream.resample_chunk(np.zeros(0, dtype=np.float32), last=True)])


def taper(window: int) -> Floats:
    """A Hann window (window,) under which a sine of amplitude 1 gives a peak of 1."""
    shape = np.hanning(window + 1)[:-1].astype(np.float32)
    return np.asarray(shape * (2.0 / shape.sum()), dtype=np.float32)


def windows(samples: Floats, starts: NDArray[np.int64], window: int) -> Floats:
    """The stretches (k, window) of `samples` (n,) that begin at `starts` (k,), with silence beyond both ends."""
    inside = (starts >= 0) & (starts + window <= samples.size)
    if inside.all():
        return np.asarray(np.lib.stride_tricks.sliding_window_view(samples, window)[starts])
    rows = np.zeros((starts.size, window), dtype=np.float32)
    if inside.any():
        rows[inside] = np.lib.stride_tricks.sliding_window_view(samples, window)[starts[inside]]
    for row in np.flatnonzero(~inside):
        first, last = max(0, int(starts[row])), min(samples.size, int(starts[row]) + window)
        if first < last:
            rows[row, first - int(starts[row]) : last - int(starts[row])] = samples[first:last]
    return rows


def frame_count(samples: Floats, hop: int) -> int:
    """How many frames, `hop` samples apart, `samples` (n,) has."""
    return 1 + samples.size // hop


def magnitudes(
    samples: Floats,
    frames: NDArray[np.int64],
    *,
    window: int,
    hop: int,
    size: int,
    low_hz: float = 0.0,
    high_hz: float = RATE_HZ / 2,
) -> Floats:
    """Magnitude spectra (k, bins) of the Hann windows of `window` samples centred on `frames` (k,) times `hop`.

    `size` is the length of the Fourier transform in samples; only bins from `low_hz` to below `high_hz` are kept.
    """
    first, last = bin_range(size, low_hz, high_hz)
    shape = taper(window)
    result = np.empty((frames.size, last - first), dtype=np.float32)
    for start in range(0, frames.size, _CHUNK_FRAMES):
        rows = windows(samples, frames[start : start + _CHUNK_FRAMES] * hop - window // 2, window)
        rows *= shape
        np.abs(scipy.fft.rfft(rows, n=size, axis=1)[:, first:last], out=result[start : start + _CHUNK_FRAMES])
    return result


def upper_quartile(values: NDArray[np.floating]) -> float:
    """The upper quartile of a few `values` (n,), as numpy.percentile has it, which takes many times as long."""
    ordered = np.sort(values)
    return float(np.interp(0.75 * (ordered.size - 1), np.arange(ordered.size), ordered))


def bin_range(size: int, low_hz: float, high_hz: float) -> tuple[int, int]:
    """First kept bin and the one after the last, for a transform of `size` samples."""
    return int(np.ceil(low_hz * size / RATE_HZ)), min(size // 2 + 1, int(np.ceil(high_hz * size / RATE_HZ)))
