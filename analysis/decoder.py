"""A process of its own that decodes one untrusted sound file; run by :mod:`analysis.sound`, imported by nothing.

A sound file can crash a decoder, grow a thousandfold, or be a playlist in disguise that names other files. So it is
opened here, in a child with limits on memory, processor time and file size; only plain containers are allowed, and
only the `file` protocol. What is decoded goes into a raw file of float32 mono samples, and one JSON object to standard
output says what it was.

Time is the decoded sample's index divided by the rate, nothing else: time stamps are never added. libav already leaves
out what an encoder put before the sound, where the file says how much that is.
"""

from __future__ import annotations

import json
import resource
import sys
from collections.abc import Iterator
from typing import IO, Any, Final

import av
import numpy as np
import soxr
from numpy.typing import NDArray

#: Demuxers of plain containers. Playlists, streams, images and scripts are not among them.
CONTAINERS: Final = "wav,w64,mp3,mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,ogg,flac,aac,aiff,caf"
_MOST_BAD_PACKETS: Final = 50
#: What decodes louder than this many times full scale is damage.
_LOUDEST: Final = 4.0
#: How much sound is heard before it is decided how to mix channels, and how long that is waited for.
_MIX_AFTER_S: Final = 1.0
_MIX_WAIT_S: Final = 20.0
_FULL_SCALE: Final = {
    "u8": 128.0,
    "s16": 32768.0,
    "s32": 2147483648.0,
    "flt": 1.0,
    "dbl": 1.0,
    "s64": 9223372036854775808.0,
}


class Refused(Exception):
    """The file cannot be used; the code says why."""


def limit(*, memory_bytes: int, processor_s: int, file_bytes: int) -> None:
    """Bound this process."""
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    resource.setrlimit(resource.RLIMIT_FSIZE, (file_bytes, file_bytes))
    resource.setrlimit(resource.RLIMIT_CPU, (processor_s, processor_s + 1))
    resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, memory_bytes))


def samples_of(frame: av.AudioFrame) -> NDArray[np.float32]:
    """The samples of `frame` as float32, shape (channels, n), full scale 1."""
    data = frame.to_ndarray()
    name = frame.format.name
    kind = name.removesuffix("p")
    if kind not in _FULL_SCALE:
        raise Refused("coding")
    values = data.astype(np.float32)
    if kind == "u8":
        values -= 128.0
    values /= _FULL_SCALE[kind]
    if not frame.format.is_planar:
        channels = frame.layout.nb_channels
        values = values.reshape(-1, channels).T
    return values


def frames(container: Any, stream: Any) -> Iterator[av.AudioFrame]:
    """The stream's decodable frames; broken packets are passed over, up to a number."""
    bad = 0
    packets = container.demux(stream)
    while True:
        try:
            packet = next(packets)
        except StopIteration:
            return
        except MemoryError:
            raise
        except (av.error.FFmpegError, ValueError):
            return  # the rest cannot be read: a truncated file
        try:
            yield from packet.decode()
        except av.error.EOFError:
            return
        except MemoryError:
            raise
        except av.error.FFmpegError:
            bad += 1
            if bad > _MOST_BAD_PACKETS:
                return


class Mixer:
    """Channels to mono. The mean, unless that cancels: two microphones in opposite phase, or one that is dead."""

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self.waiting: list[NDArray[np.float32]] = []
        self.weights: NDArray[np.float32] | None = None

    def mix(self, block: NDArray[np.float32], *, last: bool = False) -> NDArray[np.float32]:
        """Mono samples that are ready (n,); none while it is not yet decided how to mix."""
        if block.shape[0] == 1:
            return np.asarray(block[0])
        if self.weights is None:
            self.waiting.append(block)
            whole = np.concatenate(self.waiting, axis=1)
            sounding = np.abs(whole).max(axis=0) > 1e-3
            enough = sounding.sum() > _MIX_AFTER_S * self.rate_hz or whole.shape[1] > _MIX_WAIT_S * self.rate_hz
            if not enough and not last:
                return np.zeros(0, dtype=np.float32)
            self.weights = self._decide(whole)
            self.waiting, block = [], whole
        return np.asarray(self.weights @ block, dtype=np.float32)

    @staticmethod
    def _decide(whole: NDArray[np.float32]) -> NDArray[np.float32]:
        channels = whole.shape[0]
        power = np.mean(whole.astype(np.float64) ** 2, axis=1)
        mean = np.mean(np.mean(whole, axis=0, dtype=np.float64) ** 2)
        if mean < 0.3 * power.max():
            return np.asarray(np.arange(channels) == power.argmax(), dtype=np.float32)
        return np.full(channels, 1.0 / channels, dtype=np.float32)


def decode(
    source: str, target: IO[bytes], *, rate_hz: int, most_s: float, allowed: dict[str, list[int]]
) -> dict[str, Any]:
    """Decode the first audio stream of `source` to mono float32 at `rate_hz` into `target`. Raises Refused."""
    options = {"format_whitelist": CONTAINERS, "protocol_whitelist": "file"}
    try:
        container = av.open(source, options=options, metadata_errors="ignore")
    except MemoryError:  # also one of FFmpeg's errors, but it says nothing against the file
        raise
    except (av.error.FFmpegError, ValueError, UnicodeError) as error:
        raise Refused("not-sound") from error
    with container:
        if not container.streams.audio:
            raise Refused("no-audio")
        stream = container.streams.audio[0]
        if stream.codec_context is None:
            raise Refused("coding")
        return _write(container, stream, target, rate_hz=rate_hz, most_s=most_s, allowed=allowed)


def _write(
    container: Any, stream: Any, target: IO[bytes], *, rate_hz: int, most_s: float, allowed: dict[str, list[int]]
) -> dict[str, Any]:
    written, native_hz, channels, peak = 0, 0, 0, 0.0
    resampler: soxr.ResampleStream | None = None
    mixer: Mixer | None = None

    def put(mono: NDArray[np.float32], *, last: bool = False) -> int:
        nonlocal peak
        assert resampler is not None
        out = resampler.resample_chunk(mono, last=last)
        # Damaged files decode to anything, and lossy coding to more than full scale.
        out = np.clip(np.nan_to_num(out, nan=0.0, posinf=1.0, neginf=-1.0), -_LOUDEST, _LOUDEST).astype(np.float32)
        peak = max(peak, float(np.abs(out).max(initial=0.0)))
        target.write(out.tobytes())
        return int(out.size)

    for frame in frames(container, stream):
        if frame.samples == 0:
            continue
        if mixer is None or frame.sample_rate != native_hz or frame.layout.nb_channels != channels:
            if mixer is not None:
                written += put(mixer.mix(np.zeros((channels, 0), dtype=np.float32), last=True), last=True)
            native_hz, channels = frame.sample_rate, frame.layout.nb_channels
            _check_form(native_hz, channels, allowed)
            mixer = Mixer(native_hz)
            resampler = soxr.ResampleStream(native_hz, rate_hz, 1, dtype="float32", quality="HQ")
        written += put(mixer.mix(samples_of(frame)))
        if written > most_s * rate_hz:
            raise Refused("long")
    if mixer is None:
        raise Refused("nothing-decoded")
    written += put(mixer.mix(np.zeros((channels, 0), dtype=np.float32), last=True), last=True)
    return {"samples": written, "source_rate_hz": native_hz, "channels": channels, "peak": peak}


def _check_form(native_hz: int, channels: int, allowed: dict[str, list[int]]) -> None:
    low, high = allowed["rate_hz"]
    if not low <= native_hz <= high:
        raise Refused(f"rate {native_hz}")
    if not 1 <= channels <= allowed["channels"][1]:
        raise Refused(f"channels {channels}")


def main() -> int:
    """``decoder.py SOURCE TARGET ORDER``, the order a JSON object with the limits."""
    source, target, order = sys.argv[1], sys.argv[2], json.loads(sys.argv[3])
    av.logging.set_level(av.logging.PANIC)
    limit(memory_bytes=order["memory_bytes"], processor_s=order["processor_s"], file_bytes=order["file_bytes"])
    try:
        with open(target, "wb") as file:
            found = decode(source, file, rate_hz=order["rate_hz"], most_s=order["most_s"], allowed=order["allowed"])
    except Refused as refusal:
        found = {"refused": str(refusal)}
    except MemoryError:
        found = {"refused": "memory"}
    json.dump(found, sys.stdout)
    return 0


if __name__ == "__main__":
    sys.exit(main())
