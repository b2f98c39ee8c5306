"""Published numbers: both tunings and low A's pitch over the years as E. Macpherson gives them (1998), and the
perception thresholds that the standard tolerances come from. Written out here by hand, not taken from the package."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from analysis.api import Options, analyse_sound
from analysis.chanter import PIPES_LOW_A_HZ, PRACTICE_LOW_A_HZ, RATIOS, Note, Tuning, table_cents
from analysis.judgement import tolerances
from analysis.performance import PlayedNote
from analysis.sound import RATE_HZ, Sound
from analysis.tone import Voice, sound

#: "Hear various Highland bagpipe chanter tunings"; the older one after Lenihan and MacNeill, Acustica 4, 1954.
PUBLISHED = {
    "older": "8/9 1/1 9/8 5/4 27/20 3/2 5/3 9/5 2/1",
    "harmonic": "7/8 1/1 9/8 5/4 4/3 3/2 5/3 7/4 2/1",
}
#: "The pitch and scale of the Great Highland Bagpipe": 1885, the mid-1950s, 1998; 480 and a little above today.
PIPES_HZ = (441.0, 459.0, 470.0, 480.0, 483.0)
PRACTICE_CHANTER_HZ = (230.0, 243.0)


def ratios(tuning: Tuning) -> list[Fraction]:
    return [Fraction(words) for words in PUBLISHED[tuning].split()]


@pytest.mark.parametrize("tuning", ["older", "harmonic"])
def test_the_tables_are_the_published_ones(tuning: Tuning):
    assert list(RATIOS[tuning]) == ratios(tuning)
    assert table_cents(tuning=tuning) == pytest.approx([1200 * np.log2(float(ratio)) for ratio in ratios(tuning)])


def test_low_a_is_looked_for_where_it_was_ever_published():
    assert all(PIPES_LOW_A_HZ[0] <= hz <= PIPES_LOW_A_HZ[1] for hz in PIPES_HZ)
    assert all(PRACTICE_LOW_A_HZ[0] <= hz <= PRACTICE_LOW_A_HZ[1] for hz in PRACTICE_CHANTER_HZ)


@pytest.mark.parametrize(("tuning", "low_a_hz"), [("older", 459.0), ("harmonic", 480.0), ("older", 236.0)])
def test_a_scale_in_a_published_tuning_is_in_tune_with_its_table_and_not_the_other(tuning: Tuning, low_a_hz: float):
    notes = [PlayedNote(0.3 + 0.6 * n, 0.9 + 0.6 * n, note, "theme") for n, note in enumerate(Note)]
    voice = Voice("pipes" if low_a_hz > 400 else "practice chanter", low_a_hz, tuning, wobble_cents=1.0)
    samples = sound(notes, voice, duration_s=notes[-1].end_s + 0.3, rate_hz=RATE_HZ)
    take = Sound(samples, RATE_HZ, RATE_HZ, samples.size / RATE_HZ, "")
    other: Tuning = "harmonic" if tuning == "older" else "older"
    away = {}
    for table in (tuning, other):
        instrument = analyse_sound(take, options=Options(tuning=table))["instrument"]
        assert instrument["kind"] == voice.instrument
        away[table] = {name: entry["cents"] for name, entry in instrument["notes"].items()}
    assert len(away[tuning]) == len(Note)
    assert max(abs(value) for value in away[tuning].values()) < 4.0
    apart = {Note.LOW_G, Note.D, Note.HIGH_G}  # the notes in which the two tunings differ
    assert all((abs(away[other][note.label]) > 15.0) == (note in apart) for note in Note)


@pytest.mark.parametrize(("level", "times"), [("strict", 1.5), ("standard", 2.5), ("gentle", 4.0)])
def test_offsets_are_judged_by_what_is_noticed(level, times):
    """A displaced onset is noticed at 2.5 % of the interval (A. Friberg and J. Sundberg, J. Acoust. Soc. Am. 98, 1995,
    2524-2531)."""
    slow_beat_ms = 2000.0
    assert tolerances(level).offset_ms(slow_beat_ms) == pytest.approx(times * 0.025 * slow_beat_ms)


@pytest.mark.parametrize("level", ["strict", "standard", "gentle"])
def test_no_offset_is_a_fault_that_nobody_notices(level):
    """Below 240 ms 6 ms are noticed, above it 2.5 % of the interval (the same): no level blames less."""
    for beat_ms in (150.0, 240.0, 600.0, 1000.0, 1500.0):
        assert tolerances(level).offset_ms(beat_ms) > max(6.0, 0.025 * beat_ms)


def test_two_gracenotes_run_together_where_their_order_is_not_heard():
    """Two sounds need about 20 ms to be heard in order (I. J. Hirsh, J. Acoust. Soc. Am. 31, 1959, 759-767)."""
    assert tolerances("standard").gap_ms == 20.0
    assert tolerances("gentle").gap_ms < 20.0 < tolerances("strict").gap_ms
