"""What could be set next: the exercises of the week before carried over, and what a take asks for.

Common practice in the trade, with no published source: up by a small step when an exercise has been clean on the wanted
days, down by one when it falls apart, else the same again.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import urlencode

from django.urls import reverse

from studio.exercises.forms import TEMPO
from studio.exercises.models import Exercise
from studio.exercises.writing import MOVEMENTS, family_of
from studio.review.wording import FLAG_WORDS
from studio.takes.models import Take
from studio.week.progress import ExerciseProgress, WeekProgress

TEMPO_STEP: Final = 4
SLOWEST, FASTEST = TEMPO
#: Below this share of clean movements an exercise has fallen apart.
APART: Final = 0.5


@dataclass(frozen=True)
class Suggestion:
    """An exercise that could be set, and why."""

    exercise: Exercise
    tempo_bpm: int
    clean_days: int
    why: str


@dataclass(frozen=True)
class Approach:
    """How the movements approached from one note went."""

    name: str
    movements: int
    clean: int
    faults: list[tuple[str, int]]


def carried_over(week: WeekProgress) -> list[Suggestion]:
    """The exercises of a week's plan, each at the tempo that its takes speak for."""
    return [_again(progress) for progress in week.exercises if progress.set_exercise.exercise.put_away_at is None]


def _again(progress: ExerciseProgress) -> Suggestion:
    row, best = progress.set_exercise, progress.best
    days = f"clean on {progress.clean_days} of {row.clean_days} days"
    if progress.reached:
        step, why = TEMPO_STEP, f"{days}: a step up"
    elif best is None:
        step, why = 0, "not played at this tempo yet: the same again"
    elif best.clean < APART * best.movements:
        step, why = -TEMPO_STEP, f"at best {best.clean} of {best.movements} clean: a step down"
    else:
        step, why = 0, f"{days}: the same again"
    return Suggestion(row.exercise, stepped(row.tempo_bpm, step), row.clean_days, why)


def stepped(tempo_bpm: int, step: int) -> int:
    """The tempo a step on, within what can be set."""
    return min(max(tempo_bpm + step, SLOWEST), FASTEST)


def approaches_of(take: Take) -> list[Approach]:
    """How a ready take went by the note approached from: the faultiest first."""
    by_approach: Mapping[str, Any] = (take.report or {}).get("summary", {}).get("by_approach", {})
    words: dict[str, str] = {str(flag): word for flag, word in FLAG_WORDS.items()}
    found = [
        Approach(
            name="the start" if name == "start" else name,
            movements=entry["movements"],
            clean=entry["clean"],
            faults=[(words.get(str(flag), str(flag)), count) for flag, count in Counter(entry["flags"]).most_common()],
        )
        for name, entry in by_approach.items()
    ]
    return sorted(found, key=lambda approach: approach.clean - approach.movements)


def from_take(take: Take) -> Suggestion | None:
    """The take's own exercise again, faster, slower or the same, as the take speaks for."""
    exercise = take.exercise
    if exercise is None or exercise.put_away_at is not None or not take.movement_count:
        return None
    tempo = take.tempo_bpm or exercise.tempo_bpm
    counts = f"{take.clean_count} of {take.movement_count} clean"
    if take.clean_count == take.movement_count:
        return Suggestion(exercise, stepped(tempo, TEMPO_STEP), 3, f"{counts}: a step up")
    if take.clean_count < APART * take.movement_count:
        return Suggestion(exercise, stepped(tempo, -TEMPO_STEP), 3, f"{counts}: a step down")
    return Suggestion(exercise, tempo, 3, f"{counts}: the same again")


def address_of_narrower(take: Take, *, then: str) -> tuple[str, list[str]] | None:
    """Where an exercise like the take's can be written for only those notes that had faults, and these notes.

    None where that says nothing new: no notes failed, or all did, or only its ABC tells what the exercise is. `then` is
    the page that the new exercise is brought back to.
    """
    exercise = take.exercise
    if exercise is None or exercise.family == Exercise.Family.PHRASE:
        return None
    family = family_of(exercise)
    if family is None:
        return None
    movement, approaches = family.movement, [note.label for note in family.approaches]
    failed = {approach.name for approach in approaches_of(take) if approach.clean < approach.movements}
    narrower = [name for name in approaches if name in failed]
    if movement not in MOVEMENTS or not narrower or len(narrower) == len(approaches):
        return None
    chosen = {
        "family": exercise.family,
        "movement": movement,
        "approaches": narrower,
        "tempo_bpm": take.tempo_bpm or exercise.tempo_bpm,
        "then": then,
    }
    return f"{reverse('exercises:new')}?{urlencode(chosen, doseq=True)}", narrower
