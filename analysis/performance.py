"""A score played: every sound with its time, clean or with faults on purpose, and the exact truth about each movement.

Movements meet the beat as the studio's table of beat points says (:mod:`analysis.movements`). Where the first sound is
the theme note itself (half doublings, doublings on high G and high A), there is no first gracenote to close: that sound
starts on the beat. What is sounding already is no first sound: a doubling on high G from high G begins with its F.
Everything is reproducible: one seed, one performance.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal

import numpy as np

from analysis.chanter import Note
from analysis.faults import Fault, Figure, Situation, Sound, apply, as_faults
from analysis.judgement import Tolerances
from analysis.movements import (
    BeatPoint,
    Form,
    Kind,
    Movement,
    audible,
    beat_point,
    gracenote_places,
    written_as_themes,
)
from analysis.report import Flag
from analysis.score import Score, WrittenMovement

Role = Literal["theme", "theme-part", "gracenote", "crossing"]

DEFAULT_TEMPO_BPM: Final = 60.0
#: How much gracenote lengths vary in a performance that is not exact, as a share (one standard deviation).
LENGTH_SPREAD: Final = 0.08
#: What is left of a note at least when the movement after it comes early, in seconds.
SHORTEST_NOTE_S: Final = 0.03
#: Where a movement that comes before its beat has little room after a short note, its sounds are played shorter, down
#: to this share of what they should be. Where that does not do either it comes late: nobody could play it so.
LEAST_OF_A_SOUND: Final = 0.75
#: What is left of the note before a movement that makes room in that way, in seconds.
LEAST_BEFORE_S: Final = 0.045


@dataclass(frozen=True)
class PlayedNote:
    """One sound, in seconds. `theme-part`: a theme note between two gracenotes of a movement."""

    start_s: float
    end_s: float
    note: Note
    role: Role


@dataclass(frozen=True)
class PlayedMovement:
    """What was played for one written movement.

    `beat_s`: the beat it belongs to; `offset_ms`: its beat point minus that beat, None when the movement was left out;
    `parts`: every sound before the theme note with its length in ms; `gap_ms`: the theme note between two gracenotes;
    `crossing`: start in s, length in ms and note of each crossing noise.
    """

    index: int
    theme: int
    kind: Kind
    form: Form
    on: Note
    approach: Note | None
    beat_s: float
    start_s: float
    offset_ms: float | None
    gap_ms: float | None
    parts: tuple[tuple[Note, float], ...]
    crossing: tuple[tuple[float, float, Note], ...]
    faults: tuple[Flag, ...]


@dataclass(frozen=True)
class Performance:
    """Every sound in order, without gaps inside a phrase; the movements, the beats and the beat's audible strokes.

    `crowded`: the movements, by index, that there was no room to play as they should be (see :data:`LEAST_OF_A_SOUND`).
    """

    notes: tuple[PlayedNote, ...]
    movements: tuple[PlayedMovement, ...]
    beats_s: tuple[float, ...]
    strokes_s: tuple[float, ...]
    first_beats_s: frozenset[float]
    tempo_bpm: float
    duration_s: float
    crowded: frozenset[int] = frozenset()


@dataclass(frozen=True)
class Manner:
    """How it is played. Times in ms unless named otherwise; `jitter_ms` is one standard deviation of every onset.

    `drift_bpm_per_min` changes the tempo evenly; `lead_s` is the silence before, `tail_s` the silence after. Faults on
    purpose go beyond `limits`, and not much further.
    """

    tempo_bpm: float | None = None
    count_in: int = 0
    clicks: bool = False
    gracenote_ms: float = 45.0
    gap_ms: float = 65.0
    jitter_ms: float = 0.0
    offset_ms: float = 0.0
    drift_bpm_per_min: float = 0.0
    beat_points: Mapping[str, str] = field(default_factory=dict)
    lead_s: float = 0.4
    tail_s: float = 0.6
    seed: int = 0
    limits: Tolerances = field(default_factory=Tolerances)


def perform(
    score: Score,
    manner: Manner | None = None,
    *,
    faults: Mapping[int, str | Fault | Sequence[str | Fault]] | None = None,
) -> Performance:
    """`score` played in `manner`, with `faults` put in by movement index (flag codes or :class:`Fault`).

    Raises ValueError for an unknown fault, one that the movement cannot have, or a movement that is not there.
    """
    if not score.themes:
        raise ValueError("the music has no notes to play")
    return _Player(score, manner or Manner(), _checked(score, faults or {})).play()


def _checked(score: Score, faults: Mapping[int, str | Fault | Sequence[str | Fault]]) -> dict[int, tuple[Fault, ...]]:
    unknown = sorted(index for index in faults if not 0 <= index < len(score.movements))
    if unknown:
        raise ValueError(f"there is no movement {unknown[0]}; the music has {len(score.movements)}, counted from 0")
    return {index: as_faults(given) for index, given in faults.items()}


class _Player:
    def __init__(self, score: Score, manner: Manner, faults: Mapping[int, tuple[Fault, ...]]) -> None:
        self.score, self.manner, self.faults = score, manner, faults
        self.random = np.random.default_rng([manner.seed, 7919])
        self.bpm = manner.tempo_bpm or score.tempo_bpm or DEFAULT_TEMPO_BPM
        if not 10 <= self.bpm <= 400:
            raise ValueError(f"a tempo of {self.bpm:g} is not possible; 10 to 400 beats a minute are")
        self.notes: list[PlayedNote] = []
        self.movements: list[PlayedMovement] = []
        self.crowded: set[int] = set()

    def beat_s(self, beat: float) -> float:
        """When `beat` (0 is the score's first) falls; the tempo changes evenly from the first stroke on."""
        beats = beat + self.manner.count_in
        rate, change = self.bpm / 60, self.manner.drift_bpm_per_min / 3600
        inside = rate * rate + 2 * change * beats
        if inside <= 0:
            raise ValueError(
                f"at {self.manner.drift_bpm_per_min:g} beats a minute each minute the tempo falls to nothing"
            )
        time = 2 * beats / (rate + float(np.sqrt(inside)))  # the root that stays exact without a change
        return self.manner.lead_s + time

    def play(self) -> Performance:
        movements = {movement.theme: movement for movement in self.score.movements}
        inside = {movement.first for movement in self.score.movements if movement.first != movement.theme}
        for number, theme in enumerate(self.score.themes):
            movement = movements.get(number)
            if movement:
                self._movement(movement)
            elif number not in inside:
                self._sound(self._not_before(self.beat_s(float(theme.onset)) + self._jitter_s()), theme.note, "theme")
            self._end_before_rest(number)
        last = self.score.themes[-1]
        end = self.beat_s(float(last.onset + last.duration))
        self.notes[-1] = replace(self.notes[-1], end_s=end)
        beats = [self.beat_s(beat) for beat in range(int(self.score.beats) + 1)]
        count_in = [self.beat_s(beat) for beat in range(-self.manner.count_in, 0)]
        heard = count_in + ([time for time in beats if time < end - 0.05] if self.manner.clicks else [])
        return Performance(
            notes=_merged(self.notes),
            movements=tuple(self.movements),
            beats_s=tuple(beats),
            strokes_s=tuple(heard),
            first_beats_s=frozenset(self._first_beats()),
            tempo_bpm=self.bpm,
            duration_s=end + self.manner.tail_s,
            crowded=frozenset(self.crowded),
        )

    def _first_beats(self) -> list[float]:
        """The strokes that start a bar."""
        full = self.score.meter[0] / self.score.meter[1] / float(self.score.beat_unit)
        first = self.score.themes[0]
        start = float(first.onset - (first.beat - 1)) - (full if first.bar == 0 else 0)
        return [
            self.beat_s(beat)
            for beat in range(-self.manner.count_in, int(self.score.beats) + 1)
            if (beat - start) % full == 0
        ]

    def _jitter_s(self) -> float:
        return float(self.random.normal(0, self.manner.jitter_ms)) / 1000 if self.manner.jitter_ms else 0.0

    def _length_s(self, base_ms: float) -> float:
        """A length about `base_ms`; exactly that in an exact performance."""
        spread = LENGTH_SPREAD if self.manner.jitter_ms else 0.0
        return base_ms / 1000 * float(np.clip(self.random.normal(1, spread), 0.6, 1.6) if spread else 1.0)

    def _sound(self, start_s: float, note: Note, role: Role) -> None:
        """`note` from `start_s` on; the sound before it ends there unless a rest has ended it."""
        if self.notes and self.notes[-1].end_s == _OPEN:
            self.notes[-1] = replace(self.notes[-1], end_s=start_s)
        self.notes.append(PlayedNote(start_s, _OPEN, note, role))

    def _not_before(self, start_s: float) -> float:
        """`start_s`, or later where the sound before would be shorter than a note can be."""
        if not self.notes:
            return max(start_s, 0.02)
        last = self.notes[-1]
        return max(start_s, last.start_s + SHORTEST_NOTE_S, 0.0 if last.end_s == _OPEN else last.end_s + 0.005)

    def _end_before_rest(self, number: int) -> None:
        theme = self.score.themes[number]
        following = self.score.themes[number + 1] if number + 1 < len(self.score.themes) else None
        if following and following.onset > theme.onset + theme.duration:
            end = max(self.beat_s(float(theme.onset + theme.duration)), self.notes[-1].start_s + SHORTEST_NOTE_S)
            self.notes[-1] = replace(self.notes[-1], end_s=end)

    def _movement(self, written: WrittenMovement) -> None:
        beat = self.beat_s(float(self.score.themes[written.first].onset))
        figure = self._figure(written)
        self._make_room(figure, beat)
        apply(
            figure,
            self.faults.get(written.index, ()),
            written,
            Situation(self._beat_length_ms(), self.manner.limits, self.random),
        )
        wanted = beat + self._jitter_s() + self.manner.offset_ms / 1000 + figure.shift_s
        start = self._not_before(wanted - figure.point_s)
        if start > wanted - figure.point_s + 0.001:
            self.crowded.add(written.index)
        self._record(written, figure, beat, start)

    def _make_room(self, figure: Figure, beat: float) -> None:
        """Shorten the sounds before the beat where the note before has too little time for them."""
        if not self.notes or figure.point_s <= 0:
            return
        last = self.notes[-1]
        begins = last.start_s + LEAST_BEFORE_S if last.end_s == _OPEN else last.end_s
        share = (beat - begins) / figure.point_s
        if share < 1:
            for sound in figure.sounds:
                sound.length_s *= max(share, LEAST_OF_A_SOUND)

    def _beat_length_ms(self) -> float:
        return 60_000 / self.bpm

    def _figure(self, written: WrittenMovement) -> Figure:
        """The movement as it should be: its sounds with lengths, and where among them the beat falls."""
        places = gracenote_places(written.gracenotes, written.on, written.kind)
        held = written_as_themes(written.gracenotes, written.on, written.kind)
        heard = audible(written.gracenotes, written.on, written.approach)
        sounds = []
        for place, (note, is_gracenote) in enumerate(zip(written.gracenotes, places, strict=True)):
            if not heard[place]:
                continue  # it is sounding already: there is no finger to move
            base = self.manner.gracenote_ms if is_gracenote else self.manner.gap_ms
            if place in held:
                beats = float(self.score.themes[written.first].duration)
                base = max(base, beats * self._beat_length_ms() - self.manner.gracenote_ms)
            sounds.append(Sound(note, self._length_s(base), "gracenote" if is_gracenote else "theme-part"))
        return Figure(sounds, self._point(written, places[heard.index(True) if True in heard else 0]))

    def _point(self, written: WrittenMovement, on_gracenote: bool) -> BeatPoint:
        """Where the beat falls; `on_gracenote`: whether the first sound that can be heard is one."""
        point = beat_point(Movement(written.kind, written.form), self.manner.beat_points)
        return "starts" if point in ("closes", "opens") and not on_gracenote else point

    def _record(self, written: WrittenMovement, figure: Figure, beat: float, start: float) -> None:
        """Put the figure's sounds and the theme note after them into the performance, and note the truth."""
        noises: list[tuple[float, float, Note]] = []
        time = start
        for sound in figure.sounds:
            self._sound(time, sound.note, sound.role)
            if sound.role == "crossing":
                noises.append((time, sound.length_s * 1000, sound.note))
            time += sound.length_s
        self._sound(time, written.on, "theme")
        kept = [sound for sound in figure.sounds if sound.role != "crossing"]
        gaps = [sound.length_s * 1000 for sound in kept if sound.role == "theme-part"]
        self.movements.append(
            PlayedMovement(
                index=written.index,
                theme=written.theme,
                kind=written.kind,
                form=written.form,
                on=written.on,
                approach=written.approach,
                beat_s=beat,
                start_s=start + figure.lead_s,
                offset_ms=(start + figure.point_s - beat) * 1000 if kept else None,
                gap_ms=gaps[0] if gaps and kept[0].role == "gracenote" else None,
                parts=tuple((sound.note, sound.length_s * 1000) for sound in kept),
                crossing=tuple(noises),
                faults=figure.faults,
            )
        )


_OPEN: Final = float("inf")


def stretched(performance: Performance, factor: float) -> Performance:
    """The same performance `factor` times slower throughout, its gracenotes too: what they are can then be heard."""

    def longer(time_ms: float | None) -> float | None:
        return None if time_ms is None else time_ms * factor

    return replace(
        performance,
        notes=tuple(replace(n, start_s=n.start_s * factor, end_s=n.end_s * factor) for n in performance.notes),
        movements=tuple(
            replace(
                movement,
                beat_s=movement.beat_s * factor,
                start_s=movement.start_s * factor,
                offset_ms=longer(movement.offset_ms),
                gap_ms=longer(movement.gap_ms),
                parts=tuple((note, length * factor) for note, length in movement.parts),
                crossing=tuple((start * factor, length * factor, note) for start, length, note in movement.crossing),
            )
            for movement in performance.movements
        ),
        beats_s=tuple(time * factor for time in performance.beats_s),
        strokes_s=tuple(time * factor for time in performance.strokes_s),
        first_beats_s=frozenset(time * factor for time in performance.first_beats_s),
        tempo_bpm=performance.tempo_bpm / factor,
        duration_s=performance.duration_s * factor,
    )


def _merged(notes: Sequence[PlayedNote]) -> tuple[PlayedNote, ...]:
    """Adjacent sounds of one pitch as the one sound that they are."""
    merged: list[PlayedNote] = []
    for note in notes:
        if merged and merged[-1].note == note.note and merged[-1].end_s == note.start_s:
            merged[-1] = replace(merged[-1], end_s=note.end_s)
        else:
            merged.append(note)
    return tuple(merged)
