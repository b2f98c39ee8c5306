"""Tones of recorded reed instruments, for made takes that sound unlike our own synthesizer.

The samples are those of the FluidR3 GM sound font (MIT licence, Frank Wen), played by the `fluidsynth` command. Each
pitch is one long note, bent to the exact frequency; pieces of its steady part are spliced into a performance.
"""

from __future__ import annotations

import struct
import subprocess
import tempfile
import wave
from functools import lru_cache
from pathlib import Path
from typing import Final

import numpy as np

from analysis.chanter import Note
from analysis.tone import Floats, Source, Voice

SOUND_FONT: Final = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")
#: General MIDI program numbers, counted from 0.
PROGRAMS: Final[dict[str, int]] = {
    "bagpipe": 109,
    "shanai": 111,
    "oboe": 68,
    "english horn": 69,
    "bassoon": 70,
    "clarinet": 71,
    "soprano sax": 64,
    "reed organ": 20,
    "harmonica": 22,
}
RATE_HZ: Final = 48_000

_TICKS: Final = 480  # a quarter note; the tempo is 60, so a tick is 1/480 s
_HOLD_S: Final = 9
_EVERY_S: Final = 10


def source(program: str, voice: Voice, *, seed: int = 0) -> Source:
    """Steady tones of `program` at the pitches of `voice`, RMS 0.15 give or take a decibel, at :data:`RATE_HZ`."""
    tones = _tones(PROGRAMS[program], tuple(voice.hertz(note) for note in Note))
    random = np.random.default_rng([seed, 211])
    levels = 0.15 * 10 ** (random.normal(0, 1.0, len(Note)) / 20)

    def piece(note: Note, start: int, count: int) -> Floats:
        tone = tones[note]
        first = (start * 7 + int(note) * 4801) % max(1, tone.size - min(count, tone.size))
        held = tone[first : first + count]
        if held.size < count:
            held = np.resize(held, count)
        return held * np.float32(levels[note] / max(1e-9, float(np.sqrt(np.mean(held**2)))))

    return piece


@lru_cache(maxsize=16)
def _tones(program: int, frequencies: tuple[float, ...]) -> tuple[Floats, ...]:
    with tempfile.TemporaryDirectory() as folder:
        midi, sound = Path(folder, "notes.mid"), Path(folder, "notes.wav")
        midi.write_bytes(_midi(program, frequencies))
        subprocess.run(
            ["fluidsynth", "-ni", "-q", "-R", "0", "-C", "0", "-g", "0.5", "-r", str(RATE_HZ), "-F", str(sound),
             str(SOUND_FONT), str(midi)],
            check=True, capture_output=True, timeout=120,
        )  # fmt: skip
        with wave.open(str(sound)) as file:
            stereo = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2").reshape(-1, file.getnchannels())
    mono = (stereo.mean(axis=1) / 32768).astype(np.float32)
    starts = [round((place * _EVERY_S + 1.0) * RATE_HZ) for place in range(len(frequencies))]
    return tuple(mono[start : start + (_HOLD_S - 2) * RATE_HZ] for start in starts)


def _midi(program: int, frequencies: tuple[float, ...]) -> bytes:
    """A MIDI file with one note of 9 s for each frequency, 10 s apart, bent to it."""
    track = bytearray()

    def event(delta: int, *data: int) -> None:
        quantity = [delta & 0x7F]
        while delta := delta >> 7:
            quantity.append(delta & 0x7F | 0x80)
        track.extend(reversed(quantity))
        track.extend(data)

    event(0, 0xFF, 0x51, 3, *(1_000_000).to_bytes(3, "big"))
    event(0, 0xC0, program)
    for frequency in frequencies:
        pitch = 69 + 12 * np.log2(frequency / 440)
        key = round(pitch)
        bend = 8192 + round((pitch - key) / 2 * 8192)  # the usual bend range is two semitones
        event(0, 0xE0, bend & 0x7F, bend >> 7)
        event(0, 0x90, key, 90)
        event(_HOLD_S * _TICKS, 0x80, key, 0)
        event((_EVERY_S - _HOLD_S) * _TICKS, 0xB0, 123, 0)
    event(0, 0xFF, 0x2F, 0)
    return b"MThd" + struct.pack(">IHHH", 6, 0, 1, _TICKS) + b"MTrk" + struct.pack(">I", len(track)) + bytes(track)
