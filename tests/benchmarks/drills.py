"""Every drill of the round trip: each movement in each family, from every note that it can be approached from.

A drill is one movement on one note in one form (single gracenotes: with one finger too), in one family, at one tempo,
with one fault (or clean). The fault is put into every other one of the movements practised, so that the clean ones
beside them must stay clean; `~` at the end of a drill's name is the same with the others. A chain goes over all notes:
there the note is the one that it comes from, "scale" where each comes from its neighbour. A phrase has room for
four approach notes, so there are two of them.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Final

from analysis.chanter import Note
from analysis.families import MAX_PHRASE_BARS, chain, from_short_notes, in_a_phrase, one_finger, single_then_full
from analysis.faults import possible
from analysis.model_player import Manner, Performance, perform
from analysis.movements import KINDS, SPELLINGS, Form, Kind, spelling
from analysis.report import FLAGS
from analysis.score import Score

TEMPOS: Final = (40, 60, 90, 120)
FAMILIES: Final = (
    "single-then-full",
    "from-short-notes",
    "one-finger",
    "chain",
    "in-a-phrase",
    "in-a-phrase-2",
)
CLEAN: Final = "clean"
SCALE: Final = "scale"
#: Short notes, the usual one first: a long movement before the beat needs a longer one.
CUTS: Final = (Fraction(1, 4), Fraction(1, 3), Fraction(1, 2))


@dataclass(frozen=True)
class Practised:
    """What is practised. `note`: the one it is on; in a chain the one it comes from, None for the neighbour."""

    kind: Kind
    form: Form
    note: Note | None
    family: str
    finger: Note | None = None

    def __str__(self) -> str:
        note = self.note.label if self.note is not None else SCALE
        finger = f" with {self.finger.label}" if self.finger is not None else ""
        return f"{self.kind}{finger}/{self.form}/{note} {self.family}"


@dataclass(frozen=True)
class Drill:
    """One take. `fault` is a flag code or CLEAN; `others`: the fault is in the other half of the movements."""

    practised: Practised
    tempo_bpm: int
    fault: str = CLEAN
    others: bool = False

    def __str__(self) -> str:
        return f"{self.practised} {self.tempo_bpm} {self.fault}{'~' if self.others else ''}"

    @property
    def kind(self) -> Kind:
        return self.practised.kind

    @property
    def form(self) -> Form:
        return self.practised.form

    @property
    def family(self) -> str:
        return self.practised.family

    @property
    def score(self) -> Score:
        return written(self.practised, self.tempo_bpm)

    def chosen(self) -> list[int]:
        """The movements that the fault is in."""
        half = practised_in(self.practised, self.score)[self.others :: 2]
        movements = self.score.movements
        return [index for index in half if self.fault in possible(movements[index])]

    def played(self) -> Performance:
        faults = {} if self.fault == CLEAN else dict.fromkeys(self.chosen(), self.fault)
        manner = Manner(count_in=4, clicks=True, seed=1)
        return perform(self.score, manner, faults=faults)


def practised_in(practised: Practised, score: Score) -> list[int]:
    """Those movements of `score` that are the one practised, by index."""
    named = [m for m in score.movements if (m.kind, m.form) == (practised.kind, practised.form)]
    if practised.family != "chain":
        named = [movement for movement in named if movement.on == practised.note]
    if practised.finger is not None:
        named = [movement for movement in named if movement.gracenotes == (practised.finger,)]
    return [movement.index for movement in named]


def approaches(practised: Practised) -> list[Note]:
    """The notes that it is approached from; of a phrase's those that it has room for."""
    on, finger = practised.note, practised.finger
    assert on is not None
    # Only where one note is played on and on can it be its own approach.
    notes = [note for note in Note if note != on or practised.family == "one-finger"]
    if finger is not None:
        found = [note for note in notes if _fingered(finger, on, note)]
    else:
        found = [note for note in notes if spelling(practised.kind, on, note, form=practised.form)]
    if practised.family == "in-a-phrase":
        return found[:MAX_PHRASE_BARS]
    return found[MAX_PHRASE_BARS:] if practised.family == "in-a-phrase-2" else found


def _fingered(finger: Note, on: Note, approach: Note) -> bool:
    fitting = (entry for entry in SPELLINGS if entry.kind == "gracenote" and entry.on == on and entry.fits(approach))
    return approach != finger and any(entry.gracenotes == (finger,) for entry in fitting)


@lru_cache(maxsize=64)
def written(practised: Practised, tempo_bpm: int) -> Score:
    """Its music. Raises ValueError for a chain that cannot be played."""
    kind, form, on, family, finger = (
        practised.kind,
        practised.form,
        practised.note,
        practised.family,
        practised.finger,
    )
    if family == "chain":
        return chain(kind, [on] if on is not None else (), form=form, finger=finger, tempo_bpm=tempo_bpm)
    assert on is not None
    wherefrom = approaches(practised)
    if family == "from-short-notes":
        scores = [
            from_short_notes(kind, on, wherefrom, cut_share=cut, form=form, finger=finger, tempo_bpm=tempo_bpm)
            for cut in CUTS
        ]
        return next((score for score in scores if not perform(score).crowded), scores[-1])
    makers = {"single-then-full": single_then_full, "one-finger": one_finger}
    make = makers.get(family, in_a_phrase)
    return make(kind, on, wherefrom, form=form, finger=finger, tempo_bpm=tempo_bpm)


def everything_practised() -> Iterator[Practised]:
    """Every movement in every family, kinds in the vocabulary's order."""
    named = {(entry.kind, entry.form, entry.on) for entry in SPELLINGS}
    fingers = {entry.gracenotes[0] for entry in SPELLINGS if entry.kind == "gracenote"}
    for kind, form, on in sorted(named, key=lambda name: (KINDS.index(name[0]), name[1], name[2])):
        for finger in (None, *sorted(fingers)) if kind == "gracenote" else (None,):
            yield from (Practised(kind, form, on, family, finger) for family in FAMILIES if family != "chain")
    for kind, form in sorted({name[:2] for name in named}, key=lambda name: (KINDS.index(name[0]), name[1])):
        for finger in (None, *sorted(fingers)) if kind == "gracenote" else (None,):
            yield from (Practised(kind, form, note, "chain", finger) for note in (None, *Note))


def drills() -> Iterator[Drill]:
    """All of them. Where two have the same music, such as a chain in two forms, both are there once for their own."""
    for practised in everything_practised():
        if practised.family != "chain" and not approaches(practised):
            continue
        for tempo in TEMPOS:
            with suppress(ValueError):  # no chain of it from there
                if practised_in(practised, written(practised, tempo)):
                    yield from _with_faults(practised, tempo)


def _with_faults(practised: Practised, tempo_bpm: int) -> Iterator[Drill]:
    yield Drill(practised, tempo_bpm)
    for fault in FLAGS:
        for others in (False, True):
            faulty = Drill(practised, tempo_bpm, fault, others)
            if faulty.chosen():
                yield faulty


def part(found: Sequence[Drill], number: int, of: int) -> list[Drill]:
    """One of `of` parts of `found`, each a fair mixture of all that there is."""
    mixed = list(found)
    random.Random(1).shuffle(mixed)
    return mixed[number - 1 :: of]
