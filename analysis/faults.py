"""Faults on purpose: what each flag code does to a movement's sounds. For made takes, whose truth must be exact."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from analysis.chanter import Note
from analysis.judgement import Tolerances
from analysis.movements import EVEN_KINDS, BeatPoint, audible, gracenote_places
from analysis.report import FLAGS, Flag
from analysis.score import WrittenMovement

SoundRole = Literal["theme-part", "gracenote", "crossing"]
Place = Literal["before", "inside", "after"]

#: What fingers easily sound instead of a gracenote's note (common practice).
_SLIPS: Final[dict[Note, tuple[Note, ...]]] = {
    Note.LOW_G: (Note.LOW_A,),
    Note.LOW_A: (Note.LOW_G, Note.B),
    Note.B: (Note.LOW_A, Note.C),
    Note.C: (Note.B, Note.D),
    Note.D: (Note.E, Note.C),
    Note.E: (Note.D, Note.F),
    Note.F: (Note.E, Note.HIGH_G),
    Note.HIGH_G: (Note.F, Note.E, Note.HIGH_A),
    Note.HIGH_A: (Note.HIGH_G, Note.F),
}


@dataclass(frozen=True)
class Fault:
    """One fault. What is left None is drawn from a believable range by the performance's seed.

    `amount_ms`: how late or early; the length of a heavy gracenote, of the gap of run-together ones, of a crossing
    noise. `note`: the crossing noise's or wrong gracenote's. `place`: where the noise sounds: before the movement,
    inside (after its first sound), or after its last gracenote.
    """

    code: Flag
    amount_ms: float | None = None
    note: Note | None = None
    place: Place | None = None


@dataclass(eq=False)
class Sound:
    """A sound before the theme note. Two of the same note and length are still two."""

    note: Note
    length_s: float
    role: SoundRole


@dataclass
class Figure:
    """A movement's sounds, where the beat falls among them, and how far the whole is shifted."""

    sounds: list[Sound]
    point: BeatPoint
    shift_s: float = 0.0
    faults: tuple[Flag, ...] = ()

    @property
    def lead_s(self) -> float:
        """How long crossing noises sound before the first written sound, in seconds."""
        lead = 0.0
        for sound in self.sounds:
            if sound.role != "crossing":
                break
            lead += sound.length_s
        return lead

    @property
    def point_s(self) -> float:
        """From the figure's first sound, noise or not, to its beat point, in seconds."""
        if self.point == "theme":
            return sum(sound.length_s for sound in self.sounds)
        if self.point == "closes":
            first = next((sound for sound in self.sounds if sound.role != "crossing"), None)
            return self.lead_s + (first.length_s if first else 0.0)
        if self.point == "d-gracenote" and any(sound.note == Note.D for sound in self.sounds):
            place = next(place for place, sound in enumerate(self.sounds) if sound.note == Note.D)
            return sum(sound.length_s for sound in self.sounds[:place])
        return self.lead_s


@dataclass(frozen=True)
class Situation:
    """What a fault depends on beside the movement: the beat's length, the limits beyond which it is a fault, a seed."""

    beat_ms: float
    limits: Tolerances
    random: np.random.Generator


def as_faults(given: str | Fault | Sequence[str | Fault]) -> tuple[Fault, ...]:
    """Faults from a flag code, a :class:`Fault`, or several. Raises ValueError for an unknown code."""
    several = [given] if isinstance(given, str | Fault) else list(given)
    result = []
    for one in several:
        fault = one if isinstance(one, Fault) else _from_code(one)
        result.append(fault)
    return tuple(result)


def _from_code(code: str) -> Fault:
    for flag in FLAGS:
        if flag == code:
            return Fault(flag)
    raise ValueError(f"{code!r} is no fault; the faults are {', '.join(FLAGS)}")


def possible(written: WrittenMovement) -> tuple[Flag, ...]:
    """The faults that a movement can have."""
    codes: list[Flag] = ["late", "early", "wrong-gracenote", "heavy-gracenote", "crossing-noise", "missed"]
    places = gracenote_places(written.gracenotes, written.on, written.kind)
    heard = audible(written.gracenotes, written.on, written.approach)
    graces = [note for note, own, sounds in zip(written.gracenotes, places, heard, strict=True) if own and sounds]
    if not graces:
        return ()
    if len(graces) > 1 and _heard_without_last(written):
        codes.append("missing-gracenote")
    if written.kind == "doubling" and len(graces) > 1:
        codes += ["beat-on-second", "run-together"]
    if written.kind in EVEN_KINDS:
        codes.append("uneven")
    return tuple(code for code in FLAGS if code in codes)


def _heard_without_last(written: WrittenMovement) -> bool:
    """Whether anything sounds of the movement when its last gracenote does not: else it would be missed altogether."""
    places = gracenote_places(written.gracenotes, written.on, written.kind)
    last = max(place for place, own in enumerate(places) if own)
    left = [note for place, note in enumerate(written.gracenotes) if place != last]
    return any(audible(left, written.on, written.approach))


def apply(
    figure: Figure,
    faults: Sequence[Fault],
    written: WrittenMovement,
    situation: Situation,
) -> Figure:
    """`figure` with `faults` in it, in place. Raises ValueError for a fault that the movement cannot have."""
    allowed = possible(written)
    for fault in faults:
        if fault.code not in allowed:
            raise ValueError(f"a {written.kind} on {written.on.label} cannot be {fault.code!r}")
        _APPLY[fault.code](_Work(figure, fault, written, situation.beat_ms, situation.limits, situation.random))
        figure.faults = (*figure.faults, fault.code)
    return figure


@dataclass
class _Work:
    figure: Figure
    fault: Fault
    written: WrittenMovement
    beat_ms: float
    limits: Tolerances
    random: np.random.Generator

    def amount_s(self, low_ms: float, high_ms: float) -> float:
        given = self.fault.amount_ms
        return (float(self.random.uniform(low_ms, high_ms)) if given is None else given) / 1000

    def graces(self) -> list[Sound]:
        return [sound for sound in self.figure.sounds if sound.role == "gracenote"]

    def pick_grace(self) -> Sound:
        graces = self.graces()
        return graces[int(self.random.integers(len(graces)))]

    def pick(self, notes: Sequence[Note]) -> Note:
        return notes[int(self.random.integers(len(notes)))]


def _late(work: _Work) -> None:
    work.figure.shift_s += work.amount_s(*_off_beat(work))


def _early(work: _Work) -> None:
    """Early as a whole: where there are two gracenotes, so early that the second is not on the beat either."""
    low, high = _off_beat(work)
    if work.written.kind == "doubling" and len(work.graces()) > 1:
        low, high = low + 1000 * _second_after_first_s(work), high + 1000 * _second_after_first_s(work)
    work.figure.shift_s -= work.amount_s(low, high)


def _off_beat(work: _Work) -> tuple[float, float]:
    """A displacement well beyond what the level allows, and still the same beat, in ms."""
    floor, share = work.limits.offset_floor_ms, work.limits.offset_share * work.beat_ms
    return max(1.67 * floor, 1.44 * share), max(2.67 * floor, 2.88 * share)


def _beat_on_second(work: _Work) -> None:
    """The second gracenote takes the first one's place on the beat."""
    work.figure.shift_s -= _second_after_first_s(work)


def _second_after_first_s(work: _Work) -> float:
    """From the first gracenote's end to the second's, in seconds."""
    first, second = work.graces()[:2]
    sounds = work.figure.sounds
    return sum(sound.length_s for sound in sounds[sounds.index(first) + 1 : sounds.index(second) + 1])


def _run_together(work: _Work) -> None:
    """The theme note between the two gracenotes shrinks to almost nothing, or to nothing."""
    gap = work.amount_s(0, 0.65 * work.limits.gap_ms)
    first, second = work.graces()[:2]
    part = next(sound for sound in work.figure.sounds[1:] if sound.role == "theme-part")
    if gap >= 0.004:
        part.length_s = gap
    elif first.note == second.note:  # without a gap they would be one long gracenote, which is another fault
        part.length_s = 0.006
    else:
        work.figure.sounds.remove(part)


def _missing(work: _Work) -> None:
    """The last gracenote does not sound, and with it goes the theme note before it."""
    sounds = work.figure.sounds
    last = work.graces()[-1]
    place = sounds.index(last)
    del sounds[place]
    if place and sounds[place - 1].role == "theme-part":
        del sounds[place - 1]


def _wrong(work: _Work) -> None:
    sounds = work.figure.sounds
    sound = work.pick_grace()
    place = sounds.index(sound)
    neighbours = {
        sounds[place - 1].note if place else work.written.approach,
        sounds[place + 1].note if place + 1 < len(sounds) else work.written.on,
    }
    choices = [note for note in _SLIPS[sound.note] if note not in neighbours] or [
        note for note in Note if note not in neighbours and note != sound.note
    ]
    sound.note = work.fault.note if work.fault.note is not None else work.pick(choices)


def _heavy(work: _Work) -> None:
    sound = work.pick_grace()
    longest = work.limits.gracenote_ms
    sound.length_s = work.amount_s(1.17 * longest, 1.67 * longest)
    if work.written.kind in EVEN_KINDS:
        # Heavy and nothing else: a hand that is slow all over, or the movement would be uneven as well.
        sound.length_s = min(sound.length_s, work.amount_s(1.11 * longest, 1.31 * longest))
        for other in work.graces():
            other.length_s = max(other.length_s, 0.6 * sound.length_s)


def _crossing(work: _Work) -> None:
    """An unwritten sound between two written ones. Its note differs from both, or it would not be heard."""
    sounds = work.figure.sounds
    places: dict[Place, int] = {"before": 0, "inside": min(1, len(sounds)), "after": len(sounds)}
    names = list(places)
    place = places[work.fault.place or names[int(work.random.choice(3, p=(0.3, 0.45, 0.25)))]]
    before = sounds[place - 1].note if place else work.written.approach
    after = sounds[place].note if place < len(sounds) else work.written.on
    note = work.fault.note if work.fault.note is not None else _likely_noise(work, before, after)
    if note in (before, after):
        raise ValueError(f"a crossing noise on {note.label} next to {note.label} cannot be heard")
    shortest = max(10.0, work.limits.crossing_noise_ms)  # shorter ones are hardly to be heard at any level
    sounds.insert(place, Sound(note, work.amount_s(1.4 * shortest, 3.8 * shortest), "crossing"))


def _likely_noise(work: _Work, before: Note | None, after: Note) -> Note:
    """Mostly the note left too late or reached too early, else one between the two hands' notes."""
    written = work.written
    likely = [note for note in (written.approach, written.on) if note is not None and note not in (before, after)]
    if likely and work.random.random() < 0.6:
        return work.pick(likely)
    low, high = sorted((written.approach if written.approach is not None else written.on, written.on))
    return work.pick(
        [note for note in Note if max(0, low - 1) <= note <= high + 1 and note not in (before, after)]
        or [note for note in Note if note not in (before, after)]
    )


def _uneven(work: _Work) -> None:
    """One part long beside the others, and still no heavy gracenote."""
    sound = work.pick_grace()
    given = work.fault.amount_ms is not None
    longest = 0.91 * work.limits.gracenote_ms / 1000
    sound.length_s = work.amount_s(0, 0) if given else min(1.75 * sound.length_s, longest)
    for other in work.graces():
        if other is not sound and not given:
            ratio = float(work.random.uniform(1.175, 1.35)) * work.limits.unevenness
            other.length_s = min(other.length_s, sound.length_s / ratio)


def _missed(work: _Work) -> None:
    work.figure.sounds.clear()
    work.figure.point = "theme"


_APPLY: Final[dict[Flag, Callable[[_Work], None]]] = {
    "late": _late,
    "early": _early,
    "beat-on-second": _beat_on_second,
    "run-together": _run_together,
    "missing-gracenote": _missing,
    "wrong-gracenote": _wrong,
    "heavy-gracenote": _heavy,
    "crossing-noise": _crossing,
    "uneven": _uneven,
    "missed": _missed,
}
