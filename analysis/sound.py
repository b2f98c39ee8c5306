"""Any file to mono float32 at 48 kHz. Every limit on bad input is in this module.

Decoding happens in a process of its own (:mod:`analysis.decoder`) with bounds on memory, processor time, wall-clock
time and what it writes, since the file comes from anywhere. Everything that can be wrong with a recording is a
:class:`SoundError` whose message is one plain sentence, said to the person who sent it.
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from analysis import mapped
from analysis.spectra import Floats

RATE_HZ: Final = 48_000
LONGEST_S: Final = 15 * 60.0
SHORTEST_S: Final = 1.0
MOST_BYTES: Final = 200 * 1024 * 1024
RATES_HZ: Final = (8_000, 192_000)
MOST_CHANNELS: Final = 8
#: Peak below which a recording is silence: -60 dB of full scale.
SILENT_PEAK: Final = 1e-3

_MEMORY_BYTES: Final = 2 * 1024**3
_PROCESSOR_S: Final = 90
_WALL_S: Final = 120.0
_KINDS: Final = "WAV, FLAC, MP3, M4A, WebM, Ogg and MOV files are"

_SENTENCES: Final = {
    "not-sound": f"This is not a sound file that can be read; {_KINDS}.",
    "no-audio": "This file has no sound in it; a recording or a video with a sound track is needed.",
    "coding": f"The sound in this file is coded in a way that cannot be read; {_KINDS}.",
    "nothing-decoded": (
        "No sound could be read from this file, it may have been cut off while it was sent; please send it again."
    ),
    "long": (
        f"The recording is longer than {LONGEST_S / 60:.0f} minutes; please send a shorter one or cut it into parts."
    ),
    "memory": "This file unpacks to more than can be handled; please send it as WAV, FLAC, MP3 or M4A.",
}


class SoundError(ValueError):
    """The recording cannot be used; the message is one plain sentence for the person who sent it."""


@dataclass(frozen=True)
class Sound:
    """A decoded recording: `samples` (n,) float32 mono at `rate_hz`; what the file itself had; the hash of its
    bytes."""

    samples: Floats
    rate_hz: int
    source_rate_hz: int
    duration_s: float
    sha256: str


def read(path: Path | str) -> Sound:
    """The recording in the file `path`. Raises SoundError with one plain sentence for anything that cannot be used."""
    path = Path(path)
    digest = _checked(path)
    with tempfile.TemporaryDirectory(prefix="sound-") as folder:
        raw = Path(folder) / "samples"
        found = _decode(path.resolve(), raw)
        samples = mapped.samples(raw)
    duration_s = samples.size / RATE_HZ
    if duration_s < SHORTEST_S:
        raise SoundError(
            f"The recording is only {duration_s:.1f} s long, it may have been cut off; "
            f"at least {SHORTEST_S:.0f} s is needed."
        )
    if found["peak"] < SILENT_PEAK:
        raise SoundError("The recording is silent; please check that the right microphone is used and is not muted.")
    return Sound(samples, RATE_HZ, int(found["source_rate_hz"]), duration_s, digest)


def transcode(source: Path | str, target: Path | str) -> Sound:
    """Read `source` and write it to `target` as mono FLAC, 16 bit at 48 kHz; the samples returned are exactly the
    FLAC's.

    What is analysed and what is played must be the same file, or picture and sound drift apart by a codec's delay.
    `target` appears whole or not at all. Raises SoundError as :func:`read`.
    """
    import soundfile

    sound = read(source)
    target = Path(target)
    # Louder than full scale can come out of lossy coding; scaled down as a whole it is not clipped.
    scale = 32767.0 / max(1.0, max(float(np.abs(block).max()) for block in mapped.blocks(sound.samples)))
    target.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=target.parent, prefix=".making-", suffix=".flac")
    os.close(handle)
    try:
        with tempfile.TemporaryDirectory(prefix="sound-") as folder:
            raw = Path(folder) / "samples"
            flac = soundfile.SoundFile(name, "w", RATE_HZ, 1, format="FLAC", subtype="PCM_16")
            with flac, raw.open("wb") as exact:
                for block in mapped.blocks(sound.samples):
                    whole = np.clip(np.round(block * scale), -32768, 32767).astype(np.int16)
                    flac.write(whole)
                    exact.write((whole.astype(np.float32) / 32768.0).tobytes())
            samples = mapped.samples(raw)
        os.replace(name, target)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    return Sound(samples, RATE_HZ, sound.source_rate_hz, sound.duration_s, sound.sha256)


def _checked(path: Path) -> str:
    """The SHA-256 of the file's bytes. Raises SoundError for a file that need not be opened to be refused."""
    if path.is_dir():
        raise SoundError(f"{path} is a folder; a sound file is needed.")
    try:
        size = path.stat().st_size
        if size == 0:
            raise SoundError("The file is empty; please record or send it again.")
        if size > MOST_BYTES:
            raise SoundError(
                f"The file has {size / 1024**2:.0f} MB; up to {MOST_BYTES // 1024**2} MB is accepted, "
                "an M4A or MP3 is much smaller."
            )
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except FileNotFoundError:
        raise SoundError(f"There is no file {path}; please check its name.") from None
    except OSError as error:
        raise SoundError(f"{path} cannot be read ({error.strerror}); please check its permissions.") from error


def _decode(path: Path, raw: Path) -> dict[str, float]:
    """What the decoder process found; its samples are in `raw`. Raises SoundError."""
    order = {
        "rate_hz": RATE_HZ,
        "most_s": LONGEST_S,
        "allowed": {"rate_hz": list(RATES_HZ), "channels": [1, MOST_CHANNELS]},
        "memory_bytes": _MEMORY_BYTES,
        "processor_s": _PROCESSOR_S,
        "file_bytes": int((LONGEST_S + 60.0) * RATE_HZ) * 4,
    }
    script = Path(__file__).with_name("decoder.py")
    # One thread for the numerical libraries: their pools reserve more memory than the limit leaves.
    environment = {**_kept_environment(), "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    command = [sys.executable, "-I", str(script), str(path), str(raw), json.dumps(order)]
    try:
        done = subprocess.run(
            command,
            cwd=raw.parent,
            env=environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=_WALL_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise SoundError("Reading this file took too long; please send it as WAV, FLAC, MP3 or M4A.") from None
    try:
        found = json.loads(done.stdout)
    except ValueError:
        raise SoundError("This file is damaged and could not be read; please record or send it again.") from None
    if "refused" in found:
        raise SoundError(_sentence(found["refused"]))
    return dict(found)


def _kept_environment() -> dict[str, str]:
    """The environment variables a child needs to find its libraries, and none that hold secrets."""
    kept = ("PATH", "LD_LIBRARY_PATH", "SYSTEMROOT", "TMPDIR", "LANG", "VIRTUAL_ENV", "OPENBLAS_CORETYPE")
    return {name: os.environ[name] for name in kept if name in os.environ}


def _sentence(refusal: str) -> str:
    word, _, number = refusal.partition(" ")
    if word == "rate":
        low, high = RATES_HZ
        return f"The file's sample rate is {number} Hz; {low // 1000} to {high // 1000} kHz are accepted."
    if word == "channels":
        return f"The file has {number} channels; up to {MOST_CHANNELS} are accepted, one is enough."
    return _SENTENCES[refusal]
