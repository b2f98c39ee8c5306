"""The tutor overrules the analysis: flags, names and beats of single movements. What is counted follows at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, get_args

from django.db import transaction

from analysis.chanter import LABELS
from analysis.movements import KINDS, SPELLINGS, Form
from analysis.report import FLAGS, Flag, MovementReport, Overruled, Report
from studio.people.models import User
from studio.review.wording import FLAG_WORDS, movement_name
from studio.takes.models import Movement, Ruling, Take
from studio.takes.reports import rejudge_take

FORMS: Final[tuple[Form, ...]] = get_args(Form)
FORM_WORDS: Final[Mapping[str, str]] = {"": "no form", "with-gracenote": "with gracenote"}
#: Further from the analysis's own beat than this it would be another movement's.
_FURTHEST_BEAT_S: Final = 2.0


class RulingError(ValueError):
    """A word that cannot stand. The message is one plain sentence for the tutor."""


@dataclass(frozen=True)
class Ruled:
    """What a tutor said just now of one movement; None leaves a thing as it was said before."""

    flags: Mapping[str, bool | None] = field(default_factory=dict)
    name: tuple[str, str, str] | None = None
    beat_s: float | None = None
    heard: bool = False


def overrule(take: Take, index: int, said: Ruled, by: User) -> Report:
    """Store the tutor's word on movement `index` and count by it; the report as it stands now. Raises RulingError.

    A flag's None takes the word on it back. What says no more than the analysis itself is kept as agreement.
    """
    movement = movement_of(take, index)
    _check(movement, said)
    with transaction.atomic():
        for flag, holds in said.flags.items():
            _put(take, index, by, Ruling.About.FLAG, None if holds is None else {"holds": holds}, flag=flag)
        if said.name is not None:
            kind, form, on = said.name
            own = _own(movement)
            same = (kind, form, on) == (own["kind"], own["form"], own["on"])
            _put(take, index, by, Ruling.About.NAME, None if same else {"kind": kind, "form": form, "on": on})
        if said.beat_s is not None:
            _put(take, index, by, Ruling.About.BEAT, {"beat_s": round(said.beat_s, 4)})
        if said.heard:
            _put(take, index, by, Ruling.About.HEARD, {})
        return rejudge_take(take)


def take_back(take: Take, index: int) -> Report:
    """Go back to what the analysis itself says of movement `index`; the report as it stands now."""
    movement_of(take, index)
    with transaction.atomic():
        Ruling.objects.filter(take=take, index=index).delete()
        return rejudge_take(take)


def _put(
    take: Take, index: int, by: User, about: Ruling.About, values: Mapping[str, Any] | None, *, flag: str = ""
) -> None:
    thing: dict[str, Any] = {"take": take, "index": index, "about": about, "flag": flag}
    if values is None:
        Ruling.objects.filter(**thing).delete()
    else:
        Ruling.objects.update_or_create(defaults={**values, "by": by}, **thing)


def movement_of(take: Take, index: int) -> MovementReport:
    """The movement as the report has it. Raises RulingError."""
    movements: list[MovementReport] = (take.report or {}).get("movements", [])
    for movement in movements:
        if movement["index"] == index:
            return movement
    raise RulingError("This take has no such movement; load the page again.")


def _check(movement: MovementReport, said: Ruled) -> None:
    if not (said.flags or said.name or said.beat_s is not None or said.heard):
        raise RulingError("Nothing was said; choose what is otherwise than shown.")
    if any(flag not in FLAGS for flag in said.flags):
        raise RulingError("There is no such fault; choose one from the list.")
    if said.name is not None:
        kind, form, on = said.name
        if kind not in KINDS or form not in FORMS or on not in LABELS:
            raise RulingError("There is no such movement; choose kind, form and note from the lists.")
        own_name = _own(movement)
        if said.name != (own_name["kind"], own_name["form"], own_name["on"]):
            _check_name(kind, form, on)
    if said.beat_s is not None:
        own = _own(movement)["beat_s"]
        if own is None or movement["beat_offset_ms"] is None:
            raise RulingError("No beat is known at this movement, so there is none to correct.")
        if abs(said.beat_s - own) > _FURTHEST_BEAT_S:
            raise RulingError(
                f"That is more than {_FURTHEST_BEAT_S:g} s from where the beat was heard; put the playhead nearer."
            )


def _check_name(kind: str, form: str, on: str) -> None:
    """Nobody plays a birl on E: such a name was a slip of the hand. What is in no list has no form."""
    if kind == "unknown" and not form:
        return
    spelt = [entry for entry in SPELLINGS if entry.kind == kind]
    notes = [note for note in LABELS if any(entry.on.label == note for entry in spelt)]
    if spelt and on not in notes:
        raise RulingError(f"There is no {kind} on {on}, only on {_either(notes)}; choose another note or kind.")
    forms = dict.fromkeys(entry.form for entry in spelt if entry.on.label == on) or {"": None}
    if form not in forms:
        named = "movement that is not in the list" if kind == "unknown" else kind
        words = _either([f"“{FORM_WORDS.get(entry, entry)}”" for entry in forms])
        raise RulingError(f"The form of a {named} on {on} is {words}; choose that beside the kind.")


def _either(words: Sequence[str]) -> str:
    return " or ".join(filter(None, [", ".join(words[:-1]), words[-1]]))


def _own(movement: MovementReport) -> Overruled | MovementReport:
    return movement.get("overruled") or movement


@dataclass(frozen=True)
class Words:
    """What became of a movement by the tutor's word: flags struck and added, and all of it in sentences."""

    struck: list[Flag]
    added: list[Flag]
    sentences: list[str]


def words_on(movement: MovementReport) -> Words:
    """The tutor's word on `movement` beside the analysis's own view."""
    own = movement.get("overruled")
    if own is None:
        return Words([], [], [])
    struck = [flag for flag in own["flags"] if flag not in movement["flags"]]
    added = [flag for flag in movement["flags"] if flag not in own["flags"]]
    said: list[str] = []
    if (own["kind"], own["form"], own["on"]) != (movement["kind"], movement["form"], movement["on"]):
        said.append(f"Heard by the analysis as {movement_name({**movement, **_named(own)})}; the tutor corrected it.")
    if own["beat_s"] != movement["beat_s"] and own["beat_s"] is not None and movement["beat_s"] is not None:
        moved = 1000.0 * (movement["beat_s"] - own["beat_s"])
        said.append(f"By the tutor’s word its beat is {abs(moved):.0f} ms {'later' if moved > 0 else 'earlier'}.")
    said += [f"The analysis said “{FLAG_WORDS[flag]}”; by the tutor’s word it is not." for flag in struck]
    said += [f"The analysis did not say “{FLAG_WORDS[flag]}”; the tutor did." for flag in added]
    if own["confidence"] != movement["confidence"]:
        said.append("The analysis was not sure; the tutor heard it.")
    if not said:
        said.append("The tutor agrees with the analysis here.")
    return Words(struck, added, said)


def _named(own: Overruled) -> MovementReport:
    return {"kind": own["kind"], "form": own["form"], "on": own["on"]}  # type: ignore[typeddict-item]


@dataclass
class Agreement:
    """How the analysis and the tutors stand to each other on one flag, over takes that a tutor has heard."""

    flag: Flag
    said: int = 0
    struck: int = 0
    added: int = 0

    @property
    def word(self) -> str:
        return FLAG_WORDS[self.flag]

    @property
    def agreed(self) -> int:
        """Flags that the analysis gave and the tutor let stand."""
        return self.said - self.struck

    @property
    def of(self) -> int:
        """All flags that either of them gave."""
        return self.said + self.added


def agreement(tutor: User) -> list[Agreement]:
    """Agreement on each flag in the studio of `tutor`, in one query."""
    found = {flag: Agreement(flag) for flag in FLAGS}
    heard = Movement.objects.filter(
        take__learner__studio=tutor.studio_id, take__learner__role=User.Role.LEARNER, take__heard_at__isnull=False
    )
    for flags, own_flags in heard.values_list("flags", "own_flags").iterator():
        own = flags if own_flags is None else own_flags
        for flag in own:
            found[flag].said += 1
            found[flag].struck += flag not in flags
        for flag in flags:
            found[flag].added += flag not in own
    return list(found.values())
