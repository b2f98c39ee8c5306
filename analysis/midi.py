"""A score as a standard MIDI file, to be heard or written out by other programs.

The notes are played as the model player plays them, gracenotes before, on or after their beat as the beat points say,
in equal temperament at the pitches that pipe music is written at (low A is the A above middle C). Beats stand on the
grid: the music begins after one empty bar, so that a gracenote before the first beat has room.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from fractions import Fraction
from typing import Final

import mido

from analysis.chanter import Note
from analysis.performance import DEFAULT_TEMPO_BPM, Manner, Performance, perform
from analysis.score import Score

MEDIA_TYPE: Final = "audio/midi"
TICKS_A_QUARTER: Final = 960
#: The key of each note, low G to high A.
KEYS: Final = dict(zip(Note, (67, 69, 71, 73, 74, 76, 78, 79, 81), strict=True))
#: The bagpipe of General MIDI, counted from 0.
PROGRAM: Final = 109
_VELOCITY: Final = 90


def to_midi(score: Score, *, tempo_bpm: float | None = None, beat_points: Mapping[str, str] | None = None) -> bytes:
    """`score` as a MIDI file of one track, at `tempo_bpm` or its own tempo. Raises ValueError for music without notes
    and for a tempo that nobody plays at."""
    bpm = tempo_bpm or score.tempo_bpm or DEFAULT_TEMPO_BPM
    manner = Manner(tempo_bpm=bpm, beat_points=beat_points or {}, lead_s=float(_lead_beats(score)) * 60 / bpm, tail_s=0)
    performance = perform(score, manner)
    quarter_s = 60 / bpm / float(score.beat_unit * 4)
    track = mido.MidiTrack(_opening(score, quarter_s))
    now = 0
    for tick, message in _played(performance, quarter_s):
        track.append(message.copy(time=tick - now))
        now = tick
    end = round(performance.duration_s / quarter_s * TICKS_A_QUARTER)
    track.append(mido.MetaMessage("end_of_track", time=max(0, end - now)))
    file = io.BytesIO()
    mido.MidiFile(type=0, ticks_per_beat=TICKS_A_QUARTER, charset="utf-8", tracks=[track]).save(file=file)
    return file.getvalue()


def _lead_beats(score: Score) -> Fraction:
    """How many beats pass before the score's first: an empty bar, and what a pickup leaves of its bar."""
    if not score.themes:
        raise ValueError("the music has no notes to play")
    first = score.themes[0]
    return Fraction(*score.meter) / score.beat_unit + max(first.beat - 1 - first.onset, Fraction(0))


def _opening(score: Score, quarter_s: float) -> list[mido.MetaMessage | mido.Message]:
    beats, unit = score.meter
    return [
        mido.MetaMessage("track_name", name=score.title[:120]),
        mido.MetaMessage("time_signature", numerator=beats, denominator=unit),
        mido.MetaMessage("key_signature", key="D"),  # C and F sharp
        mido.MetaMessage("set_tempo", tempo=round(quarter_s * 1_000_000)),
        mido.Message("program_change", program=PROGRAM),
    ]


def _played(performance: Performance, quarter_s: float) -> list[tuple[int, mido.Message]]:
    """Every key down and up with its tick, in order; where one note follows another, the first is up before."""
    timed: list[tuple[int, int, mido.Message]] = []
    for played in performance.notes:
        start, stop = (round(time / quarter_s * TICKS_A_QUARTER) for time in (played.start_s, played.end_s))
        key = KEYS[played.note]
        timed.append((start, 1, mido.Message("note_on", note=key, velocity=_VELOCITY)))
        timed.append((max(stop, start + 1), 0, mido.Message("note_off", note=key)))
    timed.sort(key=lambda entry: entry[:2])
    return [(tick, message) for tick, _, message in timed]
