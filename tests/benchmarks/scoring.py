"""A report scored against a take's exact truth. Notes as mir_eval scores them (C. Raffel and others, "mir_eval: a
transparent implementation of common MIR metrics", ISMIR 2014): an onset within 10 ms and the right note, offsets not
counted.

Truth is the performance; a codec may shift the whole file by tens of milliseconds. That shift is the same for every
note and is removed by its median before notes are matched. Beat offsets are differences within the file and need no
such help.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import mir_eval
import numpy as np

from analysis.chanter import LABELS

ONSET_TOLERANCE_S: Final = 0.010
#: A take's movement is the report's if its kind, form and note are the same and it starts this near.
_SAME_MOVEMENT_S: Final = 0.25
#: The truth files' short names of the flag codes.
FLAG_OF: Final = {
    "heavy": "heavy-gracenote",
    "crossing": "crossing-noise",
    "missing": "missing-gracenote",
    "wrong": "wrong-gracenote",
    "run": "run-together",
    "second": "beat-on-second",
}

#: Faults that make a movement another one, or none, where nothing says what was meant.
_ANOTHER: Final = {"missed", "missing-gracenote", "wrong-gracenote"}

Events = Sequence[tuple[float, float, str]]


@dataclass
class Score:
    """Counts and errors of one take, or of several added up. `heard_noises`: the length in ms of every crossing noise
    played, and whether it was heard as a note."""

    f1: list[float] = field(default_factory=list)
    onset_ms: list[float] = field(default_factory=list)
    found: int = 0
    movements: int = 0
    flags: list[int] = field(default_factory=lambda: [0, 0, 0])
    noises: list[int] = field(default_factory=lambda: [0, 0, 0])
    offset_ms: list[float] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    heard_noises: list[tuple[float, bool]] = field(default_factory=list)

    def add(self, other: Score) -> None:
        """Add another take's score to this one."""
        self.f1 += other.f1
        self.onset_ms += other.onset_ms
        self.found += other.found
        self.movements += other.movements
        self.flags = [a + b for a, b in zip(self.flags, other.flags, strict=True)]
        self.noises = [a + b for a, b in zip(self.noises, other.noises, strict=True)]
        self.offset_ms += other.offset_ms
        self.wrong += other.wrong
        self.heard_noises += other.heard_noises


def constant_offset_s(heard: Events, true: Events) -> float:
    """The shift of `heard` against `true` that is the same for all, in seconds: the median over notes of the same
    name."""
    offset = 0.0
    for reach in (0.060, 0.060, 0.020, 0.020):
        away = [
            min((start - other - offset for other, _, name in true if name == note), key=abs, default=1.0)
            for start, _, note in heard
        ]
        near = [gap for gap in away if abs(gap) < reach]
        offset += float(np.median(near)) if near else 0.0
    return offset


def match_notes(heard: Events, true: Events) -> list[tuple[int, int]]:
    """Pairs (index in true, index in heard) that mir_eval matches, the constant offset removed."""
    if not heard or not true:
        return []
    shift = constant_offset_s(heard, true)

    def intervals(events: Events, by: float) -> np.ndarray:
        # mir_eval takes no negative times; only differences matter.
        return np.array([[start - by + 10.0, max(end, start + 0.001) - by + 10.0] for start, end, _ in events])

    def pitches(events: Events) -> np.ndarray:
        return np.array([440.0 * 2.0 ** LABELS.index(name) for _, _, name in events])

    pairs = mir_eval.transcription.match_notes(
        intervals(true, 0.0), pitches(true), intervals(heard, shift), pitches(heard),
        onset_tolerance=ONSET_TOLERANCE_S, pitch_tolerance=50.0, offset_ratio=None,
    )  # fmt: skip
    return [(int(a), int(b)) for a, b in pairs]


def _events(entries: Sequence[dict[str, Any]], start: str, end: str) -> list[tuple[float, float, str]]:
    return [(entry[start], entry[end], entry["note"]) for entry in entries]


def flags_of(move: dict[str, Any]) -> set[str]:
    """The flag codes of a truth file's movement."""
    return {FLAG_OF.get(fault, fault) for fault in move["faults"]}


def score(report: dict[str, Any], truth: dict[str, Any], *, free: bool = False) -> Score:
    """`report` against `truth` (a take's JSON file).

    In free playing a movement with a gracenote left out, or with another in its place, is another movement or none:
    such are not asked for, and no flag of theirs is.
    """
    result = Score()
    heard, true = _events(report["notes"], "start_s", "end_s"), _events(truth["notes"], "start", "end")
    pairs = match_notes(heard, true)
    result.f1 = [2.0 * len(pairs) / max(1, len(heard) + len(true))]
    shift = constant_offset_s(heard, true)
    result.onset_ms = [abs(heard[b][0] - shift - true[a][0]) * 1000.0 for a, b in pairs]
    found = {a for a, _ in pairs}
    result.heard_noises = [
        (1000.0 * (note["end"] - note["start"]), index in found)
        for index, note in enumerate(truth["notes"])
        if note["role"] == "crossing"
    ]
    by_rank = _movements(report, truth, shift)
    if free:
        by_rank = [(move, heard) for move, heard in by_rank if not flags_of(move) & _ANOTHER]
        report = {**report, "movements": [heard for _, heard in by_rank if heard is not None]}
    result.movements = len(by_rank)
    used = set()
    for move, movement in by_rank:
        wanted = flags_of(move)
        if movement is None:
            result.flags[2] += len(wanted)
            result.noises[2] += len(move["crossing"])
            result.wrong.append(f"{move['kind']} on {move['on']} from {move['frm']}: not found")
            continue
        used.add(movement["index"])
        result.found += 1
        got = set(movement["flags"])
        _count(result.flags, len(wanted & got), len(got - wanted), len(wanted - got))
        true_noises, noises = len(move["crossing"]), len(movement["crossing_noises"])
        same = min(true_noises, noises)
        _count(result.noises, same, noises - same, true_noises - same)
        if wanted != got:
            name = f"{move['kind']} on {move['on']} from {move['frm']} at {move['onset_s']:.2f} s"
            result.wrong.append(f"{name}: {sorted(wanted) or 'clean'} heard as {sorted(got) or 'clean'}")
        if movement["beat_offset_ms"] is not None and move["offset_ms"] is not None and "missed" not in wanted:
            result.offset_ms.append(movement["beat_offset_ms"] - move["offset_ms"])
    for movement in report["movements"]:
        if movement["index"] not in used:
            result.flags[1] += len(movement["flags"])
            result.noises[1] += len(movement["crossing_noises"])
            result.wrong.append(f"{movement['kind']} on {movement['on']} at {movement['start_s']}: not played")
    return result


def _count(counts: list[int], right: int, too_many: int, left_out: int) -> None:
    counts[0] += right
    counts[1] += too_many
    counts[2] += left_out


def _movements(
    report: dict[str, Any], truth: dict[str, Any], shift_s: float
) -> list[tuple[dict[str, Any], dict[str, Any] | None]]:
    """Each true movement with the report's of the same name that starts nearest, or None."""
    free = list(report["movements"])
    pairs: list[tuple[dict[str, Any], dict[str, Any] | None]] = []
    for move in truth["moves"]:
        kind, _, form = move["kind"].partition("/")
        left_out = "missed" in flags_of(move)
        near = [
            (abs(m["start_s"] - shift_s - move["onset_s"]), number)
            for number, m in enumerate(free)
            if m["start_s"] is not None
            and m["kind"] == kind
            and m["on"] == move["on"]
            and (not form or m["form"] == form)
        ]
        near = [entry for entry in near if entry[0] < (1.5 if left_out else _SAME_MOVEMENT_S)]
        if not near and left_out:
            near = [(0.0, n) for n, m in enumerate(free) if m["start_s"] is None and m["on"] == move["on"]][:1]
        pairs.append((move, free.pop(min(near)[1]) if near else None))
    return pairs


def load_truth(path: Path) -> dict[str, Any]:
    """A take's truth file."""
    return dict(json.loads(path.read_text()))
