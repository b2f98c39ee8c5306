"""What is not a chanter is refused with one sentence."""

import numpy as np
import pytest

from analysis.api import analyse_sound
from analysis.sound import Sound, SoundError

RATE = 48_000


def as_sound(samples: np.ndarray) -> Sound:
    return Sound(samples.astype(np.float32), RATE, RATE, samples.size / RATE, "0" * 64)


def noise(seconds: float) -> np.ndarray:
    return np.random.default_rng(1).normal(size=int(seconds * RATE)) * 0.1


def plucked_chords(seconds: float) -> np.ndarray:
    """Four-note chords that die away, as a guitar's or a piano's do."""
    time = np.arange(int(0.8 * RATE)) / RATE
    random = np.random.default_rng(2)
    out = []
    while sum(part.size for part in out) < seconds * RATE:
        root = 130.0 * 2.0 ** (random.integers(0, 12) / 12)
        chord = sum(
            np.sin(2 * np.pi * root * ratio * k * time) / k * np.exp(-time * (2 + k))
            for ratio in (1.0, 1.26, 1.5, 2.0)
            for k in range(1, 7)
        )
        out.append(0.1 * chord)
    return np.concatenate(out)[: int(seconds * RATE)]


def gliding_voice(seconds: float) -> np.ndarray:
    """Harmonics whose pitch glides and whose level comes and goes in syllables, as in speech."""
    time = np.arange(int(seconds * RATE)) / RATE
    pitch = 180.0 + 60.0 * np.sin(2 * np.pi * 1.3 * time) + 25.0 * np.sin(2 * np.pi * 3.1 * time)
    phase = 2 * np.pi * np.cumsum(pitch) / RATE
    level = np.clip(np.sin(2 * np.pi * 2.2 * time), 0, 1)
    return 0.2 * level * sum(np.sin(k * phase) / k for k in range(1, 12))


@pytest.mark.parametrize("samples", [noise(8), plucked_chords(12), gliding_voice(12)], ids=["noise", "chords", "voice"])
def test_other_sounds_are_refused_in_one_sentence(samples):
    with pytest.raises(SoundError, match="No chanter is to be heard") as caught:
        analyse_sound(as_sound(samples))
    assert "\n" not in str(caught.value)


def test_hum_is_no_chanter():
    time = np.arange(8 * RATE) / RATE
    with pytest.raises(SoundError):
        analyse_sound(as_sound(0.1 * np.sin(2 * np.pi * 50.0 * time) + 0.02 * np.sin(2 * np.pi * 100.0 * time)))


def test_clicks_alone_are_no_chanter():
    samples = np.zeros(10 * RATE)
    samples[RATE // 2 :: RATE] = 0.8
    with pytest.raises(SoundError):
        analyse_sound(as_sound(samples))
