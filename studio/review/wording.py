"""Movements, measures and flags in plain words, for the review page and its timeline."""

from __future__ import annotations

from typing import Final, Literal

from analysis.judgement import SURE, Tolerances
from analysis.report import BeatSource, Flag, MovementReport, Report, ShortNote

Verdict = Literal["clean", "fault", "unsure"]


FLAG_WORDS: Final[dict[Flag, str]] = {
    "late": "late",
    "early": "early",
    "beat-on-second": "beat on the second",
    "run-together": "run together",
    "missing-gracenote": "gracenote missing",
    "wrong-gracenote": "another note",
    "heavy-gracenote": "heavy",
    "crossing-noise": "crossing noise",
    "uneven": "uneven",
    "missed": "not played",
}
_TOP_NOTES: Final = ("high G", "high A")
VERDICT_WORDS: Final[dict[Verdict, str]] = {"clean": "clean", "fault": "fault", "unsure": "not sure"}

_BEAT_WORDS: Final[dict[BeatSource, str]] = {
    "click": "Measured against the clicks heard in the take.",
    "tap": "Measured against the taps heard in the take, as a steady line through them.",
    "count-in": "Measured against the count-in before the playing, carried on at its tempo.",
    "fitted": (
        "No click or tap was heard, so a steady line was laid through the notes themselves: "
        "it shows evenness, not lateness."
    ),
}


def movement_name(movement: MovementReport) -> str:
    """Such as ``thumb doubling on E from high G``."""
    form, kind = movement["form"], movement["kind"]
    if kind == "unknown":
        base = f"movement not in the list on {movement['on']}"
    elif kind == "throw on D":
        base = f"{form} throw on D".strip()
    elif form == "with-gracenote":
        base = f"{kind} with gracenote on {movement['on']}"
    else:
        base = f"{'' if form in ('', 'full') else form + ' '}{kind} on {movement['on']}"
    return f"{base} from {movement['from']}" if movement["from"] else base


def verdict(movement: MovementReport) -> Verdict:
    """Clean, faulty, or heard too badly to say."""
    if movement["confidence"] < SURE:
        return "unsure"
    return "fault" if movement["flags"] else "clean"


def beat_words(source: BeatSource) -> str:
    """Which beat the offsets are measured against, and what that means."""
    return _BEAT_WORDS[source]


def sentences(movement: MovementReport, source: BeatSource, limits: Tolerances) -> list[str]:
    """What was measured of a movement, one sentence a fact, the faults with the limit they went beyond."""
    if verdict(movement) == "unsure":
        return ["Not sure: this was too hard to hear to judge it. Listen for yourself.", *_facts(movement, source)]
    if "missed" in movement["flags"]:
        return ["Not played: none of its gracenotes was heard."]
    faults = [_FAULTS[flag](movement, limits) for flag in movement["flags"] if flag in _FAULTS]
    facts = _facts(movement, source)
    if not movement["flags"]:
        return ["Clean.", *facts]
    return [*facts[:1], *faults, *facts[1:]]


def _facts(movement: MovementReport, source: BeatSource) -> list[str]:
    found = []
    place = _place(movement, source)
    if place:
        found.append(place)
    notes = movement["gracenotes"]
    if notes:
        lengths = _listed([f"{note['note']} {note['length_ms']:.0f} ms" for note in notes])
        found.append(f"{'Gracenote' if len(notes) == 1 else 'Gracenotes'}: {lengths}.")
    if movement["gap_ms"] is not None:
        found.append(f"{movement['on']} between the two gracenotes: {movement['gap_ms']:.0f} ms.")
    return found


def _place(movement: MovementReport, source: BeatSource) -> str:
    offset = movement["beat_offset_ms"]
    if offset is None:
        return ""
    measures = movement.get("measures")
    point = measures["beat_point"] if measures else "closes"
    # Half doublings, and those on high G and high A, open with their theme note: no gracenote closes first.
    opens_itself = movement["kind"] == "doubling" and (movement["form"] == "half" or movement["on"] in _TOP_NOTES)
    subject = {
        "closes": "The first gracenote closes",
        "opens": "The first gracenote opens",
        "starts": "The movement starts",
        "theme": f"{movement['on']} starts",
    }["starts" if opens_itself else point]
    beat = "the steady line of this take" if source == "fitted" else "the beat"
    if abs(offset) < 1.0:
        return f"{subject} on {beat}."
    return f"{subject} {abs(offset):.0f} ms {'after' if offset > 0 else 'before'} {beat}."


def _allowed(movement: MovementReport, limits: Tolerances) -> float:
    measures = movement.get("measures")
    return limits.offset_ms(measures["beat_length_ms"] if measures else None)


def _late(movement: MovementReport, limits: Tolerances) -> str:
    return f"Late: up to {_allowed(movement, limits):.0f} ms passes at this tempo."


def _early(movement: MovementReport, limits: Tolerances) -> str:
    return f"Early: up to {_allowed(movement, limits):.0f} ms passes at this tempo."


def _on_second(movement: MovementReport, limits: Tolerances) -> str:
    return "The second gracenote stands on the beat, where the first belongs."


def _together(movement: MovementReport, limits: Tolerances) -> str:
    gap = movement["gap_ms"] or 0.0
    between = f"only {gap:.0f} ms of {movement['on']}" if gap >= 1.0 else f"no {movement['on']}"
    return f"The gracenotes run together: {between} between them, {limits.gap_ms:.0f} ms are needed."


def _missing(movement: MovementReport, limits: Tolerances) -> str:
    measures = movement.get("measures")
    if not measures:
        return "A written gracenote does not sound."
    pairs = zip(measures["written"], measures["aligned"], strict=True)
    gone = _listed([note for note, sound in pairs if sound is None])
    return f"The {gone} gracenote does not sound."


def _wrong(movement: MovementReport, limits: Tolerances) -> str:
    measures = movement.get("measures")
    if measures:
        for note, sound in zip(measures["written"], measures["aligned"], strict=True):
            if sound is not None and sound["note"] != note:
                return f"{_start(sound['note'])} sounds where the {note} gracenote is written."
    return "Another note sounds in a gracenote's place."


def _heavy(movement: MovementReport, limits: Tolerances) -> str:
    long = [note for note in movement["gracenotes"] if note["length_ms"] > limits.gracenote_ms]
    which = _listed([f"the {note['note']} gracenote is {note['length_ms']:.0f} ms long" for note in long])
    return f"Heavy: {which or 'a gracenote is too long'}, up to {limits.gracenote_ms:.0f} ms passes."


def _crossing(movement: MovementReport, limits: Tolerances) -> str:
    return " ".join(_noise(noise) for noise in movement["crossing_noises"])


def _noise(noise: ShortNote) -> str:
    return f"Crossing noise: {noise['note']} sounds for {noise['length_ms']:.0f} ms, which is not written."


def _uneven(movement: MovementReport, limits: Tolerances) -> str:
    measures = movement.get("measures")
    parts = ", ".join(f"{part:.0f}" for part in measures["parts_ms"]) if measures else ""
    return f"Uneven: its parts last {parts} ms; the longest may be {limits.unevenness:g} times the shortest."


_FAULTS: Final = {
    "late": _late,
    "early": _early,
    "beat-on-second": _on_second,
    "run-together": _together,
    "missing-gracenote": _missing,
    "wrong-gracenote": _wrong,
    "heavy-gracenote": _heavy,
    "crossing-noise": _crossing,
    "uneven": _uneven,
}


def _start(note: str) -> str:
    return note[0].upper() + note[1:]


def _listed(items: list[str]) -> str:
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"


def summary_words(report: Report) -> str:
    """The take in one sentence: how many clean, and where they lie against the beat."""
    summary = report["summary"]
    words = f"{summary['clean']} of {summary['movements']} movements clean."
    middle, spread = summary["offset_median_ms"], summary["offset_spread_ms"]
    if middle is None or spread is None:
        return words
    side = "on" if abs(middle) < 5 else f"{abs(middle):.0f} ms {'after' if middle > 0 else 'before'}"
    beat = "the steady line" if report["beat"]["source"] == "fitted" else "the beat"
    return f"{words} Typically {side} {beat}, with a spread of {spread:.0f} ms."
