"""What must hold of any take: moving, resampling, turning the level or the polarity, another low A, two takes in one.

Few examples, always the same ones: an analysis takes its time, and a run must not depend on luck.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
import soxr
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.api import analyse, analyse_sound
from analysis.chanter import Note
from analysis.families import from_short_notes, single_then_full
from analysis.model_player import render
from analysis.performance import Manner, perform
from analysis.report import Report
from analysis.score import Score
from analysis.sound import RATE_HZ, Sound
from analysis.tone import Floats, Voice

LOW_A_HZ = 236.0
#: A report's times are whole tenths of a millisecond, so two of them may differ by this without a reason.
ROUNDING_S = 1.01e-4
HISS = 3e-4

few = settings(max_examples=3, deadline=None, derandomize=True, database=None)

DRILLS: dict[str, Score] = {
    "on E": from_short_notes("doubling", Note.E, [Note.LOW_A, Note.C], tempo_bpm=72),
    "on D": from_short_notes("doubling", Note.D, [Note.LOW_A, Note.B], tempo_bpm=80),
    "on low A": single_then_full("taorluath", Note.LOW_A, [Note.C], tempo_bpm=72),
    "on B": single_then_full("gracenote", Note.B, [Note.D], tempo_bpm=66),
}


def hiss(count: int, seed: int) -> Floats:
    return np.random.default_rng(seed).normal(0, HISS, count).astype(np.float32)


@lru_cache(maxsize=16)
def played(drill: str, low_a_hz: float = LOW_A_HZ) -> Floats:
    """A drill on a chanter that is a little out of tune, with one crossing noise, in a quiet room."""
    score = DRILLS[drill]
    performance = perform(score, Manner(jitter_ms=6.0, seed=3), faults={1: "crossing-noise"})
    voice = Voice(
        low_a_hz=low_a_hz, detune_cents=(5.0, 0.0, -6.0, 9.0, 3.0, -4.0, 8.0, -9.0, 2.0), wobble_cents=4.0, seed=5
    )
    samples = render(score, performance=performance, voice=voice).samples
    return samples + hiss(samples.size, 0)


def report_on(samples: Floats, score: Score | None) -> Report:
    return analyse_sound(Sound(samples, RATE_HZ, RATE_HZ, samples.size / RATE_HZ, ""), score)


@lru_cache(maxsize=8)
def report_of(drill: str, *, free: bool = False) -> Report:
    return report_on(played(drill), None if free else DRILLS[drill])


def names(report: Report) -> list[tuple[str, str]]:
    return [(note["note"], note["role"]) for note in report["notes"]]


def times_s(report: Report) -> Floats:
    return np.array([(note["start_s"], note["end_s"]) for note in report["notes"]])


def verdicts(report: Report) -> list[Any]:
    return [(m["kind"], m["form"], m["on"], m["from"], m["bar"], m["beat"], m["flags"]) for m in report["movements"]]


def assert_same(report: Report, other: Report, *, later_s: float = 0.0, within_s: float) -> None:
    """The same notes, movements and faults; times of `other` as much later as said."""
    assert names(other) == names(report)
    assert np.abs(times_s(other) - times_s(report) - later_s).max() <= within_s
    assert verdicts(other) == verdicts(report)
    for one, two in zip(report["movements"], other["movements"], strict=True):
        for key in ("start_s", "end_s", "beat_s"):
            assert abs(two[key] - one[key] - later_s) <= within_s, key
        assert abs(two["beat_offset_ms"] - one["beat_offset_ms"]) <= 1000.0 * within_s


@few
@given(count=st.integers(1, 2 * RATE_HZ))
def test_a_take_that_starts_later_is_the_same_take_later(count: int):
    """By any number of samples, although the analysis looks every 2 ms only."""
    samples = np.concatenate([hiss(count, 1), played("on E")])
    later = report_on(samples, DRILLS["on E"])
    assert_same(report_of("on E"), later, later_s=count / RATE_HZ, within_s=2e-4 + ROUNDING_S)
    first, second = (report["beat"]["tempo_bpm"] for report in (report_of("on E"), later))
    assert abs(first - second) <= 0.02


@few
@given(rate_hz=st.sampled_from([16_000, 22_050, 32_000, 44_100, 88_200, 96_000]))
def test_the_sample_rate_changes_nothing(tmp_path_factory: Any, rate_hz: int):
    path: Path = tmp_path_factory.mktemp("rates") / "take.wav"
    soundfile.write(path, soxr.resample(played("on E"), RATE_HZ, rate_hz), rate_hz, subtype="PCM_24")
    other = analyse(path, DRILLS["on E"])
    assert other["recording"]["sample_rate_hz"] == rate_hz
    assert_same(report_of("on E"), other, within_s=0.001)


@few
@given(gain_db=st.floats(-40.0, 6.0), polarity=st.sampled_from([1, -1]))
def test_level_and_polarity_change_nothing(gain_db: float, polarity: int):
    factor = np.float32(polarity * 10 ** (gain_db / 20))
    assert_same(report_of("on E"), report_on(played("on E") * factor, DRILLS["on E"]), within_s=0.001)


@few
@given(low_a_hz=st.floats(217.0, 258.0))
def test_another_low_a_changes_low_a_and_nothing_else(low_a_hz: float):
    report, other = report_of("on E"), report_on(played("on E", low_a_hz), DRILLS["on E"])
    assert_same(report, other, within_s=0.0025)
    first, second = report["instrument"], other["instrument"]
    # Within 3 cents of the ratio of the two.
    away = 1200 * np.log2(second["low_a_hz"] / first["low_a_hz"] / (low_a_hz / LOW_A_HZ))
    assert abs(away) < 3.0
    held = set(first["notes"]) & set(second["notes"])
    assert held >= {"low A", "C", "E"}
    # A note's cents are measured against low A: the errors of both add, in either take.
    assert max(abs(second["notes"][name]["cents"] - first["notes"][name]["cents"]) for name in held) < 4.0


@few
@given(pair=st.tuples(st.sampled_from(sorted(DRILLS)), st.sampled_from(sorted(DRILLS))))
def test_two_takes_in_one_are_the_two_reports_in_one(pair: tuple[str, str]):
    """In free playing: written music would be one take's or the other's."""
    first, second = (report_of(drill, free=True) for drill in pair)
    both = report_on(np.concatenate([played(drill) for drill in pair]), None)
    assert names(both) == names(first) + names(second)
    expected = np.concatenate([times_s(first), times_s(second) + played(pair[0]).size / RATE_HZ])
    assert np.abs(times_s(both) - expected).max() <= 0.001
    assert [entry[:4] for entry in verdicts(both)] == [entry[:4] for entry in verdicts(first) + verdicts(second)]
