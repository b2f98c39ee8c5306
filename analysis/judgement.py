"""Measures to flags, by tolerances: pure and fast, so that a change of tolerance re-judges stored reports.

Where the standard numbers come from. Offsets: people notice a displaced onset at 2.5 % of the interval, and at 6 ms
below 240 ms (A. Friberg and J. Sundberg, J. Acoust. Soc. Am. 98, 1995, 2524-2531); standard is 2.5 times that, gentle
4 times, strict 1.5 times. Two gracenotes: sounds need about 20 ms to be heard in order (I. J. Hirsh, J. Acoust. Soc.
Am. 31, 1959, 759-767). The others are common practice with no source: the tutor's ear decides.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from statistics import median
from typing import Final, Literal, get_args

from analysis.report import ApproachSummary, Flag, Measures, MovementReport, Report, Summary

Level = Literal["gentle", "standard", "strict"]

#: The interval's share at which a displaced onset is noticed (Friberg and Sundberg 1995).
NOTICED_SHARE: Final = 0.025
#: A movement heard less surely than this is "not sure": never a fault, never clean.
SURE: Final = 0.4


@dataclass(frozen=True)
class Tolerances:
    """The limits beyond which a measure is a fault: shares of the beat, milliseconds, and a ratio."""

    offset_share: float = 2.5 * NOTICED_SHARE
    offset_floor_ms: float = 30.0
    gap_ms: float = 20.0
    gracenote_ms: float = 90.0
    crossing_noise_ms: float = 10.0
    unevenness: float = 2.0

    def offset_ms(self, beat_ms: float | None) -> float:
        """The allowed distance from the beat for a beat of `beat_ms`."""
        return max(self.offset_floor_ms, self.offset_share * (beat_ms or 0.0))


_LEVELS: Final[Mapping[Level, Tolerances]] = {
    # Gentle allows more of everything, strict less: the offset by the published factors, the others by the same ratios.
    "gentle": Tolerances(4.0 * NOTICED_SHARE, 48.0, 12.5, 144.0, 16.0, 3.2),
    "standard": Tolerances(),
    "strict": Tolerances(1.5 * NOTICED_SHARE, 18.0, 33.0, 54.0, 6.0, 1.5),
}


def tolerances(level: Level = "standard", overrides: Mapping[str, float] | None = None) -> Tolerances:
    """The tolerances of a level with a studio's own values over them. Raises ValueError for unknown names or values."""
    if level not in _LEVELS:
        raise ValueError(f"{level!r} is no level; it is one of {', '.join(get_args(Level))}")
    known = {entry.name for entry in fields(Tolerances)}
    for name, value in (overrides or {}).items():
        if name not in known:
            raise ValueError(f"{name!r} is no tolerance; they are {', '.join(sorted(known))}")
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 10_000:
            raise ValueError(f"the tolerance {name} is {value!r}; it takes a number above 0")
    return replace(_LEVELS[level], **(overrides or {}))


def judge(report: Report, limits: Tolerances) -> Report:
    """A copy of `report` with flags and summary judged anew by `limits`; the measures stay as they are."""
    movements = [_judged(movement, limits) for movement in report["movements"]]
    judged = report.copy()
    judged["movements"] = movements
    judged["summary"] = summarise(movements)
    return judged


def _judged(movement: MovementReport, limits: Tolerances) -> MovementReport:
    measures = movement.get("measures")
    if measures is None:
        return movement
    judged = movement.copy()
    judged["crossing_noises"] = [n for n in measures["noises"] if n["length_ms"] >= limits.crossing_noise_ms]
    judged["flags"] = [] if movement["confidence"] < SURE else _flags(movement, measures, limits)
    return judged


def _flags(movement: MovementReport, measures: Measures, limits: Tolerances) -> list[Flag]:
    if not measures["played"]:
        return ["missed"]
    found = _beat_flags(measures, limits)
    aligned = measures["aligned"]
    if movement["gap_ms"] is not None and movement["gap_ms"] < limits.gap_ms:
        found.append("run-together")
    if any(sound is None for sound in aligned):
        found.append("missing-gracenote")
    if any(s is not None and s["note"] != note for s, note in zip(aligned, measures["written"], strict=True)):
        found.append("wrong-gracenote")
    if any(sound is not None and sound["length_ms"] > limits.gracenote_ms for sound in aligned):
        found.append("heavy-gracenote")
    if any(noise["length_ms"] >= limits.crossing_noise_ms for noise in measures["noises"]):
        found.append("crossing-noise")
    parts = measures["parts_ms"]
    if len(parts) > 1 and max(parts) > limits.unevenness * max(min(parts), 1e-6):
        found.append("uneven")
    return found


def _beat_flags(measures: Measures, limits: Tolerances) -> list[Flag]:
    offset, second = measures["first_offset_ms"], measures["second_offset_ms"]
    if offset is None:
        return []
    allowed = limits.offset_ms(measures["beat_length_ms"])
    if offset > allowed:
        return ["late"]
    if offset < -allowed:
        # The second gracenote on the beat is a mistake about the movement; all of it early is one about time.
        on_second = second is not None and abs(second) <= allowed and abs(second) < abs(offset)
        return ["beat-on-second"] if on_second else ["early"]
    return []


def is_clean(movement: MovementReport) -> bool:
    """Whether the movement was surely heard and has no fault."""
    return not movement["flags"] and movement["confidence"] >= SURE


def summarise(movements: list[MovementReport]) -> Summary:
    """Counts and offsets over `movements`, whole and by the note approached from."""
    groups: dict[str, list[MovementReport]] = {}
    for movement in movements:
        groups.setdefault(movement["from"] or "start", []).append(movement)
    middle, spread = _offsets(movements)
    return {
        "movements": len(movements),
        "clean": sum(is_clean(movement) for movement in movements),
        "offset_median_ms": middle,
        "offset_spread_ms": spread,
        "by_approach": {approach: _by_approach(group) for approach, group in groups.items()},
    }


def _by_approach(movements: list[MovementReport]) -> ApproachSummary:
    middle, spread = _offsets(movements)
    return {
        "movements": len(movements),
        "clean": sum(is_clean(movement) for movement in movements),
        "flags": dict(Counter(flag for movement in movements for flag in movement["flags"])),
        "offset_median_ms": middle,
        "offset_spread_ms": spread,
    }


def _offsets(movements: list[MovementReport]) -> tuple[float | None, float | None]:
    """Median and spread of the offsets against the beat in ms, None where no beat is known."""
    offsets = [m["beat_offset_ms"] for m in movements if m["beat_offset_ms"] is not None]
    if not offsets:
        return None, None
    middle = median(offsets)
    # The median distance from the median, scaled to agree with the standard deviation of even scatter.
    spread = 1.4826 * median(abs(offset - middle) for offset in offsets)
    return round(middle, 1), round(spread, 1)
