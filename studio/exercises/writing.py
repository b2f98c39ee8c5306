"""From what a tutor asks for to written music: the families with their parameters, and phrases typed as ABC."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any, Final, NamedTuple, cast

from analysis.chanter import LABELS, Note
from analysis.families import chain, from_short_notes, in_a_phrase, one_finger, single_then_full
from analysis.movements import SPELLINGS, Form, Kind, spelling
from analysis.score import Score, ScoreError, parse_abc
from studio.exercises.models import Exercise


class Chosen(NamedTuple):
    """A movement as it is chosen: `form` and `finger` only where there are several to choose from."""

    kind: Kind
    on: Note
    form: Form | None = None
    finger: Note | None = None

    @property
    def label(self) -> str:
        """What it is called in a list."""
        words = f"{self.finger.label} {self.kind}" if self.finger is not None else str(self.kind)
        if self.kind == "throw on D":
            return f"{self.form} throw on D"
        return f"{words} on {self.on.label}" + (", with a gracenote" if self.form == "with-gracenote" else "")


_OFFERED: Final[tuple[tuple[Kind, str], ...]] = (
    ("doubling", "Doublings"),
    ("gracenote", "Single gracenotes"),
    ("strike", "Strikes"),
    ("throw on D", "Throws on D"),
    ("grip", "Grips"),
    ("taorluath", "Taorluaths"),
    ("birl", "Birls"),
    ("tachum", "Tachums"),
    ("crunluath", "Crunluaths"),
)
#: Forms that are chosen; all others follow from the note approached from.
_CHOSEN_FORMS: Final[frozenset[Form]] = frozenset({"heavy", "with-gracenote"})
#: What is meant by a movement of which a form is named always, where none of these is chosen.
_USUAL_FORM: Final[dict[Kind, Form]] = {"throw on D": "light"}
#: Movements with a grip in them, which teachers write differently from D.
WITH_GRIP: Final = frozenset({"grip", "taorluath", "crunluath"})


def _offered() -> dict[str, Chosen]:
    found: dict[str, Chosen] = {}
    for kind, _ in _OFFERED:
        for on in Note:
            spelt = [entry for entry in SPELLINGS if entry.kind == kind and entry.on == on]
            if spelt:
                found[f"{kind}/{on.label}"] = Chosen(kind, on, form=_USUAL_FORM.get(kind))
            for form in dict.fromkeys(entry.form for entry in spelt if entry.form in _CHOSEN_FORMS):
                found[f"{kind}/{on.label}/{form}"] = Chosen(kind, on, form=form)
            if kind in ("gracenote", "strike"):
                for finger in [entry.gracenotes[0] for entry in spelt][1:]:
                    found[f"{kind}/{on.label}/{finger.label}"] = Chosen(kind, on, finger=finger)
    return found


#: The movements that families are offered for, by the name they have in a form: all there are, on every note on which
#: they can be played.
MOVEMENTS: Final[dict[str, Chosen]] = _offered()

NO_MOVEMENT: Final = (
    "there is no gracenote in this music, so there is nothing to measure; write gracenotes in braces before their "
    "note, for example {g}e"
)


@dataclass(frozen=True)
class Family:
    """What one of the families is asked for.

    `cut_share` counts for short notes only; `form` is what is played where the approach allows a choice; `finger` is
    the one gracenote of single gracenotes and strikes, None for the usual one; `grip_from_d` is what a grip from D has
    inside.
    """

    family: str
    kind: Kind
    on: Note
    approaches: tuple[Note, ...]
    repeats: int = 1
    cut_share: float | None = None
    form: Form | None = None
    finger: Note | None = None
    grip_from_d: Note = Note.B

    @property
    def movement(self) -> str:
        """Its name among MOVEMENTS."""
        name = f"{self.kind}/{self.on.label}"
        if self.finger is not None:
            return f"{name}/{self.finger.label}"
        return f"{name}/{self.form}" if self.form in _CHOSEN_FORMS else name

    def parameters(self) -> dict[str, Any]:
        """As it is kept in the database."""
        kept: dict[str, Any] = {
            "kind": self.kind,
            "on": self.on.label,
            "approaches": [note.label for note in self.approaches],
            "repeats": self.repeats,
        }
        if self.cut_share is not None:
            kept["cut_share"] = self.cut_share
        if self.form is not None:
            kept["form"] = self.form
        if self.finger is not None:
            kept["finger"] = self.finger.label
        if self.grip_from_d != Note.B:
            kept["grip_from_d"] = self.grip_from_d.label
        return kept

    def score(self, *, tempo_bpm: int, title: str = "", instruction: str = "") -> Score:
        """The written music. Raises ValueError, in one plain sentence, for what cannot be played."""
        shared: dict[str, Any] = {
            "form": self.form,
            "finger": self.finger,
            "grip_from_d": self.grip_from_d,
            "tempo_bpm": tempo_bpm,
            "repeats": self.repeats,
            "title": title,
        }
        if self.family == Exercise.Family.FROM_SHORT_NOTES:
            score = from_short_notes(self.kind, self.on, self.approaches, cut_share=self.cut_share or 0.25, **shared)
        elif self.family == Exercise.Family.CHAIN:
            score = chain(self.kind, self.approaches, **shared)
        elif self.family == Exercise.Family.ONE_FINGER:
            score = one_finger(self.kind, self.on, self.approaches, **shared)
        elif self.family == Exercise.Family.PHRASE:
            score = in_a_phrase(self.kind, self.on, self.approaches, **shared)
        else:
            score = single_then_full(self.kind, self.on, self.approaches, **shared)
        return replace(score, instruction=instruction, title=title or self._named(score.title))

    def _named(self, made: str) -> str:
        """The title that the family made, with what was chosen where teachers differ, as far as it is to be heard."""
        name, colon, family = made.partition(": ")
        forms = self._doubling_forms()
        if forms in ({"half"}, {"thumb"}):
            name = f"{forms.pop().capitalize()} {name[0].lower()}{name[1:]}"
        elif self.form == "half" and self._comes_from(Note.HIGH_G):
            name += ", half from high G"
        if self.grip_from_d != Note.B and self.kind in WITH_GRIP and self._comes_from(Note.D):
            name += ", with its D from D too"
        return name + colon + family

    def _doubling_forms(self) -> set[Form]:
        """The forms of its doublings; none of a chain's, which are of many notes, nor of other movements."""
        if self.kind != "doubling" or self.family == Exercise.Family.CHAIN:
            return set()
        written = (
            (self.form and spelling(self.kind, self.on, note, form=self.form)) or spelling(self.kind, self.on, note)
            for note in self.approaches
        )
        return {found.form for found in written if found}

    def _comes_from(self, note: Note) -> bool:
        """Whether `note` is approached from, be it only as the neighbour of the next in a chain."""
        return note in self.approaches or (self.family == Exercise.Family.CHAIN and not self.approaches)


def family_of(exercise: Exercise) -> Family | None:
    """What a stored exercise of a family was asked for; None where that was not kept, and only its ABC tells."""
    kept = exercise.parameters
    try:
        return Family(
            family=exercise.family,
            kind=cast(Kind, kept["kind"]),
            on=Note.from_label(kept["on"]),
            approaches=tuple(Note.from_label(label) for label in kept["approaches"]),
            repeats=kept.get("repeats", 1),
            cut_share=kept.get("cut_share"),
            form=kept.get("form"),
            finger=Note.from_label(kept["finger"]) if "finger" in kept else None,
            grip_from_d=Note.from_label(kept.get("grip_from_d", Note.B.label)),
        )
    except (KeyError, ValueError):
        return None


def family_for(
    family: str,
    movement: str,
    approaches: Sequence[Note],
    *,
    repeats: int,
    cut_share: float,
    half_from_high_g: bool,
    grip_from_d: Note,
) -> Family:
    """The family for what somebody chose: `movement` is one of MOVEMENTS, and of the rest only what counts is kept."""
    chosen = MOVEMENTS[movement]
    return Family(
        family=family,
        kind=chosen.kind,
        on=chosen.on,
        approaches=tuple(approaches),
        repeats=repeats,
        cut_share=cut_share if family == Exercise.Family.FROM_SHORT_NOTES else None,
        form=chosen.form or ("half" if half_from_high_g and _has_half(family, chosen, approaches) else None),
        finger=chosen.finger,
        grip_from_d=grip_from_d if chosen.kind in WITH_GRIP else Note.B,
    )


def _has_half(family: str, chosen: Chosen, approaches: Sequence[Note]) -> bool:
    """Whether there is a note to come from that leaves the choice of a half form."""
    if family == Exercise.Family.CHAIN:  # all notes come, and without approaches from their neighbours
        return chosen.kind == "doubling" and (not approaches or Note.HIGH_G in approaches or Note.HIGH_A in approaches)
    return any(spelling(chosen.kind, chosen.on, note, form="half") for note in approaches)


def comes_from(movement: str) -> list[Note]:
    """The notes that the movement, one of MOVEMENTS, can be played from, its own left out."""
    chosen = MOVEMENTS[movement]
    return [note for note in Note if note != chosen.on and spelling(chosen.kind, chosen.on, note, form=chosen.form)]


def read_phrase(abc: str) -> Score:
    """The music of a phrase. Raises ScoreError, naming line and column where there is one."""
    score = parse_abc(abc)
    if not score.movements:
        raise ScoreError(NO_MOVEMENT)
    return score


@dataclass(frozen=True)
class Length:
    """How long a piece of music is, for somebody who chooses."""

    bars: int
    beats: Fraction
    movements: int
    seconds: float | None

    def __str__(self) -> str:
        beats = "1 beat" if self.beats == 1 else f"{float(self.beats):g} beats"
        counted = f"{_count(self.bars, 'bar')}, {beats}, {_count(self.movements, 'movement')}"
        if self.seconds is None:
            return counted
        minutes, seconds = divmod(round(self.seconds), 60)
        return f"{counted}; {f'{minutes} min {seconds} s' if minutes else f'{seconds} s'} to play"


def length_of(score: Score, tempo_bpm: float | None) -> Length:
    """How long `score` is when it is played at `tempo_bpm`; without one, how long it is written."""
    bars = len({theme.bar for theme in score.themes})
    seconds = float(score.beats) * 60 / tempo_bpm if tempo_bpm else None
    return Length(bars, score.beats, len(score.movements), seconds)


def _count(number: int, word: str) -> str:
    return f"{number} {word}" + ("" if number == 1 else "s")


def movement_choices() -> list[tuple[str, list[tuple[str, str]]]]:
    """The movements for a form, in groups."""
    return [
        (heading, [(name, chosen.label) for name, chosen in MOVEMENTS.items() if chosen.kind == offered])
        for offered, heading in _OFFERED
    ]


def kind_choices() -> list[tuple[str, str]]:
    """The kinds of movement, for finding."""
    return [(kind, heading) for kind, heading in _OFFERED]


def note_choices() -> list[tuple[str, str]]:
    """The nine notes, low to high, for a form."""
    return [(label, label) for label in LABELS]
