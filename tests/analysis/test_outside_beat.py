"""The beat of a whole take against other people's clicks and other people's ears: click tracks as librosa and mir_eval
make them under a chanter, scored by mir_eval.beat, beside librosa's own tracker (D. Ellis, "Beat tracking by dynamic
programming", J. New Music Research 36, 2007) on the same clicks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import librosa
import mir_eval
import numpy as np
import pytest

from analysis.api import analyse_sound
from analysis.chanter import Note
from analysis.families import single_then_full
from analysis.model_player import render
from analysis.performance import Manner, perform
from analysis.report import Report
from analysis.sound import RATE_HZ, Sound
from analysis.tone import Floats, Voice

#: Beats a minute, and how many of them more or less a minute later.
TEMPOS = [("librosa", 54.0, 0.0), ("mir_eval", 88.0, 0.0), ("librosa", 72.0, -5.0)]
CLICKS: dict[str, Callable[[Floats, int], Floats]] = {
    "librosa": lambda times, size: librosa.clicks(times=times, sr=RATE_HZ, length=size),
    "mir_eval": lambda times, size: mir_eval.sonify.clicks(times, RATE_HZ, length=size),
}


@dataclass(frozen=True)
class Clicked:
    times_s: Floats
    clicks: Floats
    report: Report

    def beats_s(self) -> Floats:
        """The report's beats while clicks sound."""
        beats = np.array(self.report["beat"]["beats_s"])
        return beats[(beats > self.times_s[0] - 0.1) & (beats < self.times_s[-1] + 0.1)]


@lru_cache(maxsize=len(TEMPOS))
def take(maker: str, bpm: float, drift: float) -> Clicked:
    """A drill with a count-in and clicks through it, heard without the written music and so without its tempo."""
    score = single_then_full("doubling", Note.E, [Note.LOW_A, Note.C], tempo_bpm=bpm)
    manner = Manner(count_in=4, clicks=True, jitter_ms=8.0, drift_bpm_per_min=drift, seed=2)
    performance = perform(score, manner)
    played = render(score, performance=replace(performance, strokes_s=()), voice=Voice(low_a_hz=236.0)).samples
    times = np.array(performance.strokes_s)
    clicks = CLICKS[maker](times, played.size).astype(np.float32)
    samples = played + np.float32(0.4) * clicks
    return Clicked(times, clicks, analyse_sound(Sound(samples, RATE_HZ, RATE_HZ, samples.size / RATE_HZ, "")))


@pytest.mark.parametrize("order", TEMPOS)
def test_other_peoples_clicks_are_the_beat_to_three_milliseconds(order: Any):
    clicked = take(*order)
    assert clicked.report["beat"]["source"] == "click"
    assert mir_eval.beat.f_measure(clicked.times_s, clicked.beats_s(), f_measure_threshold=0.003) == 1.0
    assert mir_eval.beat.goto(clicked.times_s, clicked.beats_s()) == 1.0
    assert min(mir_eval.beat.continuity(clicked.times_s, clicked.beats_s())) == 1.0


@pytest.mark.parametrize("order", TEMPOS)
def test_librosa_hears_the_same_beat_in_the_clicks_alone(order: Any):
    """Within its frames of 23 ms, and mir_eval's usual 70 ms."""
    clicked = take(*order)
    tempo, beats = librosa.beat.beat_track(y=clicked.clicks, sr=RATE_HZ, start_bpm=order[1], units="time")
    assert clicked.report["beat"]["tempo_bpm"] == pytest.approx(float(np.squeeze(tempo)), rel=0.02)
    assert mir_eval.beat.f_measure(beats, clicked.beats_s()) > 0.9
