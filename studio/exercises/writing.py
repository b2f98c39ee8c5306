"""From what a tutor asks for to written music: the families with their parameters, and phrases typed as ABC."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final, cast

from analysis.chanter import LABELS, Note
from analysis.families import from_short_notes, single_then_full
from analysis.movements import Form, Kind, spelling
from analysis.score import Score, ScoreError, parse_abc
from studio.exercises.models import Exercise

_OFFERED: Final[tuple[tuple[Kind, str], ...]] = (("doubling", "Doublings"), ("gracenote", "Single gracenotes"))
#: The movements that families are offered for, by the name they have in a form: doublings and single gracenotes on
#: every note on which they can be played from anywhere.
MOVEMENTS: Final[dict[str, tuple[Kind, Note]]] = {
    f"{kind}/{on.label}": (kind, on)
    for kind, _ in _OFFERED
    for on in Note
    if any(spelling(kind, on, approach) for approach in Note)
}

NO_MOVEMENT: Final = (
    "there is no gracenote in this music, so there is nothing to measure; write gracenotes in braces before their "
    "note, for example {g}e"
)


@dataclass(frozen=True)
class Family:
    """What one of the families is asked for.

    `cut_share` counts for short notes only; `form` is what is played where the approach allows a choice.
    """

    family: str
    kind: Kind
    on: Note
    approaches: tuple[Note, ...]
    repeats: int = 1
    cut_share: float | None = None
    form: Form | None = None

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
        return kept

    def score(self, *, tempo_bpm: int, title: str = "", instruction: str = "") -> Score:
        """The written music. Raises ValueError, in one plain sentence, for what cannot be played."""
        shared: dict[str, Any] = {"form": self.form, "tempo_bpm": tempo_bpm, "repeats": self.repeats, "title": title}
        if self.family == Exercise.Family.FROM_SHORT_NOTES:
            score = from_short_notes(self.kind, self.on, self.approaches, cut_share=self.cut_share or 0.25, **shared)
        else:
            score = single_then_full(self.kind, self.on, self.approaches, **shared)
        return replace(score, instruction=instruction)


def family_of(exercise: Exercise) -> Family:
    """What a stored exercise of a family was asked for."""
    kept = exercise.parameters
    return Family(
        family=exercise.family,
        kind=cast(Kind, kept["kind"]),
        on=Note.from_label(kept["on"]),
        approaches=tuple(Note.from_label(label) for label in kept["approaches"]),
        repeats=kept.get("repeats", 1),
        cut_share=kept.get("cut_share"),
        form=kept.get("form"),
    )


def choice_of_form(kind: Kind, on: Note, approaches: tuple[Note, ...], *, half: bool) -> Form | None:
    """ "half" when it is wanted and there is a note among `approaches` from which the tutor has that choice."""
    possible = half and any(spelling(kind, on, note, form="half") for note in approaches)
    return "half" if possible else None


def read_phrase(abc: str) -> Score:
    """The music of a phrase. Raises ScoreError, naming line and column where there is one."""
    score = parse_abc(abc)
    if not score.movements:
        raise ScoreError(NO_MOVEMENT)
    return score


def movement_choices() -> list[tuple[str, list[tuple[str, str]]]]:
    """The movements for a form, in groups."""
    return [
        (heading, [(name, f"{kind} on {on.label}") for name, (kind, on) in MOVEMENTS.items() if kind == offered])
        for offered, heading in _OFFERED
    ]


def note_choices() -> list[tuple[str, str]]:
    """The nine notes, low to high, for a form."""
    return [(label, label) for label in LABELS]
