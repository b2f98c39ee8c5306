"""Held notes: the frequencies that a report gives, against Praat's pitch (P. Boersma, "Accurate short-term analysis of
the fundamental frequency", IFA Proceedings 17, 1993; through parselmouth) and librosa's pYIN (M. Mauch and S. Dixon,
"pYIN", ICASSP 2014) on the same sound."""

from __future__ import annotations

from functools import lru_cache

import librosa
import numpy as np
import parselmouth
import pytest

from analysis.api import analyse_sound
from analysis.chanter import Note, cents
from analysis.performance import PlayedNote
from analysis.report import Report
from analysis.sound import RATE_HZ, Sound
from analysis.tone import Floats, Instrument, Voice, sound

DETUNE = (12.0, -4.0, 9.0, -14.0, 18.0, -6.0, 3.0, -20.0, 7.0)
LOW_A_HZ = {"practice chanter": 233.0, "pipes": 474.0}
HELD_S = 0.7
#: Low to high.
SCALE = tuple(PlayedNote(0.3 + HELD_S * n, 0.3 + HELD_S * (n + 1), note, "theme") for n, note in enumerate(Note))


@lru_cache(maxsize=2)
def scale(instrument: Instrument) -> tuple[Floats, Report]:
    """The nine notes held, without drones, and the report on them."""
    voice = Voice(instrument, LOW_A_HZ[instrument], detune_cents=DETUNE, wobble_cents=1.0, seed=4)
    samples = sound(SCALE, voice, duration_s=SCALE[-1].end_s + 0.4, rate_hz=RATE_HZ, drones=False)
    return samples, analyse_sound(Sound(samples, RATE_HZ, RATE_HZ, samples.size / RATE_HZ, ""))


def praat(samples: Floats, low_a_hz: float) -> tuple[Floats, Floats]:
    """Praat's pitch: times and hertz, 0 where it hears none."""
    pitch = parselmouth.Sound(samples.astype(float), RATE_HZ).to_pitch_ac(
        time_step=0.01, pitch_floor=0.75 * low_a_hz, pitch_ceiling=2.6 * low_a_hz
    )
    return pitch.xs(), pitch.selected_array["frequency"]


def pyin(samples: Floats, low_a_hz: float) -> tuple[Floats, Floats]:
    """pYIN's pitch: times and hertz, 0 where it hears none."""
    slow = librosa.resample(samples, orig_sr=RATE_HZ, target_sr=16_000)
    hz, _, _ = librosa.pyin(
        slow, fmin=0.75 * low_a_hz, fmax=2.6 * low_a_hz, sr=16_000, frame_length=1024, hop_length=512
    )
    return np.arange(hz.size) * 512 / 16_000, np.nan_to_num(hz)


# pYIN answers on a grid of 10 cents.
@pytest.mark.parametrize(("track", "near_cents"), [(praat, 3.0), (pyin, 8.0)])
@pytest.mark.parametrize("instrument", ["practice chanter", "pipes"])
def test_held_notes_sound_as_high_as_others_find_them(instrument: Instrument, track, near_cents):
    samples, report = scale(instrument)
    assert report["instrument"]["kind"] == instrument
    assert list(report["instrument"]["notes"]) == [note.label for note in Note]
    times, hz = track(samples, LOW_A_HZ[instrument])
    for played in SCALE:
        inside = hz[(times > played.start_s + 0.1) & (times < played.end_s - 0.1) & (hz > 0)]
        ours = report["instrument"]["notes"][played.note.label]["hz"]
        assert abs(cents(ours, float(np.median(inside)))) < near_cents, played.note.label


@pytest.mark.parametrize("instrument", ["practice chanter", "pipes"])
def test_and_as_high_as_they_were_made(instrument: Instrument):
    voice = Voice(instrument, LOW_A_HZ[instrument], detune_cents=DETUNE)
    for note, entry in zip(Note, scale(instrument)[1]["instrument"]["notes"].values(), strict=True):
        assert abs(cents(entry["hz"], voice.hertz(note))) < 3.0, note.label
