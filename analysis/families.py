"""Exercise families: a movement practised from a set of approach notes, written out as a score.

The families follow common practice in the trade. The form comes from the approach by itself: from high G the first
gracenote is the thumb's, from high A there is none (see :mod:`analysis.movements`). Where teachers differ the caller
chooses: `form` "half" is the half doubling from high G, `grip_from_d` the note inside a grip, taorluath or crunluath
that comes from D. `finger` is the one gracenote that a single gracenote is played with; without it, the usual one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from typing import Final

from analysis.chanter import Note
from analysis.movements import SPELLINGS, Form, Kind, Spelling
from analysis.score import Score, ThemeNote

METER: Final = (4, 4)
#: What may be written for the short note before a movement, as shares of the beat; longest first, as in practice.
CUT_SHARES: Final[tuple[Fraction, ...]] = (Fraction(1, 2), Fraction(1, 3), Fraction(1, 4), Fraction(1, 8))
MAX_REPEATS: Final = 8
TEMPO_BPM: Final = (20.0, 200.0)

#: What may stand inside a grip that comes from D; B by default.
GRIP_FROM_D: Final = (Note.B, Note.D)
MAX_PHRASE_BARS: Final = 4

_BEATS_A_BAR: Final = 4
_SCALE: Final = (*Note, *reversed(list(Note)[:-1]))


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
    finger: Note | None = None,
    grip_from_d: Note = Note.B,
    tempo_bpm: float,
    repeats: int = 1,
    title: str = "",
) -> Score:
    """A bar for each of `approaches`: approach, `on` with one gracenote, approach, `on` with the movement.

    `form` is played where the approach allows it; other approaches keep their own. From high A, where no first
    gracenote is possible, the single one is left out. The whole is written `repeats` times. Raises ValueError, in one
    plain sentence, for a movement that cannot be played on `on` from one of `approaches`, no approaches, a tempo
    outside 20 to 200 beats a minute, or repeats outside 1 to 8.
    """

    asked = _Asked(kind, on, form, finger, grip_from_d)

    def bar(approach: Note, full: Spelling) -> tuple[_Step, ...]:
        one = Fraction(1)
        return (
            _Step(approach, one),
            _Step(on, one, asked.single(approach)),
            _Step(approach, one),
            *_played(full, one),
        )

    steps = _articulated(_written(asked, approaches, repeats, bar))
    return _score(steps, tempo_bpm, title or f"{asked.name}: single then full")


def from_short_notes(
    kind: Kind,
    on: Note,
    approaches: Sequence[Note],
    *,
    cut_share: float | Fraction = Fraction(1, 4),
    form: Form | None = None,
    finger: Note | None = None,
    grip_from_d: Note = Note.B,
    tempo_bpm: float,
    repeats: int = 1,
    title: str = "",
) -> Score:
    """Half a bar for each of `approaches`: a dotted `on` cut short by the approach note, then the movement on the beat.

    `cut_share` is the approach note's share of its beat, one of :data:`CUT_SHARES`. From the second on, a figure begins
    with a gracenote, since the one before ends on the same note. The last note is held to the end of its bar. Otherwise
    as :func:`single_then_full`; raises ValueError for another share as well.
    """
    asked = _Asked(kind, on, form, finger, grip_from_d)
    cut = _cut(cut_share)

    def figure(approach: Note, full: Spelling) -> tuple[_Step, ...]:
        return _Step(on, 1 - cut), _Step(approach, cut), *_played(full, Fraction(1))

    steps = _held(_articulated(_written(asked, approaches, repeats, figure)))
    return _score(steps, tempo_bpm, title or f"{asked.name}: from short notes")


def one_finger(
    kind: Kind,
    on: Note,
    approaches: Sequence[Note],
    *,
    form: Form | None = None,
    finger: Note | None = None,
    grip_from_d: Note = Note.B,
    tempo_bpm: float,
    repeats: int = 1,
    title: str = "",
) -> Score:
    """Two bars for each of `approaches`: approach and `on` by turns, `on` always with the same single finger.

    For single gracenotes and strikes it is their own finger; for any other movement the last of its gracenotes that is
    one by itself, and the whole movement comes at the end. With `on` among the approaches, it is played on and on.
    Otherwise as :func:`single_then_full`.
    """
    asked = _Asked(kind, on, form, finger, grip_from_d)

    def bars(approach: Note, full: Spelling) -> tuple[_Step, ...]:
        one = Fraction(1)
        single = _played(asked.alone(approach, full), one)
        plain = single if approach == on else (_Step(approach, one),)
        return *plain, *single, *plain, *single, *plain, *single, *plain, *_played(full, one)

    steps = _articulated(_written(asked, approaches, repeats, bars))
    return _score(steps, tempo_bpm, title or f"{asked.name}: one finger")


def chain(
    kind: Kind,
    approaches: Sequence[Note] = (),
    *,
    form: Form | None = None,
    finger: Note | None = None,
    grip_from_d: Note = Note.B,
    tempo_bpm: float,
    repeats: int = 1,
    title: str = "",
) -> Score:
    """The movement on every note of the scale, up and down, a beat each.

    Without `approaches` each comes from its neighbour in the scale, and a note on which the movement cannot be played
    stands plain. With them, every movement comes from the approach note, which has a beat of its own; the scale is
    gone through once for each. Otherwise as :func:`single_then_full`.
    """
    _check_repeats(repeats)
    one = Fraction(1)
    steps: list[_Step] = []
    played = formed = False
    for wherefrom in approaches or (None,):
        before: Note | None = None
        for on in _SCALE:
            asked = _Asked(kind, on, form, finger, grip_from_d)
            approach = before if wherefrom is None else wherefrom
            full = asked.find(approach) if approach is not None else None
            before = on
            if full:
                played, formed = True, formed or form in (None, full.form)
                steps += [*([_Step(wherefrom, one)] if wherefrom is not None else []), *_played(full, one)]
            elif wherefrom is None:
                steps.append(_Step(on, one))
    name = _Asked(kind, Note.D, form, finger, grip_from_d).spoken
    if not (played and formed):
        from_where = " from any of the chosen notes" if approaches else " along the scale"
        raise ValueError(f"a {name.lower()} cannot be played{from_where}")
    return _score(_held(_articulated(steps * repeats)), tempo_bpm, title or f"{name}: chain")


def in_a_phrase(
    kind: Kind,
    on: Note,
    approaches: Sequence[Note],
    *,
    form: Form | None = None,
    finger: Note | None = None,
    grip_from_d: Note = Note.B,
    tempo_bpm: float,
    repeats: int = 1,
    title: str = "",
) -> Score:
    """Two to four bars to begin a phrase of one's own with: a bar for each of `approaches`, which come by a step, and
    the movement held for half a bar. Raises ValueError for more approaches than bars, else as
    :func:`single_then_full`."""
    asked = _Asked(kind, on, form, finger, grip_from_d)
    if len(approaches) > MAX_PHRASE_BARS:
        raise ValueError(f"a phrase has room for {MAX_PHRASE_BARS} approach notes; {len(approaches)} are chosen")

    def bar(approach: Note, full: Spelling) -> tuple[_Step, ...]:
        below, above = approach - 1, approach + 1
        lead = Note(above if below < Note.LOW_G or (below == on and above <= Note.HIGH_A) else below)
        single = _Asked("gracenote", lead).single(on)
        return _Step(lead, Fraction(1), single), _Step(approach, Fraction(1)), *_played(full, Fraction(2))

    bars = list(approaches) * (2 if len(approaches) == 1 else 1)
    steps = _articulated(_written(asked, bars, repeats, bar))
    return _score(steps, tempo_bpm, title or f"{asked.name}: in a phrase")


@dataclass(frozen=True)
class _Asked:
    """A movement as it was asked for, in one's own way where teachers differ."""

    kind: Kind
    on: Note
    form: Form | None = None
    finger: Note | None = None
    grip_from_d: Note = Note.B

    def find(self, approach: Note) -> Spelling | None:
        """How it is written after `approach`: in the form asked for where that can be played from there."""
        fitting = [
            entry
            for entry in SPELLINGS
            if entry.kind == self.kind
            and entry.on == self.on
            and _playable(entry, approach)
            and self.finger in (None, entry.gracenotes[0])
        ]
        if not fitting:
            return None
        found = next((entry for entry in fitting if entry.form == self.form), fitting[0])
        if approach == Note.D and found.gracenotes[:3] == (Note.LOW_G, Note.B, Note.LOW_G):
            return replace(found, gracenotes=(Note.LOW_G, self.grip_from_d, *found.gracenotes[2:]))
        return found

    def single(self, approach: Note) -> tuple[Note, ...]:
        """The one gracenote on `on` that goes before the full movement."""
        found = _Asked("gracenote", self.on, finger=self.finger).find(approach)
        return found.gracenotes if found else ()

    def alone(self, approach: Note, full: Spelling) -> Spelling:
        """The finger of the movement that is practised by itself; the whole of it where there is none from there."""
        if len(full.gracenotes) == 1:
            return full
        singles = [entry for entry in _singles(self.on) if _playable(entry, approach)]
        wanted = (entry for note in reversed(full.gracenotes) for entry in singles if entry.gracenotes == (note,))
        return next(wanted, None) or next(iter(singles), full)

    @property
    def spoken(self) -> str:
        """What it is called, without its note, as a sentence begins."""
        words: str = self.kind
        if self.finger is not None:
            words = f"{self.finger.label} {self.kind}"
        elif self.form in ("light", "heavy"):
            words = f"{self.form} {self.kind}"
        elif self.form == "with-gracenote":
            words = f"{self.kind} with a gracenote"
        return words[0].upper() + words[1:]

    @property
    def name(self) -> str:
        """The same with its note."""
        return self.spoken if self.kind == "throw on D" else f"{self.spoken} on {self.on.label}"


def _playable(entry: Spelling, approach: Note) -> bool:
    return entry.fits(approach) and (len(entry.gracenotes) > 1 or entry.gracenotes[0] != approach)


def _singles(on: Note) -> list[Spelling]:
    return [entry for entry in SPELLINGS if entry.kind in ("gracenote", "strike") and entry.on == on]


def _articulated(steps: Sequence[_Step]) -> list[_Step]:
    """`steps` with a gracenote wherever a note comes again, since the chanter cannot begin it anew without one: the
    usual one, on low G a D, since a high G sounds an octave over it and so is hardly heard there."""
    result = list(steps[:1])
    for before, step in pairwise(steps):
        if step.note == before.note and not step.gracenotes:
            fitting = [entry.gracenotes for entry in _singles(step.note) if _playable(entry, step.note)]
            wanted = (Note.D,) if step.note == Note.LOW_G else fitting[0]
            step = replace(step, gracenotes=wanted)
        result.append(step)
    return result


def _held(steps: list[_Step]) -> list[_Step]:
    """`steps` with the last one held to the end of its bar."""
    missing = -sum(step.beats for step in steps) % _BEATS_A_BAR
    return [*steps[:-1], replace(steps[-1], beats=steps[-1].beats + missing)]


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


def _cut(share: float | Fraction) -> Fraction:
    for cut in CUT_SHARES:
        if abs(float(share) - float(cut)) < 0.005:
            return cut
    accepted = ", ".join(str(cut) for cut in CUT_SHARES)
    raise ValueError(f"a short note of {float(share):g} of the beat cannot be written; one of {accepted} can")


def _check_repeats(repeats: int) -> None:
    if not 1 <= repeats <= MAX_REPEATS:
        raise ValueError(f"{repeats} repeats are not possible; 1 to {MAX_REPEATS} are")


def _written(
    asked: _Asked,
    approaches: Sequence[Note],
    repeats: int,
    figure: Callable[[Note, Spelling], tuple[_Step, ...]],
) -> list[_Step]:
    if not approaches:
        raise ValueError("the exercise needs at least one note to approach from")
    _check_repeats(repeats)
    spelt = [_spelling(asked, approach) for approach in approaches]
    if asked.form is not None and all(found.form != asked.form for found in spelt):
        named = f"the {asked.form} form of the {asked.kind} on {asked.on.label}"
        raise ValueError(f"{named} cannot be played from any of the chosen notes")
    once = [step for approach, found in zip(approaches, spelt, strict=True) for step in figure(approach, found)]
    return once * repeats


def _spelling(asked: _Asked, approach: Note) -> Spelling:
    found = asked.find(approach)
    if not found:
        name = f"{asked.finger.label} {asked.kind}" if asked.finger is not None else asked.kind
        possible = ", ".join(note.label for note in Note if asked.find(note))
        others = f"; it can from {possible}" if possible else ""
        raise ValueError(f"{_a(name)} on {asked.on.label} cannot be played from {approach.label}{others}")
    return found


def _a(name: str) -> str:
    return f"an {name}" if name[0] in "EF" else f"a {name}"


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
