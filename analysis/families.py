"""Exercise families: a movement practised from a set of approach notes, written out as a score.

The families follow common practice in the trade. The form comes from the approach by itself: from high G the first
gracenote is the thumb's, from high A there is none (see :mod:`analysis.movements`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from analysis.chanter import Note
from analysis.movements import Form, Kind, Spelling, spelling
from analysis.score import Score, ThemeNote

METER: Final = (4, 4)
#: What may be written for the short note before a movement, as shares of the beat; longest first, as in practice.
CUT_SHARES: Final[tuple[Fraction, ...]] = (Fraction(1, 2), Fraction(1, 3), Fraction(1, 4), Fraction(1, 8))
MAX_REPEATS: Final = 12
TEMPO_BPM: Final = (20.0, 200.0)

_BEATS_A_BAR: Final = 4


@dataclass(frozen=True)
class _Step:
    """One theme note of a family: how long in beats, after which gracenotes."""

    note: Note
    beats: Fraction
    gracenotes: tuple[Note, ...] = ()


def single_then_full(
    kind: Kind,
    on: Note,
    approaches: Sequence[Note],
    *,
    form: Form | None = None,
    tempo_bpm: float,
    repeats: int = 1,
    title: str = "",
) -> Score:
    """A bar for each of `approaches`: approach, `on` with one gracenote, approach, `on` with the movement.

    `form` is played where the approach allows it; other approaches keep their own. From high A, where no first
    gracenote is possible, the single one is left out. The whole is written `repeats` times. Raises ValueError, in one
    plain sentence, for a movement that cannot be played on `on` from one of `approaches`, no approaches, a tempo
    outside 20 to 200 beats a minute, or repeats outside 1 to 12.
    """

    def bar(approach: Note, full: Spelling) -> tuple[_Step, ...]:
        one = Fraction(1)
        return (
            _Step(approach, one),
            _Step(on, one, _single(on, approach)),
            _Step(approach, one),
            *_played(full, one),
        )

    steps = _written(kind, on, approaches, form, repeats, bar)
    return _score(steps, tempo_bpm, title or f"{_name(kind, on)}: single then full")


def from_short_notes(
    kind: Kind,
    on: Note,
    approaches: Sequence[Note],
    *,
    cut_share: float | Fraction = Fraction(1, 4),
    form: Form | None = None,
    tempo_bpm: float,
    repeats: int = 1,
    title: str = "",
) -> Score:
    """Half a bar for each of `approaches`: a dotted `on` cut short by the approach note, then the movement on the beat.

    `cut_share` is the approach note's share of its beat, one of :data:`CUT_SHARES`. The last note is held to the end of
    its bar. Otherwise as :func:`single_then_full`; raises ValueError for another share as well.
    """
    cut = _cut(cut_share)

    def figure(approach: Note, full: Spelling) -> tuple[_Step, ...]:
        return _Step(on, 1 - cut), _Step(approach, cut), *_played(full, Fraction(1))

    steps = _written(kind, on, approaches, form, repeats, figure)
    missing = -sum(step.beats for step in steps) % _BEATS_A_BAR
    steps[-1] = _Step(on, steps[-1].beats + missing, steps[-1].gracenotes)
    return _score(steps, tempo_bpm, title or f"{_name(kind, on)}: from short notes")


def _played(full: Spelling, beats: Fraction) -> tuple[_Step, ...]:
    """The movement and its theme note in `beats`; a short theme note inside it takes a quarter of them."""
    if not full.themes:
        return (_Step(full.on, beats, full.gracenotes),)
    place = min(full.themes)
    short = beats / 4
    return (
        _Step(full.gracenotes[place], short, full.gracenotes[:place]),
        _Step(full.on, beats - short, full.gracenotes[place + 1 :]),
    )


def _name(kind: Kind, on: Note) -> str:
    spoken = kind[0].upper() + kind[1:]
    return spoken if kind == "throw on D" else f"{spoken} on {on.label}"


def _cut(share: float | Fraction) -> Fraction:
    for cut in CUT_SHARES:
        if abs(float(share) - float(cut)) < 0.005:
            return cut
    accepted = ", ".join(str(cut) for cut in CUT_SHARES)
    raise ValueError(f"a short note of {float(share):g} of the beat cannot be written; one of {accepted} can")


def _written(
    kind: Kind,
    on: Note,
    approaches: Sequence[Note],
    form: Form | None,
    repeats: int,
    figure: Callable[[Note, Spelling], tuple[_Step, ...]],
) -> list[_Step]:
    if not approaches:
        raise ValueError("the exercise needs at least one note to approach from")
    if not 1 <= repeats <= MAX_REPEATS:
        raise ValueError(f"{repeats} repeats are not possible; 1 to {MAX_REPEATS} are")
    spelt = [_spelling(kind, on, approach, form) for approach in approaches]
    if form is not None and all(found.form != form for found in spelt):
        raise ValueError(f"the {form} form of the {kind} on {on.label} cannot be played from any of the chosen notes")
    once = [step for approach, found in zip(approaches, spelt, strict=True) for step in figure(approach, found)]
    return once * repeats


def _spelling(kind: Kind, on: Note, approach: Note, form: Form | None) -> Spelling:
    found = (form is not None and spelling(kind, on, approach, form=form)) or spelling(kind, on, approach)
    if not found:
        raise ValueError(f"a {kind} on {on.label} cannot be played from {approach.label}")
    return found


def _single(on: Note, approach: Note) -> tuple[Note, ...]:
    found = spelling("gracenote", on, approach)
    return found.gracenotes if found else ()


def _score(steps: Sequence[_Step], tempo_bpm: float, title: str) -> Score:
    low, high = TEMPO_BPM
    if not low <= tempo_bpm <= high:
        raise ValueError(f"a tempo of {tempo_bpm:g} is not possible; {low:g} to {high:g} beats a minute are")
    themes: list[ThemeNote] = []
    onset = Fraction(0)
    for step in steps:
        bar, place = divmod(onset, _BEATS_A_BAR)
        themes.append(ThemeNote(step.note, onset, step.beats, int(bar) + 1, place + 1, step.gracenotes))
        onset += step.beats
    return Score(title, METER, Fraction(1, METER[1]), float(tempo_bpm), tuple(themes))
