"""Steps: where all of a sound changes at once."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from analysis import decoding, spectra, steps, templates, tuning
from analysis.chanter import Note
from analysis.decoding import REST
from analysis.plausible import as_held, in_their_octave, of_one_note, of_one_octave

RATE_HZ = spectra.RATE_HZ
HOP = 8
Rule = Callable[[list[decoding.Segment], spectra.Floats, float], list[decoding.Segment]]


def tone(hz: float, seconds: float) -> np.ndarray:
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return np.sum([np.sin(2 * np.pi * hz * k * time) / k for k in range(1, 9)], axis=0).astype(np.float32)


def heights(samples: np.ndarray) -> np.ndarray:
    sound = templates.listen(samples, window=steps.WINDOW, hop=HOP, size=512)
    return steps.heights(sound.levels(np.arange(sound.count)), sound.hop_s)


def in_room(samples: np.ndarray) -> np.ndarray:
    """In a room of 0.5 s, its reflections 3 dB below the direct sound (no early ones, whose steps would be true)."""
    random = np.random.default_rng(3)
    time = np.arange(round(0.5 * RATE_HZ)) / RATE_HZ
    response = random.normal(0, 1, time.size) * 10 ** (-3 * time / 0.5)
    response *= 10 ** (-3 / 20) / np.sqrt(np.sum(response**2))
    response[0] = 1.0
    return np.convolve(samples, response)[: samples.size].astype(np.float32)


@pytest.mark.parametrize("room", [False, True])
@pytest.mark.parametrize("after_hz", [330.0, 420.0, 470.0])
def test_a_change_of_note_is_the_highest_step(room: bool, after_hz: float):
    samples = np.concatenate([tone(235.0, 0.4), tone(after_hz, 0.4)])
    found = heights(in_room(samples) if room else samples)
    inside = slice(round(0.1 * RATE_HZ / HOP), -round(0.1 * RATE_HZ / HOP))
    place_s = (inside.start + int(found[inside].argmax())) * HOP / RATE_HZ
    assert abs(place_s - 0.4) < 0.002
    assert found[inside].max() > (0.4 if room else 0.6)


def test_a_step_counts_by_its_height_not_by_how_loud_the_sound_is():
    samples = np.concatenate([tone(235.0, 0.3), tone(330.0, 0.3)])
    loud, quiet = heights(samples), heights(0.1 * samples)
    assert np.allclose(loud, quiet, atol=2e-3)


def test_a_held_note_that_swells_and_wavers_has_no_step():
    time = np.arange(RATE_HZ) / RATE_HZ
    hz = 235.0 * 2.0 ** (0.3 / 12.0 * np.sin(2 * np.pi * 1.5 * time))
    phase = 2 * np.pi * np.cumsum(hz) / RATE_HZ
    samples = sum(np.sin(k * phase) / k for k in range(1, 9)) * (0.6 + 0.4 * np.sin(2 * np.pi * 0.8 * time))
    found = heights(samples.astype(np.float32))
    assert found[100:-100].max() < 0.1


def test_the_whole_sound_piece_by_piece_is_as_at_once():
    random = np.random.default_rng(1)
    samples = np.concatenate([tone(hz, 0.3) for hz in random.choice([235.0, 264.0, 330.0, 420.0], 40)])
    sound = templates.listen(samples, window=352, hop=32, size=512)
    pieces = steps.throughout(sound)
    assert pieces.size == sound.count > steps._CHUNK  # more than one piece, or the check could not fail
    short = templates.Listening(samples, steps.SEARCH_WINDOW, 32, steps.SEARCH_SIZE, sound.floor)
    levels = short.levels(np.arange(short.count))[:, :: steps._EVERY]
    at_once = steps.heights(levels, short.hop_s, steps.SEARCH_WINDOW)
    assert np.allclose(pieces, at_once, atol=1e-4)


def test_a_change_costs_less_the_higher_its_step_and_never_nothing():
    costs = steps.change_costs(np.array([0.0, 0.1, 0.3, 0.6, 3.0], dtype=np.float32))
    assert (np.diff(costs) <= 0.0).all()
    assert costs[0] > costs[2] > costs[3] > 0.0
    assert costs[4] > 0.0


def runs_left(
    *runs: tuple[int, int], steps_at: tuple[int, ...] = (), height: float = 0.5, rule: Rule = of_one_note
) -> list[tuple[int, int]]:
    """What is left of `runs` (state, frames), where there are steps of `height` at the frames named and no others."""
    path = np.repeat(np.array([state for state, _ in runs], dtype=np.int8), [frames for _, frames in runs])
    found = np.zeros(path.size, dtype=np.float32)
    found[list(steps_at)] = height
    kept = rule(decoding.segments(path), steps.change_costs(found), 0.002)
    assert [segment.start for segment in kept[1:]] == [segment.stop for segment in kept[:-1]]
    return [(segment.state, segment.stop - segment.start) for segment in kept]


LOW, HIGH = int(Note.LOW_A), int(Note.HIGH_A)


def test_what_comes_and_goes_without_a_step_is_no_other_note():
    assert runs_left((LOW, 200), (HIGH, 12), (LOW, 200)) == [(LOW, 412)]
    assert runs_left((LOW, 60), (HIGH, 12), (LOW, 9), (HIGH, 12), (LOW, 60)) == [(LOW, 153)]


@pytest.mark.parametrize("at", [192, 200, 206, 212, 220])
def test_a_step_at_either_edge_is_a_finger(at: int):
    runs = ((LOW, 200), (HIGH, 12), (LOW, 200))
    assert runs_left(*runs, steps_at=(at,)) == list(runs)
    assert runs_left(*runs, steps_at=(at,), height=0.22) == list(runs)
    assert runs_left(*runs, steps_at=(at,), height=0.17) == [(LOW, 412)]


@pytest.mark.parametrize("at", [191, 221])
def test_a_step_elsewhere_is_another_finger(at: int):
    assert runs_left((LOW, 200), (HIGH, 12), (LOW, 200), steps_at=(at,)) == [(LOW, 412)]


@pytest.mark.parametrize(
    "runs",
    [
        ((LOW, 200), (HIGH, 60), (LOW, 200)),  # too long for a moment
        ((REST, 20), (LOW, 4), (HIGH, 55), (LOW, 4), (REST, 20)),  # longer than what is around it
        ((LOW, 200), (REST, 12), (LOW, 200)),
        ((REST, 200), (LOW, 12), (REST, 200)),
        ((LOW, 200), (HIGH, 12), (2, 200)),
        ((LOW, 200),),
    ],
)
def test_what_is_no_moment_within_a_note_is_left_as_it_is(runs: tuple[tuple[int, int], ...]):
    assert runs_left(*runs) == list(runs)


def test_a_flicker_does_not_take_the_beginning_of_the_note_after_it():
    assert runs_left((2, 200), (1, 10), (3, 40), (1, 10), (3, 500), steps_at=(200,)) == [(2, 200), (1, 10), (3, 550)]


@pytest.mark.parametrize(("low", "high"), [(Note.LOW_A, Note.HIGH_A), (Note.LOW_G, Note.HIGH_G)])
def test_a_held_note_that_goes_over_to_its_octave_without_a_step_is_the_lower(low: Note, high: Note):
    for runs in (((low, 200), (high, 300)), ((high, 200), (low, 100)), ((low, 80), (high, 90), (low, 80), (high, 100))):
        whole = sum(frames for _, frames in runs)
        assert runs_left((Note.E, 50), *runs, (Note.B, 50), steps_at=(50, 50 + whole), rule=of_one_octave) == [
            (Note.E, 50),
            (low, whole),
            (Note.B, 50),
        ]


@pytest.mark.parametrize(
    ("runs", "steps_at"),
    [
        (((Note.LOW_A, 200), (Note.HIGH_A, 200)), (200,)),  # the thumb opens
        (((Note.LOW_A, 200), (Note.HIGH_A, 200)), (193,)),  # a step is where it is, decoding is near
        (((Note.LOW_A, 200), (Note.HIGH_A, 20), (Note.LOW_A, 200)), (220,)),  # a gracenote, one edge hard to see
        (((Note.LOW_A, 200), (Note.E, 200)), ()),  # no octave
        (((Note.LOW_A, 200), (Note.HIGH_G, 200)), ()),
        (((REST, 200), (Note.HIGH_A, 200)), ()),
        (((Note.LOW_A, 200), (REST, 60), (Note.HIGH_A, 200)), ()),
        (((REST, 50), (Note.LOW_A, 10), (Note.HIGH_A, 1000), (Note.E, 50)), (50, 1060)),  # no low note held
        (((REST, 50), (Note.HIGH_A, 1000), (Note.LOW_A, 59), (REST, 50)), (50,)),
    ],
)
def test_another_note_or_a_step_or_a_gracenote_is_no_fading(runs: tuple, steps_at: tuple[int, ...]):
    assert runs_left(*runs, steps_at=steps_at, rule=of_one_octave) == list(runs)


def test_only_what_goes_over_without_a_step_is_of_one_octave():
    runs = ((Note.HIGH_A, 150), (Note.LOW_A, 150), (Note.HIGH_A, 150))
    assert runs_left(*runs, steps_at=(150,), rule=of_one_octave) == [(Note.HIGH_A, 150), (Note.LOW_A, 300)]


@pytest.mark.parametrize(
    ("frames", "steps_at", "expected"),
    [
        (40, (), LOW),
        (40, (200,), LOW),
        (40, (240,), LOW),
        (40, (200, 240), HIGH),
        (24, (), HIGH),  # too short for a long window to have heard it
        (250, (200, 450), LOW),  # no room fills half a second
    ],
)
def test_what_long_windows_heard_as_the_lower_note_is_that_unless_both_edges_step(
    frames: int, steps_at: tuple[int, ...], expected: int
):
    labels = np.full(200, LOW, dtype=np.int8)
    fit = tuning.Fit("pipes", 460.0, (400.0,) * len(Note), (True,) * len(Note), labels, np.zeros(labels.size), None)

    def rule(found: list[decoding.Segment], costs: spectra.Floats, hop_s: float) -> list[decoding.Segment]:
        return in_their_octave(found, fit, costs, hop_s)

    left = runs_left((LOW, 200), (HIGH, frames), (LOW, 200), steps_at=steps_at, rule=rule)
    assert left == ([(LOW, 400 + frames)] if expected == LOW else [(LOW, 200), (HIGH, frames), (LOW, 200)])


@pytest.mark.parametrize(
    ("labels", "cost", "expected"),
    [
        (int(Note.HIGH_G), 25.0, "one"),  # a faint step, as breath makes: long windows know better
        (int(Note.HIGH_G), 10.0, "three"),  # a finger
        (int(Note.F), 25.0, "three"),  # long windows hear it too
    ],
)
def test_a_note_that_sags_to_its_neighbours_pitch_is_still_itself(labels, cost, expected):
    hop_s = 0.002
    found = [
        decoding.Segment(0, 200, int(Note.HIGH_G)),
        decoding.Segment(200, 270, int(Note.F)),
        decoding.Segment(270, 500, int(Note.HIGH_G)),
    ]
    held = np.full(round(1.1 / tuning.HOP_S), int(Note.HIGH_G), dtype=np.int8)
    held[round(0.42 / tuning.HOP_S) : round(0.54 / tuning.HOP_S)] = labels
    fit = tuning.Fit("pipes", 470.0, (400.0,) * len(Note), (True,) * len(Note), held, np.zeros(held.size), None)
    costs = np.full(500, 40.0, dtype=np.float32)
    costs[[200, 270]] = cost
    left = as_held(found, fit, costs, hop_s)
    assert len(left) == {"one": 1, "three": 3}[expected]
