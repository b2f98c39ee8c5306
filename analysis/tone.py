"""The sound of a chanter and drones, made from harmonics.

Each note is one cycle of a waveform, read at the note's own frequency. Its harmonics follow a source slope and a few
resonances at fixed frequencies, as a reed and a bore have them (values by ear, no published source). The practice
chanter's narrow straight bore favours odd harmonics; the pipe chanter is brighter. A seed gives each instrument its own
colour, note by note, and a slow random wobble; there are no dynamics.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.chanter import Note, Tuning, hertz
from analysis.performance import PlayedNote

Floats = NDArray[np.float32]
Instrument = Literal["practice chanter", "pipes"]

LOW_A_HZ: Final[dict[Instrument, float]] = {"practice chanter": 236.0, "pipes": 476.0}
#: The fade from one note to the next, in seconds: fingers close a hole in a few milliseconds.
CROSSFADE_S: Final = 0.0025
#: Level of the three drones together against the chanter, as a factor.
DRONE_LEVEL: Final = 0.4

_TABLE: Final = 8192
_BLOCK: Final = 16384
_TOP_HZ: Final = 9000.0
# Resonances: centre in hertz, width as a factor of the centre, gain.
_RESONANCES: Final[dict[Instrument, tuple[tuple[float, float, float], ...]]] = {
    "practice chanter": ((650.0, 0.45, 1.6), (1500.0, 0.3, 1.9), (2700.0, 0.25, 1.4), (4300.0, 0.2, 0.8)),
    "pipes": ((1000.0, 0.4, 1.6), (2100.0, 0.3, 2.2), (3400.0, 0.25, 1.8), (5600.0, 0.2, 1.0)),
}
_SLOPE: Final[dict[Instrument, float]] = {"practice chanter": 1.15, "pipes": 0.8}
_EVEN_LEVEL: Final[dict[Instrument, float]] = {"practice chanter": 0.55, "pipes": 1.0}


@dataclass(frozen=True)
class Voice:
    """One instrument: its low A in hertz (None: a usual one), tuning, deviations of its nine notes and wobble in cents.

    `seed` chooses its colour and the course of its wobble.
    """

    instrument: Instrument = "practice chanter"
    low_a_hz: float | None = None
    tuning: Tuning = "harmonic"
    detune_cents: tuple[float, ...] = (0.0,) * 9
    wobble_cents: float = 2.5
    seed: int = 0

    def hertz(self, note: Note) -> float:
        """The frequency at which `note` sounds."""
        low_a = LOW_A_HZ[self.instrument] if self.low_a_hz is None else self.low_a_hz
        return hertz(note, low_a, tuning=self.tuning) * float(2 ** (self.detune_cents[note] / 1200))


#: Level, one cycle, frequency and phase in cycles.
_Drone = tuple[float, Floats, float, float]
#: Gives so many samples of a note's steady tone from a sample number of the take on.
Source = Callable[[Note, int, int], Floats]


def sound(notes: Sequence[PlayedNote], voice: Voice, *, duration_s: float, rate_hz: int, drones: bool = True) -> Floats:
    """`notes` as `voice` sounds them: float32 mono of ``duration_s * rate_hz`` samples, RMS about 0.15 in the music.

    Pipes sound with their drones unless `drones` is False.
    """
    bend = _wobble(voice, round(duration_s * rate_hz), rate_hz)
    result = splice(notes, _source(voice, notes, bend, rate_hz), duration_s=duration_s, rate_hz=rate_hz)
    if voice.instrument == "pipes" and drones:
        add_drones(result, voice, notes, rate_hz)
    return result


def _source(voice: Voice, notes: Sequence[PlayedNote], bend: Floats, rate_hz: int) -> Source:
    """The tones of `voice` for `notes`, their pitch bent as `bend` says."""
    cycles = {note: _cycle(voice, note) for note in {played.note for played in notes}}

    def source(note: Note, start: int, count: int) -> Floats:
        step = voice.hertz(note) / rate_hz
        phase = (np.cumsum(bend[start : start + count], dtype=np.float64) + start) * step
        return _read(cycles[note], phase)

    return source


def circle(notes: Sequence[PlayedNote], voice: Voice, *, period_s: float, rate_hz: int, drones: bool = True) -> Floats:
    """`notes` as a sound of ``period_s * rate_hz`` samples that runs on into its own beginning, from the first note on.

    The last note should end `period_s` after the first one starts: it is then crossfaded into it as any other change.
    The drones are tuned, by a few cents at most, to whole cycles of the period. Otherwise as :func:`sound`.
    """
    size = round(period_s * rate_hz)
    margin = round(CROSSFADE_S * rate_hz)
    shift = margin / rate_hz - notes[0].start_s
    moved = [replace(note, start_s=note.start_s + shift, end_s=note.end_s + shift) for note in notes]
    whole = notes[-1].end_s >= notes[0].start_s + period_s - 1e-6
    bend = _wobble(voice, size + 3 * margin, rate_hz)
    made = splice(
        moved,
        _source(voice, moved, bend, rate_hz),
        duration_s=(size + 2 * margin) / rate_hz,
        rate_hz=rate_hz,
        ring=whole,
    )
    result = made[:size]
    result[: made.size - size] += made[size:]
    if voice.instrument == "pipes" and drones:
        result += DRONE_LEVEL * _hum(_drones(voice, period_s=size / rate_hz), size, rate_hz)
    return np.roll(result, -margin)


def splice(
    notes: Sequence[PlayedNote], source: Source, *, duration_s: float, rate_hz: int, ring: bool = False
) -> Floats:
    """The tones of `source`, one after the other as `notes` say.

    Notes that touch are crossfaded around their common time; the first swells in and the last dies away within 30 ms.
    In a `ring` the last touches the first.
    """
    result = np.zeros(round(duration_s * rate_hz), dtype=np.float32)
    half = CROSSFADE_S / 2
    for number, played in enumerate(notes):
        joined = notes[number - 1].end_s == played.start_s if number else ring
        joins = notes[number + 1].start_s == played.end_s if number + 1 < len(notes) else ring
        start = max(0, round((played.start_s - (half if joined else 0.0)) * rate_hz))
        stop = min(result.size, round((played.end_s + (half if joins else 0.0)) * rate_hz))
        if stop > start:
            piece = source(played.note, start, stop - start)
            rise, fall = (CROSSFADE_S if joined else 0.03), (CROSSFADE_S if joins else 0.03)
            _fade(piece, round(rise * rate_hz), round(fall * rate_hz))
            result[start:stop] += piece
    return result


def _read(cycle: Floats, phase: NDArray[np.float64]) -> Floats:
    """`cycle` at `phase` (in cycles, none below 0), interpolated between its samples."""
    place = phase * _TABLE
    left = place.astype(np.int64)
    part = (place - left).astype(np.float32)
    left &= _TABLE - 1  # the table's size is a power of two: where in the cycle, whichever cycle it is
    value: Floats = cycle[left] * (1 - part) + cycle[left + 1] * part
    return value


def _fade(tone: Floats, rise: int, fall: int) -> None:
    rise, fall = min(rise, tone.size), min(fall, tone.size)
    if rise:
        tone[:rise] *= _ramp(rise)
    if fall:
        tone[-fall:] *= _ramp(fall)[::-1]


def _ramp(count: int) -> Floats:
    """A raised cosine from 0 to 1; the ramp and its mirror image add up to 1."""
    return (0.5 - 0.5 * np.cos(np.pi * (np.arange(count) + 0.5) / count)).astype(np.float32)


def _cycle(voice: Voice, note: Note) -> Floats:
    """One cycle of `note`."""
    hz = voice.hertz(note)
    random = np.random.default_rng([voice.seed, 31, int(note)])
    number = np.arange(1, int(_TOP_HZ / hz) + 1)
    amplitude = number ** -_SLOPE[voice.instrument]
    colour = np.full(number.size, 0.35)
    for centre, width, gain in _RESONANCES[voice.instrument]:
        colour += gain * np.exp(-0.5 * (np.log(number * hz / centre) / width) ** 2)
    amplitude *= colour * np.where(number % 2 == 0, _EVEN_LEVEL[voice.instrument], 1.0)
    amplitude *= 10 ** (random.normal(0, 2.0, number.size) / 20)
    return _waveform(number, amplitude)


def _waveform(number: NDArray[np.int_], amplitude: NDArray[np.floating]) -> Floats:
    """One cycle of harmonics `number` with `amplitude`: :data:`_TABLE` samples and the first again, RMS 0.15."""
    spectrum = np.zeros(_TABLE // 2 + 1, dtype=np.complex128)
    spectrum[number] = amplitude * np.exp(1j * _phases(number))
    wave = np.fft.irfft(spectrum, _TABLE)
    wave *= 0.15 / np.sqrt(np.mean(wave**2))
    return np.append(wave, wave[0]).astype(np.float32)


def _phases(number: NDArray[np.int_]) -> NDArray[np.float64]:
    """Phases that spread a cycle's energy over it: a reed is a buzz, not a click (Schroeder's rule, unweighted)."""
    return np.pi * number * (number - 1) / number.size


def _wobble(voice: Voice, count: int, rate_hz: int) -> Floats:
    """Frequency factor for each sample: slow random unsteadiness of the breath, below about 5 Hz."""
    random = np.random.default_rng([voice.seed, 77])
    step = rate_hz // 50
    points = random.normal(0, 1, count // step + 12)
    smooth = np.convolve(points, np.hanning(11) / np.sqrt(np.sum(np.hanning(11) ** 2)), mode="valid")
    course = np.interp(np.arange(count) / step, np.arange(smooth.size), smooth)
    return (2 ** (course * voice.wobble_cents / 1200)).astype(np.float32)


def add_drones(result: Floats, voice: Voice, notes: Sequence[PlayedNote], rate_hz: int) -> None:
    """Two tenors an octave below low A and a bass two octaves below, sounding as long as the chanter does."""
    start, stop = round(notes[0].start_s * rate_hz), min(result.size, round(notes[-1].end_s * rate_hz))
    drones = _hum(_drones(voice), stop - start, rate_hz)
    _fade(drones, round(0.05 * rate_hz), round(0.08 * rate_hz))
    result[start:stop] += DRONE_LEVEL * drones


def _hum(drones: Iterable[_Drone], count: int, rate_hz: int) -> Floats:
    """`drones` together, for `count` samples: block by block, since what fits the processor's cache is much quicker."""
    several = list(drones)
    result = np.zeros(count, dtype=np.float32)
    for start in range(0, count, _BLOCK):
        time = np.arange(start, min(count, start + _BLOCK), dtype=np.float64)
        for level, cycle, hz, phase in several:
            result[start : start + _BLOCK] += level * _read(cycle, time * (hz / rate_hz) + phase)
    return result


def _drones(voice: Voice, *, period_s: float | None = None) -> Iterator[_Drone]:
    """Of each drone its level, one cycle, frequency and phase in cycles; with whole cycles in `period_s`, if given."""
    low_a = voice.hertz(Note.LOW_A)
    for number, (ratio, level) in enumerate(((1 / 2, 0.6), (1 / 2 * 1.0006, 0.6), (1 / 4, 0.75))):
        hz = low_a * ratio
        cycle = _drone_cycle(hz, np.random.default_rng([voice.seed, 55, number]))
        if period_s is not None:
            hz = round(hz * period_s) / period_s
        yield level, cycle, hz, 0.3 * number


def _drone_cycle(hz: float, random: np.random.Generator) -> Floats:
    number = np.arange(1, int(5000 / hz) + 1)
    amplitude = number**-1.1 * 10 ** (random.normal(0, 3.0, number.size) / 20)
    return _waveform(number, amplitude)
