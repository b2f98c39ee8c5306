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

Floats = NDArray[np.float32]

RATE_HZ: Final = 16_000
_CHUNK_FRAMES: Final = 2048


def at_listening_rate(samples: Floats, rate_hz: int) -> Floats:
    """`samples` (n,) resampled from `rate_hz` to :data:`RATE_HZ`, float32."""
    if rate_hz == RATE_HZ:
        return np.ascontiguousarray(samples, dtype=np.float32)
    resampled: Floats = soxr.resample(np.ascontiguousarray(samples, dtype=np.float32), rate_hz, RATE_HZ)
    return resampled


def magnitudes(
    samples: Floats, *, window: int, hop: int, size: int, low_hz: float = 0.0, high_hz: float = RATE_HZ / 2
) -> Floats:
    """Magnitude spectrogram, shape (frames, bins), of Hann windows of `window` samples every `hop` samples.

    `size` is the length of the Fourier transform in samples; only bins from `low_hz` to below `high_hz` are kept. A
    sine of amplitude 1 gives a peak of 1. Frames are ``1 + n // hop``, the edges padded with silence.
    """
    first, last = bin_range(size, low_hz, high_hz)
    taper = np.hanning(window + 1)[:-1].astype(np.float32)
    taper *= 2.0 / taper.sum()
    padded = np.pad(samples, (window // 2, window))
    count = 1 + samples.size // hop
    frames = np.lib.stride_tricks.sliding_window_view(padded, window)[::hop][:count]
    result = np.empty((count, last - first), dtype=np.float32)
    for start in range(0, count, _CHUNK_FRAMES):
        block = frames[start : start + _CHUNK_FRAMES] * taper
        result[start : start + _CHUNK_FRAMES] = np.abs(scipy.fft.rfft(block, n=size, axis=1)[:, first:last])
    return result


def bin_range(size: int, low_hz: float, high_hz: float) -> tuple[int, int]:
    """First kept bin and the one after the last, for a transform of `size` samples."""
    return int(np.ceil(low_hz * size / RATE_HZ)), min(size // 2 + 1, int(np.ceil(high_hz * size / RATE_HZ)))
