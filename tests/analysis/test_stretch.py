"""Slower sound: on a made take whose every change of note is known, gracenotes keep their order and their spacing."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
import pytest

from analysis.model_player import Manner, Rendering, perform, render
from analysis.score import parse_abc
from analysis.stretch import FACTORS, Method, stretch
from analysis.tone import Instrument, Voice

RATE = 48_000
#: The approach, the doubling with a crossing noise on the way in, a grip, and a taorluath: every short thing there is.
MUSIC = "X:1\nT:T\nM:4/4\nL:1/4\nQ:1/4=72\nK:HP\nA {gef}e A {GdG}e | d {GdGe}A B {gBd}B |]\n"
SLOWER = (2.0, 4.0, 8.0)
WINDOW, HOP = 512, 24
#: Two gracenotes of a doubling are about 100 ms apart. Those of a grip or taorluath are closer than this: a practice
#: chanter sounds in pulses 4 ms apart, so that its own sound says where a note begins to a millisecond or so, stretched
#: or not. Such gracenotes are followed by a faint high tone that each is given.
APART_S = 0.06
PILOTS_HZ = np.arange(9_000.0, 19_000.0, 500.0)
PILOT_FADE_S = 0.003


def made_take(instrument: Instrument = "practice chanter", seed: int = 4, gracenote_ms: float = 40.0) -> Rendering:
    score = parse_abc(MUSIC)
    manner = Manner(seed=seed, jitter_ms=4.0, gracenote_ms=gracenote_ms)
    performance = perform(score, manner, faults={0: "crossing-noise"})
    voice = Voice(instrument, None, wobble_cents=2.0, seed=seed)
    return render(score, performance=performance, voice=voice, drones=False)


@dataclass(frozen=True)
class Kept:
    """What is left of a take's changes of note: whether their order is, and the worst error of spacing as a share."""

    order: bool
    worst: float
    typical: float


def spectra(samples: np.ndarray) -> np.ndarray:
    """Short-time spectra (frames, bins), each of length 1, so that loudness plays no part."""
    padded = np.pad(samples, (WINDOW // 2, WINDOW))
    frames = np.lib.stride_tricks.sliding_window_view(padded, WINDOW)[: samples.size : HOP]
    heights = np.abs(np.fft.rfft(frames * np.hanning(WINDOW), axis=1))[:, :200]
    return heights / np.maximum(np.linalg.norm(heights, axis=1, keepdims=True), 1e-9)


def change(samples: np.ndarray, before: tuple[int, int], after: tuple[int, int]) -> float:
    """Where, in samples, the sound of the stretch `before` gives way to that of `after`."""
    low, high = before[0], after[1]
    found = spectra(samples[low:high])
    here = [np.median(found[slice(*((a - low) // HOP for a in _middle(span)))], axis=0) for span in (before, after)]
    lean = found @ here[1] - found @ here[0]
    start, stop = (sum(before) // 2 - low) // HOP, (sum(after) // 2 - low) // HOP
    inside = lean[start : stop + 1]
    crossings = np.flatnonzero((inside[:-1] <= 0) & (inside[1:] > 0))
    if crossings.size == 0:
        return float("nan")
    middle = np.argmin(np.abs(crossings - (sum(before) // 2 + (before[1] - sum(before) // 2) - low) / HOP + start))
    at = crossings[middle]
    return low + HOP * (start + at + inside[at] / (inside[at] - inside[at + 1]))


def _middle(span: tuple[int, int]) -> tuple[int, int]:
    third = (span[1] - span[0]) // 3
    return span[0] + third, span[1] - third


def measure(stretched: np.ndarray, factor: float, take: Rendering) -> Kept:
    """The spacing of all changes of note that are less than 150 ms apart, against what it was."""
    notes = take.notes
    errors = []
    found: list[float] = []
    for one, two in pairwise(notes):
        spans = [(round(n.start_s * RATE * factor), round(n.end_s * RATE * factor)) for n in (one, two)]
        most = round(0.15 * RATE * factor)
        before = (max(spans[0][0], spans[0][1] - most), spans[0][1])
        after = (spans[1][0], min(spans[1][1], spans[1][0] + most))
        found.append(change(stretched, before, after))
    order = all(one < two for one, two in pairwise(found))
    # From the start of each gracenote to the start of each later one of its movement that is heard as another.
    for first, second in gracenote_pairs(take):
        true = notes[second].start_s - notes[first].start_s
        errors.append(abs((found[second - 1] - found[first - 1]) / (RATE * factor * true) - 1.0))
    return Kept(order, float(np.max(errors)), float(np.median(errors)))


def gracenote_pairs(take: Rendering, least: float = APART_S, most: float = 0.3) -> list[tuple[int, int]]:
    """Places among the take's notes of two gracenotes that start `least` to `most` seconds apart."""
    places = [place for place, note in enumerate(take.notes) if note.role == "gracenote"]
    starts = {place: take.notes[place].start_s for place in places}
    near = combinations(places, 2)
    return [(one, two) for one, two in near if least <= starts[two] - starts[one] < most]


def with_pilots(take: Rendering) -> tuple[np.ndarray, dict[int, float]]:
    """The take with a faint tone that sounds just as long as each gracenote, and the tones by the notes' places."""
    time = np.arange(take.samples.size) / RATE
    sound = take.samples.astype(np.float64)
    graces = [place for place, note in enumerate(take.notes) if note.role == "gracenote"]
    pilots = {place: float(PILOTS_HZ[number % PILOTS_HZ.size]) for number, place in enumerate(graces)}
    for place, hz in pilots.items():
        note = take.notes[place]
        inside = np.minimum(time - note.start_s, note.end_s - time) / PILOT_FADE_S + 0.5
        loud = 0.5 - 0.5 * np.cos(np.pi * np.clip(inside, 0.0, 1.0))
        sound += 0.01 * np.abs(take.samples).max() * loud * np.sin(2 * np.pi * hz * time)
    return sound.astype(np.float32), pilots


def pilot_start(stretched: np.ndarray, factor: float, take: Rendering, place: int, hz: float) -> float:
    """Where the tone of the gracenote at `place` has risen to half its height, in seconds of the take."""
    note = take.notes[place]
    low, middle, high = (
        round(at * RATE * factor) for at in (note.start_s - 0.03, (note.start_s + note.end_s) / 2, note.end_s + 0.03)
    )
    piece = stretched[low:high]
    smooth = np.hanning(round(0.006 * RATE))
    height = np.abs(np.convolve(piece * np.exp(-2j * np.pi * hz * np.arange(piece.size) / RATE), smooth, mode="same"))
    half = np.median(height[middle - low - 100 : middle - low + 100]) / 2
    under = int(np.flatnonzero(height[: middle - low] < half)[-1])
    rest = (half - height[under]) / (height[under + 1] - height[under])
    return float((low + under + rest) / (RATE * factor))


@pytest.fixture(scope="module", params=["practice chanter", "pipes"])
def take(request: pytest.FixtureRequest) -> Rendering:
    return made_take(request.param)


@pytest.mark.parametrize("factor", SLOWER)
def test_gracenotes_keep_their_order_and_their_spacing(take: Rendering, factor: float) -> None:
    kept = measure(stretch(take.samples, factor, rate_hz=RATE), factor, take)
    assert kept.order
    assert kept.worst < 0.02, kept


@pytest.mark.parametrize("gracenote_ms", [35.0, 42.0, 50.0])
@pytest.mark.parametrize("factor", SLOWER)
def test_gracenotes_closer_than_that_keep_theirs_as_well(factor: float, gracenote_ms: float) -> None:
    take = made_take(gracenote_ms=gracenote_ms)
    sound, pilots = with_pilots(take)
    stretched = stretch(sound, factor, rate_hz=RATE)
    starts = {place: pilot_start(stretched, factor, take, place, hz) for place, hz in pilots.items()}
    pairs = gracenote_pairs(take, least=0.025, most=APART_S)
    assert len(pairs) >= 2
    for one, two in pairs:
        true = take.notes[two].start_s - take.notes[one].start_s
        assert starts[two] - starts[one] == pytest.approx(true, rel=0.02), (take.notes[one], take.notes[two])


def test_what_is_taken_is_the_better_of_the_two_ways(take: Rendering) -> None:
    ways: tuple[Method, Method] = ("vocoder", "wsola")
    worst = {
        way: max(
            measure(stretch(take.samples, factor, rate_hz=RATE, method=way), factor, take).worst for factor in SLOWER
        )
        for way in ways
    }
    assert worst["vocoder"] < 0.7 * worst["wsola"], worst


def test_the_measure_sees_gracenotes_that_are_moved(take: Rendering) -> None:
    """The test of the test: a take whose notes are somewhere else does not pass."""
    assert measure(stretch(made_take(seed=5).samples, 2.0, rate_hz=RATE), 2.0, take).worst > 0.02


@pytest.mark.parametrize("factor", [2.0, 8.0])
def test_the_pitch_is_kept_to_a_cent(factor: float) -> None:
    time = np.arange(RATE) / RATE
    tone = sum(np.sin(2 * np.pi * 236.0 * k * time) / k for k in range(1, 9)).astype(np.float32) * 0.2
    slow = stretch(tone, factor, rate_hz=RATE)
    middle = slow[RATE // 2 : RATE // 2 + RATE]
    spectrum = np.abs(np.fft.rfft(middle * np.hanning(RATE), n=16 * RATE))
    at = np.argmax(spectrum[200 * 16 : 270 * 16]) / 16 + 200
    assert abs(1200 * np.log2(at / 236.0)) < 1.0
    # As loud as before, and steadily so: no beating of phases that part.
    parts = middle.reshape(-1, RATE // 20).std(axis=1)
    assert np.allclose(parts, tone.std(), rtol=0.06)


def test_length_and_refusals() -> None:
    samples = np.ones(1001, dtype=np.float32)
    assert stretch(samples, 4.0, rate_hz=RATE).shape == (4004,)
    assert stretch(samples, 1.0, rate_hz=RATE).tolist() == samples.tolist()
    assert stretch(samples[:0], 4.0, rate_hz=RATE).size == 0
    for factor in (0.5, FACTORS[1] + 1):
        with pytest.raises(ValueError, match="it takes 1 to 16"):
            stretch(samples, factor, rate_hz=RATE)
