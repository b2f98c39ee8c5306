"""A tutor's word over a report: which flags hold, what a movement is called, where its beat lies. Pure.

What the analysis itself says stays beside it (`overruled` of each movement spoken about), so that the word can be taken
back, and a change of tolerance still judges all that the tutor said nothing of.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from analysis import comparison
from analysis.judgement import SURE, Tolerances, judge, summarise
from analysis.movements import Form, Kind
from analysis.report import FLAGS, Flag, MovementReport, Overruled, Report

#: A movement that the tutor spoke about was heard surely, whatever the analysis made of it.
_CERTAIN: Final = 1.0


@dataclass(frozen=True)
class Name:
    """What a movement is: its kind, form and the note it is on."""

    kind: Kind
    form: Form
    on: str


@dataclass(frozen=True)
class Word:
    """All that a tutor says of one movement: flags that hold (True) or do not (False), its name, its beat."""

    flags: Mapping[Flag, bool] = field(default_factory=dict)
    name: Name | None = None
    beat_s: float | None = None
    # "I hear it": lifts "not sure" even where no flag is spoken about.
    heard: bool = False


def is_ruled(report: Report) -> bool:
    """Whether a tutor spoke about any movement of it."""
    return any("overruled" in movement for movement in report["movements"])


def plain(report: Report) -> Report:
    """The report as the analysis alone gave it; flags and summary may still have to be judged."""
    if not is_ruled(report):
        return report
    bare = report.copy()
    bare["movements"] = [_plain_movement(movement) for movement in report["movements"]]
    return _compared(bare)


def _plain_movement(movement: MovementReport) -> MovementReport:
    own = movement.get("overruled")
    if own is None:
        return movement
    bare = movement.copy()
    del bare["overruled"]
    bare["kind"], bare["form"], bare["on"] = own["kind"], own["form"], own["on"]
    bare["beat_s"], bare["beat_offset_ms"] = own["beat_s"], own["beat_offset_ms"]
    bare["flags"], bare["confidence"] = own["flags"], own["confidence"]
    measures = bare.get("measures")
    if measures is not None:
        bare["measures"] = {
            **measures,
            "first_offset_ms": own["first_offset_ms"],
            "second_offset_ms": own["second_offset_ms"],
        }
    return bare


def ruled(report: Report, words: Mapping[int, Word], limits: Tolerances) -> Report:
    """`report` judged by `limits`, with the tutor's `words` (by the movement's index) over it."""
    own = judge(plain(report), limits)
    if not words:
        return own
    moved = own.copy()
    moved["movements"] = [_beat_moved(movement, words.get(movement["index"])) for movement in own["movements"]]
    moved = judge(moved, limits)
    pairs = zip(own["movements"], moved["movements"], strict=True)
    moved["movements"] = [_ruled_movement(before, after, words.get(after["index"])) for before, after in pairs]
    moved["summary"] = summarise(moved["movements"])
    return _compared(moved)


def _beat_moved(movement: MovementReport, word: Word | None) -> MovementReport:
    """The movement against another beat, with all offsets told from that."""
    if word is None or word.beat_s is None or movement["beat_s"] is None or movement["beat_offset_ms"] is None:
        return movement
    later_ms = 1000.0 * (movement["beat_s"] - word.beat_s)
    moved = movement.copy()
    moved["beat_s"] = word.beat_s
    moved["beat_offset_ms"] = _plus(movement["beat_offset_ms"], later_ms)
    measures = moved.get("measures")
    if measures is not None:
        moved["measures"] = {
            **measures,
            "first_offset_ms": _plus(measures["first_offset_ms"], later_ms),
            "second_offset_ms": _plus(measures["second_offset_ms"], later_ms),
        }
    return moved


def _plus(offset_ms: float | None, more_ms: float) -> float | None:
    return None if offset_ms is None else round(offset_ms + more_ms, 1)


def _ruled_movement(own: MovementReport, moved: MovementReport, word: Word | None) -> MovementReport:
    """`moved` with the tutor's word over it, keeping what the analysis itself says of `own`."""
    if word is None:
        return moved
    result = moved.copy()
    result["overruled"] = _own_view(own)
    held = {flag for flag in moved["flags"] if word.flags.get(flag, True)}
    held |= {flag for flag, holds in word.flags.items() if holds}
    result["flags"] = [flag for flag in FLAGS if flag in held]
    if (word.heard or word.flags) and moved["confidence"] < SURE:
        result["confidence"] = _CERTAIN
    if word.name is not None:
        result["kind"], result["form"], result["on"] = word.name.kind, word.name.form, word.name.on
    return result


def _own_view(movement: MovementReport) -> Overruled:
    measures = movement.get("measures")
    return {
        "kind": movement["kind"],
        "form": movement["form"],
        "on": movement["on"],
        "beat_s": movement["beat_s"],
        "beat_offset_ms": movement["beat_offset_ms"],
        "first_offset_ms": measures["first_offset_ms"] if measures else None,
        "second_offset_ms": measures["second_offset_ms"] if measures else None,
        "flags": movement["flags"],
        "confidence": movement["confidence"],
    }


def _compared(report: Report) -> Report:
    """With the pairs told anew, where there are any: they depend on names and beats."""
    if "comparison" not in report:
        return report
    report["comparison"] = {**report["comparison"], "pairs": comparison.pairs(report["movements"])}
    return report
