"""Rooms, noises, microphones and codecs for made takes: what happens to a sound on its way into a file.

None of these moves a note in time: the direct sound stays where it is, and the encoders' delay is one that ordinary
players skip. All randomness comes from seeds.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Final, Literal

import av
import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.signal import butter, fftconvolve, sosfilt, sosfiltfilt

Floats = NDArray[np.float32]
Colour = Literal["white", "pink", "hum"]

#: File name endings that :func:`encode` writes: container format, codec, bit rate.
ENCODINGS: Final[dict[str, tuple[str, str, int | None]]] = {
    ".wav": ("wav", "pcm_s16le", None),
    ".flac": ("flac", "flac", None),
    ".mp3": ("mp3", "libmp3lame", 128_000),
    ".m4a": ("ipod", "aac", 96_000),
    ".webm": ("webm", "libopus", 64_000),
    ".ogg": ("ogg", "libopus", 64_000),
}
#: How hard LAME tries for a model: it takes half its usual time, and a reed's steady tone does not need the rest.
_QUICK: Final = "7"
_FRAME: Final = 1024


#: Below this nothing is left after the first reflection: as good as no room.
_NO_ROOM_S: Final = 0.02


def room(samples: Floats, rate_hz: int, *, rt60_s: float, direct_to_reverb_db: float = 8.0, seed: int = 0) -> Floats:
    """`samples` (n,) in a room whose sound falls by 60 dB in `rt60_s`; same length, the direct sound in place.

    The impulse response is the direct sound, a few early reflections, and noise that decays exponentially, its treble
    twice as fast (common practice); all reflections together lie `direct_to_reverb_db` below the direct sound.
    """
    if rt60_s <= _NO_ROOM_S:
        return samples
    random = np.random.default_rng([seed, 101])
    time = np.arange(round(min(rt60_s * 1.2, 3.0) * rate_hz)) / rate_hz
    low = random.normal(0, 1, time.size)
    high = random.normal(0, 1, time.size)
    split = butter(2, 3000, fs=rate_hz, output="sos")
    bass = sosfilt(split, low) * 10 ** (-3 * time / rt60_s)
    treble = (high - sosfilt(split, high)) * 10 ** (-6 * time / rt60_s)
    response = bass + 0.7 * treble
    response[: round(0.004 * rate_hz)] = 0.0
    for _ in range(5):
        place = round(random.uniform(0.004, 0.03) * rate_hz)
        if place < response.size:
            response[place] += random.choice((-1, 1)) * random.uniform(1, 3)
    response *= 10 ** (-direct_to_reverb_db / 20) / np.sqrt(np.sum(response**2))
    response[0] = 1.0
    wet: Floats = fftconvolve(samples, response.astype(np.float32))[: samples.size].astype(np.float32)
    return wet


def noise(samples: Floats, rate_hz: int, *, snr_db: float, colour: Colour = "pink", seed: int = 0) -> Floats:
    """`samples` with a steady noise `snr_db` below their RMS: hiss, a room's rumble, or mains hum and its harmonics."""
    random = np.random.default_rng([seed, 103])
    if colour == "hum":
        time = np.arange(samples.size) / rate_hz
        added = sum(np.sin(2 * np.pi * 50 * k * time + k) / k for k in range(1, 9)) + 0.2 * random.normal(
            0, 1, time.size
        )
    else:
        added = random.standard_normal(fft.next_fast_len(samples.size, real=True), dtype=np.float32)
        if colour == "pink":
            spectrum = fft.rfft(added)
            spectrum /= np.sqrt(np.maximum(np.arange(spectrum.size), 1), dtype=np.float32)
            added = fft.irfft(spectrum, added.size)
        added = added[: samples.size]
    level = np.sqrt(np.mean(samples**2)) * 10 ** (-snr_db / 20) / np.sqrt(np.mean(np.square(added)))
    noisy: Floats = (samples + level * added).astype(np.float32)
    return noisy


def phone(samples: Floats, rate_hz: int, *, low_hz: float = 120.0, high_hz: float = 9000.0) -> Floats:
    """`samples` as a phone's small microphone passes them on: without the lowest and highest frequencies, in place."""
    high = min(high_hz, 0.45 * rate_hz)
    passed: Floats = sosfiltfilt(butter(2, (low_hz, high), "bandpass", fs=rate_hz, output="sos"), samples).astype(
        np.float32
    )
    return passed


def level(samples: Floats, *, peak_db: float) -> Floats:
    """`samples` scaled so that their peak is `peak_db` (0 is full scale)."""
    peak = float(np.max(np.abs(samples), initial=0.0))
    return samples * np.float32(10 ** (peak_db / 20) / peak) if peak else samples


def clip(samples: Floats, *, over_db: float) -> Floats:
    """`samples` recorded `over_db` too loud: the peaks cut off at full scale."""
    clipped: Floats = np.clip(level(samples, peak_db=over_db), -1, 1)
    return clipped


@dataclass(frozen=True)
class Surroundings:
    """Where and with what a take is recorded: room, noise, microphone. `phone_high_hz` None: a full-range microphone.

    `peak_db` above 0 is a recording that is too loud and cut off at its peaks.
    """

    rt60_s: float = 0.3
    direct_to_reverb_db: float = 8.0
    snr_db: float = 40.0
    colour: Colour = "pink"
    phone_high_hz: float | None = 9000.0
    peak_db: float = -6.0


def record(samples: Floats, rate_hz: int, surroundings: Surroundings, *, seed: int = 0) -> Floats:
    """`samples` as they are recorded there: same length, nothing moved in time."""
    place = surroundings
    heard = room(samples, rate_hz, rt60_s=place.rt60_s, direct_to_reverb_db=place.direct_to_reverb_db, seed=seed)
    heard = noise(heard, rate_hz, snr_db=place.snr_db, colour=place.colour, seed=seed)
    if place.phone_high_hz is not None:
        heard = phone(heard, rate_hz, high_hz=place.phone_high_hz)
    return clip(heard, over_db=place.peak_db) if place.peak_db > 0 else level(heard, peak_db=place.peak_db)


def encode(samples: Floats, rate_hz: int, path: Path, *, bit_rate: int | None = None, quick: bool = False) -> Path:
    """Write `samples` (mono, -1..1) to `path` in the format of its name's ending (:data:`ENCODINGS`), at `bit_rate` if
    it has one; `quick`: as MP3 in half the time, for somebody who waits.

    Raises ValueError for another ending. Opus is written at 48 kHz whatever `rate_hz` is.
    """
    try:
        container_format, codec, usual_rate = ENCODINGS[path.suffix.lower()]
    except KeyError:
        raise ValueError(f"{path.suffix!r} cannot be written; {', '.join(ENCODINGS)} can") from None
    options = {"fflags": "bitexact"}
    with av.open(str(path), "w", format=container_format, options=options) as container:
        stream = container.add_stream(codec, rate=48_000 if codec == "libopus" else rate_hz, layout="mono")
        assert isinstance(stream, av.AudioStream)
        stream.codec_context.flags |= 1 << 23  # bit exact: the same take gives the same file
        if usual_rate:
            stream.bit_rate = bit_rate or usual_rate
        if quick and codec == "libmp3lame":
            stream.options = {"compression_level": _QUICK}
        frame_size = stream.codec_context.frame_size or _FRAME
        resampler = av.AudioResampler(stream.format, stream.layout, stream.rate, frame_size)
        for start in range(0, samples.size, _FRAME):
            block = np.ascontiguousarray(samples[start : start + _FRAME], dtype=np.float32)
            frame = av.AudioFrame.from_ndarray(block[np.newaxis, :], format="fltp", layout="mono")
            frame.sample_rate, frame.pts, frame.time_base = rate_hz, start, Fraction(1, rate_hz)
            for resampled in resampler.resample(frame):
                container.mux(stream.encode(resampled))
        for resampled in resampler.resample(None):
            container.mux(stream.encode(resampled))
        container.mux(stream.encode(None))
    return path
