"""Which clicks are the marked ones."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from analysis import click_kinds, click_removal

RATE = 16_000
STEP = RATE * 4 // 5


def clicks(marks: str, *, level: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """A steady sound in which a click starts every 0.8 s, ``!`` a marked one, and the samples where they start."""
    random = np.random.default_rng(5)
    time = np.arange(round(0.03 * RATE)) / RATE
    wave = {kind: np.sin(2 * np.pi * hz * time) * np.exp(-time / 0.008) for kind, hz in ((".", 1800.0), ("!", 2400.0))}
    starts = RATE // 2 + STEP * np.arange(len(marks))
    whole = np.arange(starts[-1] + RATE) / RATE
    sound = sum(np.sin(2 * np.pi * 470.0 * number * whole + number) / number for number in range(1, 12))
    sound = 0.1 * sound + 0.005 * random.standard_normal(whole.size)
    for start, mark in zip(starts, marks, strict=True):
        sound[start : start + time.size] += level * wave[mark]
    return sound.astype(np.float32), starts


def told(marks: str, numbers: np.ndarray | None = None, **options: float) -> set[str]:
    """The kinds that are found, each as a word with ``x`` where a click is of it."""
    sound, starts = clicks(marks, **options)
    sections = scipy.signal.butter(4, 1200.0, "highpass", fs=RATE, output="sos")
    high = scipy.signal.sosfiltfilt(sections, sound).astype(np.float32)
    found = click_kinds.kinds(sound, high, starts, np.arange(len(marks)) if numbers is None else numbers, RATE)
    return {"".join("x" if own else "-" for own in kind) for kind in found}


def as_kinds(marks: str) -> set[str]:
    return {marks.replace("!", "x").replace(".", "-"), marks.replace("!", "-").replace(".", "x")}


@pytest.mark.parametrize("first", range(4))
def test_the_marked_click_of_four_wherever_the_take_begins(first):
    marks = ("!..." * 7)[first : first + 24]
    assert told(marks) == as_kinds(marks)


@pytest.mark.parametrize("bar", ["!..", "!.....", "!."])
def test_other_bars(bar):
    marks = (bar * 24)[:24]
    assert told(marks) == as_kinds(marks)


def test_one_kind_is_one_kind():
    assert told("." * 24) == {"x" * 24}


def test_bars_that_begin_anew_after_a_false_start():
    marks = "!..." + "!.." + "!..." * 5
    assert told(marks) == as_kinds(marks)


def test_too_few_clicks_are_one_kind():
    assert told("!...") == {"xxxx"}


def test_what_fits_best_out_of_step_is_put_in_step():
    numbers = np.arange(12)
    due = 1000 + STEP * numbers
    heard = due + np.array([0, 1, -1, 0, 9, 0, 1, -13, 0, 0, -1, 1])
    in_step = click_removal._in_step(heard, numbers, RATE)
    assert np.abs(in_step - due).max() <= 1
    assert in_step[[0, 1, 2]].tolist() == heard[[0, 1, 2]].tolist()


def test_clicks_that_went_on_at_another_time_are_left_where_they_are():
    numbers = np.arange(20)
    heard = 1000 + STEP * numbers + np.where(numbers < 13, 0, 3000)
    assert click_removal._in_step(heard, numbers, RATE).tolist() == heard.tolist()


def test_an_uneven_foot_is_left_where_it_is():
    numbers = np.arange(12)
    heard = 1000 + STEP * numbers + np.random.default_rng(1).integers(-80, 80, 12)
    assert click_removal._in_step(heard, numbers, RATE).tolist() == heard.tolist()


def test_clicks_at_both_ends_of_the_file_are_taken_out():
    sound, starts = clicks("!..." * 4)
    cut = sound[starts[0] - 60 : starts[-1] + 1900]
    times = (starts - starts[0] + 60) / RATE
    without, kinds = click_removal.subtract(cut, RATE, times, np.arange(starts.size))
    assert without.size == cut.size
    assert np.isfinite(without).all()
    assert sum(kind.times_s.size for kind in kinds) >= 14
