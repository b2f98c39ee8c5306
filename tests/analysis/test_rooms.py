"""Rooms, noises and codecs leave every note where it is."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import pytest
import soxr
from scipy.signal import correlate

from analysis import rooms
from analysis.model_player import render
from analysis.score import parse_abc

RATE = 48_000
SAMPLES = render(parse_abc("M:4/4\nL:1/4\nQ:1/4=90\nK:HP\nA {g}e A {gef}e |]"), rate_hz=RATE).samples


def decoded(path: Path) -> tuple[np.ndarray, int]:
    with av.open(str(path)) as container:
        stream = container.streams.audio[0]
        frames = [frame.to_ndarray().astype(float).reshape(-1) for frame in container.decode(stream)]
        return np.concatenate(frames), stream.rate


def lag_ms(heard: np.ndarray, rate: int) -> float:
    expected = soxr.resample(SAMPLES, RATE, rate)[rate : 2 * rate]
    part = heard[rate : 2 * rate]
    return (int(np.argmax(correlate(part, expected))) - (part.size - 1)) / rate * 1000


@pytest.mark.parametrize("ending", list(rooms.ENCODINGS))
@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_an_encoded_take_is_in_place_and_always_the_same(ending: str, rate: int, tmp_path: Path) -> None:
    samples = soxr.resample(SAMPLES, RATE, rate)
    path = rooms.encode(samples, rate, tmp_path / f"take{ending}")
    heard, heard_rate = decoded(path)
    assert abs(lag_ms(heard, heard_rate)) < 0.2
    assert heard.size / heard_rate == pytest.approx(SAMPLES.size / RATE, abs=0.05)
    assert rooms.encode(samples, rate, tmp_path / f"again{ending}").read_bytes() == path.read_bytes()


def test_another_ending_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"'\.txt' cannot be written"):
        rooms.encode(SAMPLES, RATE, tmp_path / "take.txt")


def test_a_room_decays_as_told_and_moves_nothing() -> None:
    impulse = np.zeros(2 * RATE, dtype=np.float32)
    impulse[0] = 1.0
    response = rooms.room(impulse, RATE, rt60_s=0.6, direct_to_reverb_db=6, seed=1)
    assert int(np.argmax(np.abs(response))) == 0
    tail = response[1:]
    assert 10 * np.log10(1 / np.sum(tail**2)) == pytest.approx(6, abs=0.2)
    energy = np.cumsum(tail[::-1] ** 2)[::-1]
    fall = 10 * np.log10(energy / energy[0])
    slope = np.polyfit(
        np.arange(int(0.05 * RATE), int(0.3 * RATE)) / RATE, fall[int(0.05 * RATE) : int(0.3 * RATE)], 1
    )[0]
    assert -60 / slope == pytest.approx(0.6, rel=0.2)
    assert abs(lag_ms(rooms.room(SAMPLES, RATE, rt60_s=0.6), RATE)) < 0.1
    assert rooms.room(SAMPLES, RATE, rt60_s=0) is SAMPLES


@pytest.mark.parametrize("colour", ["white", "pink", "hum"])
def test_noise_has_its_level(colour: rooms.Colour) -> None:
    added = rooms.noise(SAMPLES, RATE, snr_db=20, colour=colour, seed=2) - SAMPLES
    assert 10 * np.log10(np.mean(SAMPLES**2) / np.mean(added**2)) == pytest.approx(20, abs=0.1)


def test_a_phone_takes_the_bottom_and_moves_nothing() -> None:
    assert abs(lag_ms(rooms.phone(SAMPLES, RATE), RATE)) < 0.1
    hum = np.sin(2 * np.pi * 50 * np.arange(RATE) / RATE).astype(np.float32)
    assert np.std(rooms.phone(hum, RATE)[RATE // 4 : -RATE // 4]) < 0.1 * np.std(hum)


def test_levels_and_clipping() -> None:
    assert np.abs(rooms.level(SAMPLES, peak_db=-20)).max() == pytest.approx(0.1, rel=1e-3)
    clipped = rooms.clip(SAMPLES, over_db=6)
    assert np.abs(clipped).max() == 1.0
    assert np.mean(np.abs(clipped) == 1.0) > 0.005
