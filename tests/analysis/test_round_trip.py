"""What the model player plays is heard as what it is. A sample: tests.benchmarks.round_trip runs everything.

For every movement and form one clean take, for every fault one take with it in every other movement; tempos, families
and notes take turns.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from analysis.movements import SPELLINGS
from analysis.report import FLAGS
from tests.benchmarks.drills import CLEAN, FAMILIES, TEMPOS, Drill, drills, part
from tests.benchmarks.round_trip import tried


def sample() -> Iterator[Drill]:
    everything = [drill for drill in drills() if drill.practised.finger is None]
    for number, name in enumerate(dict.fromkeys((drill.kind, drill.form) for drill in everything)):
        yield _one(everything, number, *name, CLEAN)
    bearers = {"uneven": ("birl", ""), "late": ("crunluath", ""), "missed": ("tachum", ""), "early": ("strike", "")}
    for number, code in enumerate(FLAGS, start=2):
        yield _one(everything, number, *bearers.get(code, ("doubling", "full")), code)


def _one(everything: list[Drill], number: int, kind: str, form: str, fault: str) -> Drill:
    tempo, family = TEMPOS[number % 4], FAMILIES[number // 4 % len(FAMILIES)]
    found = [drill for drill in everything if (drill.kind, drill.form, drill.fault) == (kind, form, fault)]
    found = [drill for drill in found if drill.family == family] or found
    found = [drill for drill in found if drill.tempo_bpm == tempo] or found
    return found[7 * number % len(found)]


#: What was once heard wrong: a note never held in the take, clicks on notes held low, a movement left out among its
#: own notes, a theme note that runs into the movement's last sound.
LEARNED = (
    "grip//E from-short-notes 120 clean",
    "grip//D from-short-notes 60 uneven~",
    "doubling/full/low G from-short-notes 120 missed",
    "birl//low A from-short-notes 120 missed~",
    "taorluath//low G from-short-notes 120 missing-gracenote",
    "tachum//low G chain 90 missed",
)


@pytest.mark.parametrize("drill", [*sample(), *(drill for drill in drills() if str(drill) in LEARNED)], ids=str)
def test_it_is_heard_as_it_was_played(drill: Drill) -> None:
    outcome = tried(drill)
    assert outcome.wrong == []
    assert outcome.right > outcome.left_out


def test_every_part_is_a_fair_mixture() -> None:
    everything = list(drills())
    parts = [part(everything, number, 60) for number in (1, 2, 60)]
    for some in parts:
        assert {drill.family for drill in some} == set(FAMILIES)
        assert {drill.tempo_bpm for drill in some} == set(TEMPOS)
        assert {drill.fault for drill in some} == {CLEAN, *FLAGS}
        assert {drill.kind for drill in some} == {drill.kind for drill in everything}
    assert not set(map(str, parts[0])) & set(map(str, parts[1]))


def test_every_movement_of_the_vocabulary_is_drilled_in_every_family() -> None:
    clean = [drill for drill in drills() if drill.fault == CLEAN]
    named = {(entry.kind, entry.form) for entry in SPELLINGS}
    for family in FAMILIES[:-1]:  # only a movement with more than four approach notes needs a second phrase
        assert {(drill.kind, drill.form) for drill in clean if drill.family == family} == named
