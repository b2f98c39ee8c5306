"""Steps of harmonics: where two notes' sines begin and end at once, whatever a room adds."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis import rooms, spectra
from analysis.chanter import Note
from analysis.harmonic_steps import HarmonicSteps

RATE_HZ = spectra.RATE_HZ
HZ = tuple(235.0 * ratio for ratio in (8 / 9, 1.0, 9 / 8, 5 / 4, 4 / 3, 3 / 2, 5 / 3, 16 / 9, 2.0))
CHANGE_S = 0.4


def tone(hz: float, seconds: float, amplitudes: tuple[float, ...] = (1.0, 0.5, 0.3, 0.2, 0.2)) -> spectra.Floats:
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    waves = [part * np.sin(2 * np.pi * hz * k * time + k) for k, part in enumerate(amplitudes, 1)]
    return np.sum(waves, axis=0).astype(np.float32)


def change(before: Note, after: Note) -> spectra.Floats:
    return np.concatenate([tone(HZ[before], CHANGE_S), tone(HZ[after], CHANGE_S)])


def highest_s(samples: spectra.Floats, before: Note, after: Note, around_s: float = 0.03) -> float:
    times_s = np.arange(CHANGE_S - around_s, CHANGE_S + around_s, 0.00025)
    return float(times_s[HarmonicSteps(samples, HZ).shares(before, after, times_s).argmax()])


PAIRS = [(Note.LOW_A, Note.D), (Note.E, Note.LOW_A), (Note.HIGH_G, Note.E), (Note.D, Note.HIGH_A)]


@pytest.mark.parametrize(("before", "after"), PAIRS)
def test_a_change_is_found_to_a_millisecond(before: Note, after: Note) -> None:
    assert highest_s(change(before, after), before, after) == pytest.approx(CHANGE_S, abs=1e-3)


@pytest.mark.parametrize(("before", "after"), PAIRS)
@pytest.mark.parametrize("seed", range(4))
def test_a_room_hides_no_change(before: Note, after: Note, seed: int) -> None:
    heard = rooms.room(change(before, after), RATE_HZ, rt60_s=0.6, direct_to_reverb_db=3.0, seed=seed)
    assert highest_s(heard, before, after) == pytest.approx(CHANGE_S, abs=2e-3)


def test_an_echo_that_all_but_cancels_the_beginning_does_not_make_it_late() -> None:
    # A fundamental alone, and an echo in the opposite phase that is nearly as loud: for 8 ms there is next to nothing.
    fundamental = (1.0,)
    samples = np.concatenate([tone(HZ[Note.E], CHANGE_S, fundamental), tone(HZ[Note.LOW_A], CHANGE_S, fundamental)])
    period = round(RATE_HZ / HZ[Note.LOW_A])
    heard = samples + 0.6 * np.concatenate([np.zeros(3 * period // 2, dtype=np.float32), samples])[: samples.size]
    assert highest_s(heard, Note.E, Note.LOW_A) == pytest.approx(CHANGE_S, abs=1e-3)


def held(samples: spectra.Floats) -> NDArray[np.float64]:
    return HarmonicSteps(samples, HZ).shares(Note.LOW_A, Note.D, np.arange(0.1, 0.7, 0.001))


def test_a_held_note_has_no_step() -> None:
    noise = 0.02 * np.random.default_rng(1).normal(size=round(0.8 * RATE_HZ)).astype(np.float32)
    step = HarmonicSteps(change(Note.LOW_A, Note.D), HZ).shares(Note.LOW_A, Note.D, np.array([CHANGE_S]))[0]
    assert step > 0.45
    assert held(tone(HZ[Note.LOW_A], 0.8) + noise).max() < 0.1 * step


def test_which_note_comes_first_and_how_loud_both_are_does_not_matter() -> None:
    samples, times_s = change(Note.LOW_A, Note.D), np.arange(0.37, 0.43, 0.001)
    found = HarmonicSteps(samples, HZ).shares(Note.LOW_A, Note.D, times_s)
    assert np.array_equal(found, HarmonicSteps(samples, HZ).shares(Note.D, Note.LOW_A, times_s))
    quiet = HarmonicSteps(0.01 * samples, HZ).shares(Note.LOW_A, Note.D, times_s)
    assert np.allclose(found, quiet, atol=1e-3)


def test_neither_the_ends_of_a_recording_nor_silence_are_steps() -> None:
    samples = change(Note.LOW_A, Note.D)
    for times_s in (np.arange(-0.01, 0.01, 0.001), np.arange(2 * CHANGE_S - 0.009, 2 * CHANGE_S + 0.05, 0.001)):
        assert not HarmonicSteps(samples, HZ).shares(Note.LOW_A, Note.D, times_s).any()
    assert not held(np.zeros_like(samples)).any()


def test_a_change_that_comes_a_sample_later_is_found_a_sample_later() -> None:
    samples = np.pad(change(Note.HIGH_G, Note.E), (16, 0))
    times_s = np.arange(0.38, 0.42, 0.00025)
    first = HarmonicSteps(samples[16:], HZ).shares(Note.HIGH_G, Note.E, times_s)
    for count in (1, 2, 5, 8):
        later = HarmonicSteps(samples[16 - count :], HZ).shares(Note.HIGH_G, Note.E, times_s + count / RATE_HZ)
        assert np.allclose(later, first, atol=0.03)


def test_mains_hum_does_not_hide_a_step() -> None:
    samples = change(Note.LOW_A, Note.D)
    hum = np.sin(2 * np.pi * 50 * np.arange(samples.size) / RATE_HZ).astype(np.float32)
    times_s = np.array([CHANGE_S])
    clean, hummed = (
        HarmonicSteps(sound, HZ).shares(Note.LOW_A, Note.D, times_s)[0] for sound in (samples, samples + hum)
    )
    assert hummed == pytest.approx(clean, abs=0.02)
