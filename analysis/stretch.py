"""Sound made slower with its pitch kept: for hearing what happens within 40 ms.

Two ways, held against each other by tests on made takes (order and spacing of gracenotes, pitch):

``vocoder``: a phase vocoder with its phases locked around spectral peaks (J. Laroche and M. Dolson, IEEE Trans. Speech
and Audio Processing 7, 1999, 323-332). Where they read the phase's advance from neighbouring analysis frames, we
transform a second frame one synthesis hop before each: the advance is then measured over the very hop that is
synthesised, whatever the factor, and needs no unwrapping.

``wsola``: overlap and add of frames, each moved by up to half the longest period to fit the one before it (W. Verhelst
and M. Roelands, ICASSP 1993, 554-557). A moved frame moves the change of note in it, by that much times the factor:
gracenotes limp by up to 3 % of their spacing where the vocoder stays near 1 %, so it is what :func:`stretch` takes.
Even gracenotes 35 ms apart keep their spacing to 0.1 %, as told by a high tone given to each. How sharply they begin is
blurred by half a window either way.

Arrays are float32 mono (n,); a factor of 4 gives 4 n samples.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import fft

Floats = NDArray[np.float32]
Method = Literal["vocoder", "wsola"]

#: Factors that are of use: below, it is no longer slower; above, a gracenote is as long as a bar.
FACTORS: Final = (1.0, 16.0)
#: The vocoder's window in seconds: the shortest that still tells the harmonics of a practice chanter's low G apart.
WINDOW_S: Final = 0.028
_OVERLAP: Final = 8
_BATCH: Final = 512
#: WSOLA's frame in seconds, and how far it may be moved: half a period of the practice chanter's low G.
_FRAME_S: Final = 0.024
_REACH_S: Final = 0.0025


def stretch(samples: Floats, factor: float, *, rate_hz: int, method: Method = "vocoder") -> Floats:
    """`samples` made `factor` times as long, every pitch kept: float32 (round(n * factor),).

    Raises ValueError for a factor outside :data:`FACTORS`.
    """
    if not FACTORS[0] <= factor <= FACTORS[1]:
        raise ValueError(f"the factor is {factor:g}; it takes {FACTORS[0]:g} to {FACTORS[1]:g}")
    wanted = round(samples.size * factor)
    if factor == 1.0 or samples.size == 0:
        return samples.astype(np.float32, copy=True)
    made = _vocoder(samples, factor, rate_hz) if method == "vocoder" else _wsola(samples, factor, rate_hz)
    return made[:wanted]


def _window(size: int) -> Floats:
    return (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size)).astype(np.float32)


def _vocoder(samples: Floats, factor: float, rate_hz: int) -> Floats:
    size = 2 * round(WINDOW_S * rate_hz / 2)
    hop = size // _OVERLAP
    window = _window(size)
    count = int(np.ceil(samples.size * factor / hop)) + _OVERLAP
    # The middle of the first frame is the first sample, in what comes in as in what goes out.
    padded = np.pad(samples, (size // 2 + hop, size + hop))
    starts = hop + np.round(np.arange(count) * (hop / factor)).astype(np.int64)
    starts = np.minimum(starts, padded.size - size)
    out = np.zeros(count * hop + size, dtype=np.float32)
    # With a Hann window squared, so many overlaps add up to this.
    level = float(np.sum(window**2)) / hop
    turned: NDArray[np.complex64] | None = None
    for first in range(0, count, _BATCH):
        block = starts[first : first + _BATCH]
        here = _spectra(padded, block, window)
        before = _spectra(padded, block - hop, window)
        for row in range(block.size):
            turned = here[row] if turned is None else _locked(here[row], before[row], turned)
            here[row] = turned
        frames = fft.irfft(here, n=size, axis=1).astype(np.float32) * (window / level)
        for row, frame in enumerate(frames):
            at = (first + row) * hop
            out[at : at + size] += frame
    return out[size // 2 :]


def _spectra(padded: Floats, starts: NDArray[np.int64], window: Floats) -> NDArray[np.complex64]:
    frames = np.lib.stride_tricks.sliding_window_view(padded, window.size)[starts]
    return np.asarray(fft.rfft(frames * window, axis=1), dtype=np.complex64)


def _locked(
    here: NDArray[np.complex64], before: NDArray[np.complex64], last: NDArray[np.complex64]
) -> NDArray[np.complex64]:
    """`here` turned so that every peak goes on from `last` by as much as it advances from `before`; the bins around a
    peak turn with it."""
    height = np.abs(here)
    inner = height[2:-2]
    higher = np.maximum(np.maximum(height[:-4], height[1:-3]), np.maximum(height[3:-1], height[4:]))
    peaks = np.flatnonzero(inner > higher) + 2
    if peaks.size == 0:
        return here
    turn = last[peaks] * np.conj(before[peaks])
    size = np.abs(turn)
    # Out of silence there is nothing to go on from: a peak then starts as it is.
    turn = np.where(size > 1e-9, turn / np.maximum(size, 1e-9), 1.0)
    borders = (peaks[1:] + peaks[:-1] + 1) // 2
    owner = np.searchsorted(borders, np.arange(here.size), side="right")
    return np.asarray(here * turn[owner], dtype=np.complex64)


def _wsola(samples: Floats, factor: float, rate_hz: int) -> Floats:
    size = 2 * round(_FRAME_S * rate_hz / 2)
    hop, reach = size // 2, round(_REACH_S * rate_hz)
    window = _window(size)
    count = int(np.ceil(samples.size * factor / hop)) + 2
    padded = np.pad(samples, (size // 2 + reach, 2 * size + 2 * reach))
    out = np.zeros(count * hop + size, dtype=np.float32)
    at = reach
    out[:size] += padded[at : at + size] * window
    for number in range(1, count):
        wanted = min(reach + round(number * hop / factor), padded.size - 2 * size - reach)
        follows = padded[at + hop : at + hop + size]
        around = padded[wanted - reach : wanted + reach + size]
        # The likeness at each shift, as one correlation over the length of a frame.
        likeness = np.correlate(around, follows, mode="valid")
        energy = np.convolve(around**2, np.ones(size, dtype=np.float32), mode="valid")
        at = wanted - reach + int(np.argmax(likeness / np.sqrt(energy + 1e-9)))
        out[number * hop : number * hop + size] += padded[at : at + size] * window
    return out[size // 2 :]
