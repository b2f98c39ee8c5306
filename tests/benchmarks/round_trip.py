"""The round trip: every movement played by the model player, clean and with each fault on purpose, heard and judged.

    python -m tests.benchmarks.round_trip                       everything: some hours
    python -m tests.benchmarks.round_trip --kinds grip birl --tempos 60 --faults clean uneven
    python -m tests.benchmarks.round_trip --part 3/40           every 40th drill, from the third on
    python -m tests.benchmarks.round_trip --drill "grip//C from-short-notes 90 uneven"

A drill is one movement on one note in one form, in one family, from every note that it can be approached from, at one
tempo, with one fault (or clean). A fault is put into every other movement of the drill's kind, so that the clean ones
beside it must stay clean; `~` at the end of a drill's name is the same with the others. Where a movement cannot be
played so (no room before a short note's end), it is left out and counted as such. The table has a row for each
movement and fault: how many were heard as exactly what was played, and what was heard instead, with the drill's name,
which makes that take again.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cached_property
from typing import Final

from analysis.api import Options, analyse_sound
from analysis.chanter import Note
from analysis.families import from_short_notes, single_then_full
from analysis.faults import possible
from analysis.judgement import is_clean, tolerances
from analysis.model_player import Manner, Performance, perform, render
from analysis.movements import KINDS, SPELLINGS, Form, Kind, spelling
from analysis.report import FLAGS, MovementReport
from analysis.score import Score
from analysis.sound import Sound

RATE_HZ: Final = 48_000
TEMPOS: Final = (40, 60, 90, 120)
FAMILIES: Final = ("single-then-full", "from-short-notes")
CLEAN: Final = "clean"
#: Short notes, the usual one first: a long movement before the beat needs a longer one.
CUTS: Final = (Fraction(1, 4), Fraction(1, 3), Fraction(1, 2))


@dataclass(frozen=True)
class Drill:
    """One take. `fault` is a flag code or CLEAN; `others`: the fault is in the other half of the movements."""

    kind: Kind
    form: Form
    on: Note
    family: str
    tempo_bpm: int
    fault: str = CLEAN
    others: bool = False

    def __str__(self) -> str:
        mark = "~" if self.others else ""
        return f"{self.kind}/{self.form}/{self.on.label} {self.family} {self.tempo_bpm} {self.fault}{mark}"

    @cached_property
    def approaches(self) -> list[Note]:
        found = [(note, spelling(self.kind, self.on, note, form=self.form)) for note in Note if note != self.on]
        return [note for note, entry in found if entry is not None]

    @cached_property
    def score(self) -> Score:
        if self.family == FAMILIES[0]:
            return single_then_full(self.kind, self.on, self.approaches, form=self.form, tempo_bpm=self.tempo_bpm)
        scores = [
            from_short_notes(
                self.kind, self.on, self.approaches, cut_share=cut, form=self.form, tempo_bpm=self.tempo_bpm
            )
            for cut in CUTS
        ]
        return next((score for score in scores if not perform(score).crowded), scores[-1])

    def chosen(self) -> list[int]:
        """The movements that the fault is in."""
        full = [
            movement
            for movement in self.score.movements
            if (movement.kind, movement.form, movement.on) == (self.kind, self.form, self.on)
            # The single gracenote of the family is there to compare with, unless it is what is practised.
            and (self.kind == "gracenote" or movement.kind != "gracenote")
        ]
        half = full[self.others :: 2]
        return [movement.index for movement in half if self.fault in possible(movement)]

    def played(self) -> Performance:
        faults = {} if self.fault == CLEAN else dict.fromkeys(self.chosen(), self.fault)
        manner = Manner(count_in=4, clicks=True, seed=1)
        return perform(self.score, manner, faults=faults)


@dataclass
class Outcome:
    """What became of one drill: movements right, left out, and heard otherwise (what was played, what was heard)."""

    drill: Drill
    right: int = 0
    left_out: int = 0
    wrong: list[str] = field(default_factory=list)


def drills() -> Iterator[Drill]:
    """All of them, kinds in the vocabulary's order."""
    named = dict.fromkeys((entry.kind, entry.form, entry.on) for entry in SPELLINGS)
    for kind, form, on in sorted(named, key=lambda name: (KINDS.index(name[0]), name[1], name[2])):
        for family in FAMILIES:
            for tempo in TEMPOS:
                clean = Drill(kind, form, on, family, tempo)
                if not clean.approaches:
                    continue
                yield clean
                for fault in FLAGS:
                    for others in (False, True):
                        faulty = Drill(kind, form, on, family, tempo, fault, others)
                        if faulty.chosen():
                            yield faulty


def tried(drill: Drill) -> Outcome:
    """The drill played, heard and compared."""
    performance = drill.played()
    rendering = render(drill.score, performance=performance, rate_hz=RATE_HZ)
    sound = Sound(rendering.samples, RATE_HZ, RATE_HZ, rendering.samples.size / RATE_HZ, "")
    report = analyse_sound(sound, drill.score, options=Options(tolerances=tolerances("standard")))
    outcome = Outcome(drill)
    heard = {movement.get("written_index", movement["index"]): movement for movement in report["movements"]}
    source = report["beat"]["source"]
    for movement in performance.movements:
        if movement.index in performance.crowded:
            outcome.left_out += 1
            continue
        found = heard.get(movement.index)
        told = _told(found)
        name = f"{movement.kind}/{movement.form} on {movement.on.label}"
        wanted = f"{name}: {', '.join(movement.faults) or CLEAN}"
        if told == wanted and source == "click":
            outcome.right += 1
        else:
            approach = movement.approach.label if movement.approach is not None else "nothing"
            beat = "" if source == "click" else f" (beat {source})"
            outcome.wrong.append(f"from {approach}, {wanted}; heard {told}{beat}")
    if len(report["movements"]) != len(performance.movements):
        outcome.wrong.append(f"{len(performance.movements)} movements; heard {len(report['movements'])}")
    return outcome


def _told(found: MovementReport | None) -> str:
    if found is None:
        return "nothing"
    name = f"{found['kind']}/{found['form']} on {found['on']}"
    judged = ", ".join(found["flags"]) or (CLEAN if is_clean(found) else "not sure")
    return f"{name}: {judged}"


def table(outcomes: Sequence[Outcome]) -> str:
    """A row for each kind and form with each fault, then every drill that fails."""
    rows: dict[tuple[str, str], Counter[str]] = defaultdict(Counter)
    for outcome in outcomes:
        drill = outcome.drill
        row = rows[(f"{drill.kind}/{drill.form}".rstrip("/"), drill.fault)]
        row["drills"] += 1
        row["right"] += outcome.right
        row["wrong"] += len(outcome.wrong)
        row["left out"] += outcome.left_out
        row["failing"] += bool(outcome.wrong)
    lines = [f"{'movement':24}{'played':20}{'takes':>6}{'failing':>8}{'right':>7}{'wrong':>7}{'no room':>8}"]
    for (movement, fault), row in rows.items():
        lines.append(
            f"{movement:24}{fault:20}{row['drills']:6}{row['failing']:8}{row['right']:7}{row['wrong']:7}"
            f"{row['left out']:8}"
        )
    right, wrong = sum(len(o.wrong) == 0 for o in outcomes), sum(len(o.wrong) for o in outcomes)
    lines.append(
        f"{right} of {len(outcomes)} takes right; {sum(o.right for o in outcomes)} movements right, {wrong} wrong"
    )
    for outcome in outcomes:
        if outcome.wrong:
            lines.append(f'--drill "{outcome.drill}"')
            lines.extend(f"    {count} x {text}" for text, count in Counter(outcome.wrong).items())
    return "\n".join(lines)


def asked(arguments: argparse.Namespace) -> list[Drill]:
    found = [
        drill
        for drill in drills()
        if (not arguments.kinds or drill.kind in arguments.kinds)
        and (not arguments.tempos or drill.tempo_bpm in arguments.tempos)
        and (not arguments.families or drill.family in arguments.families)
        and (not arguments.faults or drill.fault in arguments.faults)
        and (not arguments.drill or str(drill) in arguments.drill)
    ]
    part, _, of = arguments.part.partition("/")
    return found[int(part) - 1 :: int(of)]


def main(given: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="Play, hear and judge every movement.")
    parser.add_argument("--kinds", nargs="*", choices=KINDS)
    parser.add_argument("--tempos", nargs="*", type=int, choices=TEMPOS)
    parser.add_argument("--families", nargs="*", choices=FAMILIES)
    parser.add_argument("--faults", nargs="*", choices=(CLEAN, *FLAGS))
    parser.add_argument("--drill", nargs="*", help="drills by their names, as the table prints them")
    parser.add_argument("--part", default="1/1", help="such as 3/40: every 40th drill from the third on")
    parser.add_argument("--workers", type=int, default=2)
    arguments = parser.parse_args(given)
    chosen = asked(arguments)
    outcomes: list[Outcome] = []
    with ProcessPoolExecutor(arguments.workers) as pool:
        for number, outcome in enumerate(pool.map(tried, chosen), start=1):
            outcomes.append(outcome)
            print(f"\r{number} of {len(chosen)}", end="", file=sys.stderr)
    print(file=sys.stderr)
    print(table(outcomes))
    return 1 if any(outcome.wrong for outcome in outcomes) else 0


if __name__ == "__main__":
    sys.exit(main())
