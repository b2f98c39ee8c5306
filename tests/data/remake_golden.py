"""Golden reports: what is heard in each development take, with its written music and without, kept to be looked at.

    uv run python -m tests.data.remake_golden           # remake all, and say what changed
    uv run python -m tests.data.remake_golden --check   # only say what would change

They are rounded to what a tutor could tell, and compared with room for what machines compute differently:
:data:`TOLERANCES`. A difference is told by what was played: ``doubling on E from B, bar 3: flags [] -> ["late"]``.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Callable, Iterator, Sequence
from difflib import SequenceMatcher
from pathlib import Path
from typing import Any, Final

from analysis.api import analyse
from analysis.score import parse_abc

FOLDER: Final = Path(__file__).parent
TAKES: Final = FOLDER / "takes"
GOLDEN: Final = FOLDER / "golden"
COMMAND: Final = "uv run python -m tests.data.remake_golden"
WITHOUT_MUSIC: Final = "-free"

#: By the ending of a key: how many decimals are kept, and how far apart two values may lie. Times may differ by 2 ms.
TOLERANCES: Final[dict[str, tuple[int, float]]] = {
    "_s": (4, 0.002),
    "_ms": (1, 4.0),  # between two times
    "_bpm": (2, 0.1),
    "per_min": (1, 0.5),
    "hz": (1, 0.5),
    "cents": (1, 2.0),
    "confidence": (2, 0.1),
    "share": (3, 0.01),
    "share_median": (3, 0.01),
}
#: Lists of times of their own.
_ITEMS: Final = {"beats_s": "_s", "parts_ms": "_ms"}

Entry = dict[str, Any]


def names() -> list[str]:
    """Every golden report's name: a take's, or a take's and that it is heard without its music."""
    takes = sorted(path.stem for path in TAKES.glob("*.abc"))
    return [name + ending for name in takes for ending in ("", WITHOUT_MUSIC)]


def report_on(name: str) -> Entry:
    """The report that the golden one called `name` is to be like."""
    take = name.removesuffix(WITHOUT_MUSIC)
    (audio,) = (path for path in TAKES.glob(f"{take}.*") if path.suffix not in (".abc", ".json"))
    score = None if name.endswith(WITHOUT_MUSIC) else parse_abc((TAKES / f"{take}.abc").read_text(encoding="utf-8"))
    return dict(analyse(audio, score))


def load(name: str) -> Entry:
    """The golden report called `name`."""
    return dict(json.loads((GOLDEN / f"{name}.json").read_text(encoding="utf-8")))


def rounded(value: Any, key: str = "") -> Any:
    """A report, or a part of it under `key`, with its numbers rounded."""
    if isinstance(value, dict):
        return {name: rounded(part, name) for name, part in value.items()}
    if isinstance(value, list):
        return [rounded(part, _ITEMS.get(key, "")) for part in value]
    rule = _rule(key)
    if isinstance(value, float) and rule:
        return round(value, rule[0]) + 0.0
    return value


def written(report: Entry) -> str:
    """`report` as JSON, every note and every movement on a line of its own."""
    lines = []
    for key, value in report.items():
        if isinstance(value, list):
            parts = ",\n".join(f"  {json.dumps(part)}" for part in value)
            lines.append(f" {json.dumps(key)}: [\n{parts}\n ]")
        else:
            lines.append(f" {json.dumps(key)}: {json.dumps(value)}")
    return "{\n" + ",\n".join(lines) + "\n}\n"


def differences(golden: Entry, report: Entry) -> list[str]:
    """A line for everything in which `report` differs from `golden` by more than the tolerances."""
    report = json.loads(json.dumps(rounded(report)))
    lists = {"notes": _note, "movements": _movement}
    found = list(_fields({**golden, **dict.fromkeys(lists)}, {**report, **dict.fromkeys(lists)}, ""))
    for key, called in lists.items():
        found += _entries(key, golden[key], report[key], called)
    return found


def told(name: str, golden: Entry, report: Entry) -> str:
    """:func:`differences` as text; empty where there are none."""
    found = differences(golden, report)
    return "\n".join([f"{name}, {len(found)} differences:", *(f"  {line}" for line in found)]) if found else ""


def _rule(key: str) -> tuple[int, float] | None:
    return next((rule for ending, rule in TOLERANCES.items() if key.endswith(ending)), None)


def _note(entry: Entry) -> str:
    return f"{entry['note']} ({entry['role']})"


def _movement(entry: Entry) -> str:
    form = f" ({entry['form']})" if entry["form"] else ""
    place = f", bar {entry['bar']}" if entry["bar"] is not None else ""
    return f"{entry['kind']}{form} on {entry['on']} from {entry['from']}{place}"


def _entries(key: str, golden: Sequence[Entry], report: Sequence[Entry], called: Callable[[Entry], str]) -> list[str]:
    """Differences between two lists: what is gone, what is new, and what changed in those that go on."""
    found = []
    matcher = SequenceMatcher(None, [called(entry) for entry in golden], [called(entry) for entry in report], False)
    for what, first, last, since, until in matcher.get_opcodes():
        if what == "equal":
            for old, new in zip(golden[first:last], report[since:until], strict=True):
                where = f"{key}: {called(old)} at {old['start_s']} s: "
                # Numbers in a row shift by one when something is put in before; that alone is told once, above.
                found += _fields({**old, "index": 0}, {**new, "index": 0}, where)
            continue
        found += [f"{key}: gone  {_spoken(entry, called)}" for entry in golden[first:last]]
        found += [f"{key}: new   {_spoken(entry, called)}" for entry in report[since:until]]
    return found


def _spoken(entry: Entry, called: Callable[[Entry], str]) -> str:
    flags = f" {entry['flags']}" if "flags" in entry else ""
    return f"{called(entry)} from {entry['start_s']} to {entry['end_s']} s{flags}"


def _fields(old: Any, new: Any, where: str, key: str = "") -> Iterator[str]:
    """Differences between two values of `key` and what is inside them, as ``where: old -> new``."""
    if isinstance(old, dict) and isinstance(new, dict):
        for name in [*old, *(name for name in new if name not in old)]:
            yield from _fields(old.get(name), new.get(name), f"{where}{name} ", name)
    elif isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for number, (one, two) in enumerate(zip(old, new, strict=True)):
            yield from _fields(one, two, f"{where}{number} ", _ITEMS.get(key, ""))
    elif not _alike(old, new, key):
        yield f"{where.rstrip()}: {json.dumps(old)} -> {json.dumps(new)}"


def _alike(old: Any, new: Any, key: str) -> bool:
    rule = _rule(key)
    if rule and isinstance(old, int | float) and isinstance(new, int | float):
        return math.isclose(old, new, rel_tol=0.0, abs_tol=rule[1] + 1e-9)
    return bool(old == new)


def main(arguments: list[str] | None = None) -> int:
    """The command line; gives 1 where --check finds differences."""
    parser = argparse.ArgumentParser(description="Remake the golden reports and say what changed.")
    parser.add_argument("--check", action="store_true", help="change nothing")
    check = parser.parse_args(arguments).check
    changed = False
    GOLDEN.mkdir(exist_ok=True)
    for name in names():
        report = report_on(name)
        before = load(name) if (GOLDEN / f"{name}.json").exists() else None
        said = told(name, before, report) if before else f"{name} is new"
        changed = changed or bool(said)
        print(said or f"{name} is as it was")
        if not check:
            (GOLDEN / f"{name}.json").write_text(written(rounded(report)), encoding="utf-8")
    return int(check and changed)


if __name__ == "__main__":
    raise SystemExit(main())
