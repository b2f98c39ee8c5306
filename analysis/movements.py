"""The vocabulary: what each movement sounds like on each note, and where its beat falls.

The vocabulary is data. A :class:`Spelling` gives the sounds written as gracenotes, in order, before the theme note. To
add a movement, add spellings; nothing else in the package names one. Spellings follow common practice in the trade;
tests/analysis/test_outside_published_spellings.py names published ones with their sources, and those that come from
memory are marked ``(mem)`` here. Where the beat falls differs between teachers, so it is a setting
(:data:`DEFAULT_BEAT_POINTS` and :data:`BEAT_POINT_CHOICES`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal

from analysis.chanter import ABC_LETTERS, Note

Kind = Literal[
    "gracenote", "strike", "doubling", "throw on D", "grip", "taorluath", "birl", "tachum", "crunluath", "unknown"
]
Form = Literal["full", "thumb", "half", "light", "heavy", "with-gracenote", ""]

#: Where a movement meets the beat. ``closes``/``opens``: the first gracenote's end/start; ``starts``: the movement's
#: first sound; ``theme``: the start of the theme note after it.
BeatPoint = Literal["closes", "opens", "starts", "d-gracenote", "theme"]

#: Movements whose parts should be even.
EVEN_KINDS: Final = frozenset({"birl", "grip", "taorluath"})
KINDS: Final[tuple[Kind, ...]] = (
    "gracenote", "strike", "doubling", "throw on D", "grip", "taorluath", "birl", "tachum", "crunluath", "unknown",
)  # fmt: skip


@dataclass(frozen=True)
class Spelling:
    """One way of writing a movement: `gracenotes` before the theme note `on`.

    `approach` holds the notes it can be approached from; empty means any. `themes`: places among `gracenotes` that are
    written as theme notes, shorter than `on`.
    """

    kind: Kind
    form: Form
    gracenotes: tuple[Note, ...]
    on: Note
    approach: frozenset[Note] = frozenset()
    themes: frozenset[int] = frozenset()

    def fits(self, approach: Note | None) -> bool:
        """Whether the movement is spelt this way after `approach`: a first sound that is sounding already is none."""
        if approach is None:
            return True
        return approach in self.approach if self.approach else approach != self.gracenotes[0]


@dataclass(frozen=True)
class Movement:
    """The name of a movement: what kind it is and in which form."""

    kind: Kind
    form: Form


UNKNOWN: Final = Movement("unknown", "")


def notes(letters: str) -> tuple[Note, ...]:
    """The notes of a run of ABC letters."""
    return tuple(Note.from_abc(letter) for letter in letters)


def _spell(kind: Kind, form: Form, spellings: str, *, approach: str = "", themes: Iterable[int] = ()) -> list[Spelling]:
    """Spellings from words such as ``gef>e``: gracenotes, then the theme note they stand before."""
    result: list[Spelling] = []
    for word in spellings.split():
        graces, _, on = word.partition(">")
        result.extend(
            Spelling(kind, form, notes(graces), Note.from_abc(letter), frozenset(notes(approach)), frozenset(themes))
            for letter in on
        )
    return result


def _vocabulary() -> Iterable[Spelling]:
    yield from _spell("gracenote", "", "g>GABcdef d>GABc e>GABcd", approach="GABcdef")
    yield from _spell("gracenote", "", "a>GABcdefg d>GABc e>GABcd f>GABcde", approach="GABcdefg")
    yield from _spell("strike", "", "G>ABcd c>d A>e e>f f>g g>a")
    yield from _spell("doubling", "full", "gGd>G gAd>A gBd>B gcd>c gde>d gef>e gfg>f", approach="GABcdef")
    yield from _spell("doubling", "full", "gf>g", approach="GABcdefga")
    yield from _spell("doubling", "full", "ag>a", approach="GABcdefg")
    yield from _spell("doubling", "thumb", "aGd>G aAd>A aBd>B acd>c ade>d aef>e afg>f", approach="g")
    yield from _spell("doubling", "half", "Gd>G Ad>A Bd>B cd>c de>d ef>e fg>f", approach="ga")
    yield from _spell("throw on D", "light", "Gdc>d", approach="ABcdefga")
    yield from _spell("throw on D", "light", "dc>d", approach="G")
    yield from _spell("throw on D", "heavy", "GdGc>d", approach="ABcdefga")
    yield from _spell("throw on D", "heavy", "dGc>d", approach="G")  # (mem)
    yield from _spell("grip", "", "GdG>ABcdefga", approach="ABcefga")
    yield from _spell("grip", "", "GBG>ABcdefga", approach="d")
    yield from _spell("grip", "", "dG>ABcdefga", approach="G")  # (mem)
    yield from _spell("taorluath", "", "GdGe>GABcd", approach="ABcefga")
    yield from _spell("taorluath", "", "GBGe>GABcd", approach="d")
    yield from _spell("taorluath", "", "dGe>GABcd", approach="G")
    yield from _spell("birl", "", "AGAG>A", approach="GBcdefga")
    yield from _spell("birl", "", "GAG>A", approach="A")
    yield from _spell("birl", "with-gracenote", "gAGAG>A", approach="GABcdef")
    yield from _spell("birl", "with-gracenote", "aAGAG>A", approach="g")
    yield from _spell("tachum", "", "gcd>A gBd>G", approach="GABcdef", themes=(1,))
    yield from _spell("tachum", "", "acd>A aBd>G", approach="g", themes=(1,))
    yield from _spell("crunluath", "", "GdGeAfA>e", approach="ABcefga")
    yield from _spell("crunluath", "", "GBGeAfA>e", approach="d")
    yield from _spell("crunluath", "", "dGeAfA>e", approach="G")  # (mem)


SPELLINGS: Final[tuple[Spelling, ...]] = tuple(_vocabulary())

DEFAULT_BEAT_POINTS: Final[Mapping[str, BeatPoint]] = {
    "gracenote": "closes",
    "strike": "closes",
    "doubling": "closes",
    "doubling/half": "starts",
    "throw on D": "starts",
    "grip": "starts",
    "taorluath": "theme",
    "birl": "starts",
    "tachum": "closes",
    "crunluath": "theme",
    "unknown": "closes",
}

#: What a studio may choose for each kind, the default first.
BEAT_POINT_CHOICES: Final[Mapping[str, tuple[BeatPoint, ...]]] = {
    "gracenote": ("closes", "opens"),
    "strike": ("closes", "opens"),
    "doubling": ("closes", "opens"),
    "throw on D": ("starts", "d-gracenote", "theme"),
    "grip": ("starts", "theme"),
    "taorluath": ("theme", "starts"),
    "birl": ("starts", "theme"),
    "tachum": ("closes", "opens"),
    "crunluath": ("theme", "starts"),
}


@lru_cache(maxsize=4096)
def _spelt(gracenotes: tuple[Note, ...], on: Note) -> tuple[Spelling, ...]:
    return tuple(s for s in SPELLINGS if s.gracenotes == gracenotes and s.on == on)


def classify(gracenotes: Sequence[Note], on: Note, approach: Note | None) -> Movement:
    """The movement that `gracenotes` before `on` make after `approach`; ``unknown`` when none is spelt so.

    A spelling that suits the approach wins; one written for other approaches still gets its name.
    """
    found = _spelt(tuple(gracenotes), on)
    for spelling in found:
        if spelling.fits(approach):
            return Movement(spelling.kind, spelling.form)
    return Movement(found[0].kind, found[0].form) if found else UNKNOWN


def fits(gracenotes: Sequence[Note], on: Note, approach: Note | None) -> bool:
    """Whether `gracenotes` before `on` are spelt so after `approach`."""
    return any(entry.fits(approach) for entry in _spelt(tuple(gracenotes), on))


def without_middle(gracenotes: Sequence[Note], on: Note, approach: Note | None) -> tuple[tuple[Note, ...], int] | None:
    """The doubling that two gracenotes make when the theme note between them does not sound: its whole spelling after
    `approach`, and the place of what is left out."""
    if len(gracenotes) != 2 or _spelt(tuple(gracenotes), on):
        return None
    whole = (gracenotes[0], on, gracenotes[1])
    return (whole, 1) if fits(whole, on, approach) else None


def spelling(kind: Kind, on: Note, approach: Note, *, form: Form | None = None) -> Spelling | None:
    """How `kind` on `on` is written after `approach` (in `form`, if given), or None where it cannot be played."""
    for candidate in SPELLINGS:
        named = candidate.kind == kind and candidate.on == on and form in (None, candidate.form)
        if named and candidate.fits(approach):
            return candidate
    return None


def gracenote_places(gracenotes: Sequence[Note], on: Note, kind: Kind) -> tuple[bool, ...]:
    """For each written sound of a movement, whether it is a gracenote (True) or a theme note between two (False).

    Doublings sound their theme note inside the movement; a tachum has a short one of its own.
    """
    inner = written_as_themes(gracenotes, on, kind)
    return tuple(
        place not in inner and not (kind == "doubling" and note == on) for place, note in enumerate(gracenotes)
    )


def written_as_themes(gracenotes: Sequence[Note], on: Note, kind: Kind) -> frozenset[int]:
    """The places of a movement's sounds before `on` that are written as theme notes of their own."""
    return next((entry.themes for entry in _spelt(tuple(gracenotes), on) if entry.kind == kind), frozenset())


def audible(gracenotes: Sequence[Note], on: Note, approach: Note | None) -> tuple[bool, ...]:
    """For each written sound before `on`, whether it can be told from its neighbours: one that is sounding already, or
    goes on as the theme note, cannot."""
    before = [approach, *gracenotes]
    last = len(gracenotes) - 1
    return tuple(note != before[place] and not (place == last and note == on) for place, note in enumerate(gracenotes))


def snaps(first: Sequence[Note], short: Note, second: Sequence[Note], on: Note) -> Movement | None:
    """The movement that a short theme note `short` after gracenotes `first` and `on` after `second` make together, such
    as a tachum; None where they are two of their own."""
    place = len(first)
    for found in _spelt((*first, short, *second), on):
        if place in found.themes:
            return Movement(found.kind, found.form)
    return None


def beat_point(movement: Movement, settings: Mapping[str, str] | None = None) -> BeatPoint:
    """Where `movement` meets the beat: the studio's setting for the kind (or ``kind/form``), else the default."""
    keys = (f"{movement.kind}/{movement.form}", movement.kind)
    for table in (settings or {}, DEFAULT_BEAT_POINTS):
        for key in keys:
            if key in table and not (key == "doubling" and movement.form == "half"):
                return table[key]  # type: ignore[return-value]
    return "closes"


assert len(ABC_LETTERS) == len(Note)
