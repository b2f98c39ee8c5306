"""The round trip: every movement played by the model player, clean and with each fault on purpose, heard and judged.

    python -m tests.benchmarks.round_trip                       everything: a day
    python -m tests.benchmarks.round_trip --kinds grip birl --tempos 60 --faults clean uneven
    python -m tests.benchmarks.round_trip --part 3/60           one of 60 parts, each a fair mixture of all drills
    python -m tests.benchmarks.round_trip --drill "grip//C from-short-notes 90 uneven"

What a drill is, :mod:`tests.benchmarks.drills` says. Where a movement cannot be played so (no room before a short
note's end), it is left out and counted as such. The table has a row for each movement and fault, and one for each
family: how many were heard as exactly what was played, and what was heard instead, with the drill's name, which makes
that take again.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from typing import Final

from analysis.api import Options, analyse_sound
from analysis.judgement import is_clean, tolerances
from analysis.model_player import render
from analysis.movements import KINDS
from analysis.report import FLAGS, MovementReport
from analysis.sound import Sound
from tests.benchmarks.drills import CLEAN, FAMILIES, TEMPOS, Drill, drills, part

RATE_HZ: Final = 48_000


@dataclass
class Outcome:
    """What became of one drill: movements right, left out, and heard otherwise (what was played, what was heard)."""

    drill: Drill
    right: int = 0
    left_out: int = 0
    wrong: list[str] = field(default_factory=list)


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
    """A row for each kind and form with each fault, one for each family, then every drill that fails."""
    lines = [f"{'movement':24}{'played':20}{'takes':>6}{'failing':>8}{'right':>7}{'wrong':>7}{'no room':>8}"]
    lines += _rows(outcomes, lambda drill: (f"{drill.kind}/{drill.form}".rstrip("/"), drill.fault))
    lines += _rows(outcomes, lambda drill: (drill.family, "everything"))
    right, wrong = sum(len(o.wrong) == 0 for o in outcomes), sum(len(o.wrong) for o in outcomes)
    lines.append(
        f"{right} of {len(outcomes)} takes right; {sum(o.right for o in outcomes)} movements right, {wrong} wrong"
    )
    for outcome in outcomes:
        if outcome.wrong:
            lines.append(f'--drill "{outcome.drill}"')
            lines.extend(f"    {count} x {text}" for text, count in Counter(outcome.wrong).items())
    return "\n".join(lines)


def _rows(outcomes: Sequence[Outcome], name: Callable[[Drill], tuple[str, str]]) -> Iterator[str]:
    rows: dict[tuple[str, str], Counter[str]] = defaultdict(Counter)
    for outcome in outcomes:
        row = rows[name(outcome.drill)]
        row["takes"] += 1
        row["failing"] += bool(outcome.wrong)
        row["right"] += outcome.right
        row["wrong"] += len(outcome.wrong)
        row["left out"] += outcome.left_out
    for (first, second), row in sorted(rows.items()):
        yield (
            f"{first:24}{second:20}{row['takes']:6}{row['failing']:8}{row['right']:7}{row['wrong']:7}"
            f"{row['left out']:8}"
        )


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
    if not arguments.part:
        return found
    number, _, of = arguments.part.partition("/")
    return part(found, int(number), int(of))


def main(given: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="Play, hear and judge every movement.")
    parser.add_argument("--kinds", nargs="*", choices=KINDS)
    parser.add_argument("--tempos", nargs="*", type=int, choices=TEMPOS)
    parser.add_argument("--families", nargs="*", choices=FAMILIES)
    parser.add_argument("--faults", nargs="*", choices=(CLEAN, *FLAGS))
    parser.add_argument("--drill", nargs="*", help="drills by their names, as the table prints them")
    parser.add_argument("--part", default="", help="such as 3/60: the third of 60 parts")
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
