"""Every movement of the vocabulary in every family: what the tests of what goes out and comes in go through."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import cache
from typing import Any

from analysis.chanter import Note
from analysis.families import CUT_SHARES, chain, from_short_notes, in_a_phrase, one_finger, single_then_full
from analysis.movements import SPELLINGS, Form, Kind
from analysis.score import Score

_BY_NOTE: dict[str, Callable[..., Score]] = {
    "single then full": single_then_full,
    "from short notes": from_short_notes,
    "one finger": one_finger,
    "in a phrase": in_a_phrase,
}
_CHOSEN_FORMS = ("light", "heavy", "with-gracenote")


def movements() -> list[tuple[Kind, Form | None, Note]]:
    """Every kind on every note, in each form that is chosen and does not come from the approach by itself."""
    found = {(entry.kind, entry.form if entry.form in _CHOSEN_FORMS else None, entry.on) for entry in SPELLINGS}
    return sorted(found, key=str)


def approaches(kind: Kind, form: Form | None, on: Note) -> list[Note]:
    """Every note that the movement can be approached from."""
    found = []
    for note in Note:
        try:
            single_then_full(kind, on, [note], form=form, tempo_bpm=60)
        except ValueError:
            continue
        found.append(note)
    return found


def _drills() -> Iterator[tuple[str, Score]]:
    for kind, form, on in movements():
        wherefrom = approaches(kind, form, on)
        for family, make in _BY_NOTE.items():
            notes = wherefrom[:4] if family == "in a phrase" else wherefrom
            for cut in CUT_SHARES if family == "from short notes" else (None,):
                options: dict[str, Any] = {"cut_share": cut} if cut else {}
                score = make(kind, on, notes, form=form, tempo_bpm=60, **options)
                yield f"{form or ''} {kind} on {on.label}, {family} {cut or ''}".strip(), score
    for kind, form in sorted({(kind, form) for kind, form, _ in movements()}, key=str):
        with suppress(ValueError):  # some cannot be played from any note's neighbour in the scale
            yield f"{form or ''} {kind}, chain".strip(), chain(kind, form=form, tempo_bpm=60)
        yield f"{form or ''} {kind}, chain from E".strip(), chain(kind, [Note.E], form=form, tempo_bpm=60)


@cache
def every_drill() -> dict[str, Score]:
    """Name and music of each."""
    return dict(_drills())
