"""A performance as a MIDI file, so that other people's synthesizers can play it.

Every note of the chanter has a channel of its own, bent once to its exact frequency: a bend never moves a note that
sounds. Notes that touch are written as touching, and a tick is a tenth of a millisecond.
"""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path
from typing import Final

import mido
import numpy as np
import soundfile

from analysis.chanter import Note
from analysis.performance import Performance
from analysis.tone import Floats, Voice
from tests.benchmarks.sound_font import RATE_HZ, SOUND_FONT

TICKS_A_SECOND: Final = 10_000
#: General MIDI keeps channel 10 (9 counted from 0) for drums.
_CHANNELS: Final = dict(zip(Note, (0, 1, 2, 3, 4, 5, 6, 7, 8), strict=True))
_BEND_RANGE: Final = 2.0  # semitones; General MIDI's own
_VELOCITY: Final = 90


def to_midi(performance: Performance, voice: Voice, *, program: int = 109) -> mido.MidiFile:
    """`performance` at the pitches of `voice`, for General MIDI's `program` (counted from 0; 109 is the bagpipe)."""
    timed: list[tuple[int, int, mido.Message]] = []
    keys: dict[Note, int] = {}
    for note in sorted({played.note for played in performance.notes}):
        keys[note], bend = key_and_bend(voice.hertz(note))
        channel = _CHANNELS[note]
        timed.append((0, 0, mido.Message("program_change", channel=channel, program=program)))
        timed.append((0, 1, mido.Message("pitchwheel", channel=channel, pitch=bend)))
    for played in performance.notes:
        channel, key = _CHANNELS[played.note], keys[played.note]
        start, stop = (round(time * TICKS_A_SECOND) for time in (played.start_s, played.end_s))
        timed.append((stop, 2, mido.Message("note_off", channel=channel, note=key)))
        timed.append((start, 3, mido.Message("note_on", channel=channel, note=key, velocity=_VELOCITY)))
    # One second a quarter note, so that ticks are parts of a second.
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=1_000_000)])
    now = 0
    for tick, _, message in sorted(timed, key=lambda entry: entry[:2]):
        track.append(message.copy(time=tick - now))
        now = tick
    track.append(mido.MetaMessage("end_of_track", time=TICKS_A_SECOND // 2))
    return mido.MidiFile(type=0, ticks_per_beat=TICKS_A_SECOND, tracks=[track])


def key_and_bend(hz: float) -> tuple[int, int]:
    """The nearest key of a keyboard tuned to 440 Hz, and the bend (-8192..8191) from there to `hz`."""
    place = 69.0 + 12.0 * float(np.log2(hz / 440.0))
    key = round(place)
    return key, round((place - key) / _BEND_RANGE * 8192)


def by_fluidsynth(midi: mido.MidiFile) -> Floats:
    """`midi` as the `fluidsynth` command plays it with the FluidR3 GM sound font: mono, dry, peak 0.5."""
    with tempfile.TemporaryDirectory() as folder:
        score, sound = Path(folder, "take.mid"), Path(folder, "take.wav")
        midi.save(score)
        subprocess.run(
            ["fluidsynth", "-ni", "-q", "-R", "0", "-C", "0", "-g", "0.4", "-r", str(RATE_HZ), "-F", str(sound),
             str(SOUND_FONT), str(score)],
            check=True, capture_output=True, timeout=120,
        )  # fmt: skip
        stereo, _ = soundfile.read(sound, dtype="float32")
    mono: Floats = stereo.mean(axis=1)
    return np.asarray(mono * (0.5 / float(np.max(np.abs(mono)))), dtype=np.float32)
