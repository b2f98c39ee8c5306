"""Movements, measures and flags in plain words, for the review page and its timeline."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from analysis.judgement import SURE, Tolerances
from analysis.report import BeatSource, DotCut, Flag, MovementReport, Pair, Report, ShortNote, SoundedNote

Verdict = Literal["clean", "fault", "unsure"]


@dataclass(frozen=True)
class Standard:
    """What a take's movements are read against: its beat, the studio's limits, and every sound of it in order."""

    source: BeatSource
    limits: Tolerances
    sounds: Sequence[SoundedNote] = ()


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
#: Times of one sound agree to this in all parts of a report; sounds further apart than that do not run into another.
_SAME_S: Final = 0.001
_APART_S: Final = 0.02
_TOP_NOTES: Final = ("high G", "high A")
#: Shares of what is not as written. Exercises heard as other ones mostly lie above these, learners' own takes of the
#: right one, many faults and all, well below: few of their notes are unwritten.
_MOST: Final = 0.5
_MANY: Final = 0.25
_SOME: Final = 0.08
_ASTRAY: Final[frozenset[Flag]] = frozenset({"missed", "missing-gracenote", "wrong-gracenote"})
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


def place_of(movement: MovementReport) -> tuple[float, float] | None:
    """Where it is heard, from and to, s; for one that was not played, the beat it belonged on; None where neither is
    known."""
    start, end = movement["start_s"], movement["end_s"]
    if start is not None:
        return start, start if end is None else end
    return None if movement["beat_s"] is None else (movement["beat_s"], movement["beat_s"])


def chart_word(movement: MovementReport) -> str:
    """What happened in a word or a few: ``clean``, ``not sure``, ``late, heavy``."""
    name = verdict(movement)
    return ", ".join(FLAG_WORDS[flag] for flag in movement["flags"]) if name == "fault" else VERDICT_WORDS[name]


def beat_words(source: BeatSource) -> str:
    """Which beat the offsets are measured against, and what that means."""
    return _BEAT_WORDS[source]


def sentences(movement: MovementReport, standard: Standard) -> list[str]:
    """What was measured of a movement, one sentence a fact, the faults with the limit they went beyond."""
    source = standard.source
    if verdict(movement) == "unsure":
        return ["Not sure: this was too hard to hear to judge it. Listen for yourself.", *_facts(movement, source)]
    if "missed" in movement["flags"]:
        return ["Not played: none of its gracenotes was heard."]
    faults = fault_sentences(movement, standard)
    facts = _facts(movement, source)
    if not movement["flags"]:
        return ["Clean.", *facts]
    return [*facts[:1], *faults, *facts[1:]]


def fault_sentences(movement: MovementReport, standard: Standard) -> list[str]:
    """One sentence or more for each flag of the movement, with what was measured and the limit it went beyond."""
    return [sentence for flag in movement["flags"] for sentence in _faults(flag, movement, standard)]


def _faults(flag: Flag, movement: MovementReport, standard: Standard) -> list[str]:
    if flag == "crossing-noise":
        return [_noise(noise, standard.sounds) for noise in movement["crossing_noises"]]
    return [_FAULTS[flag](movement, standard)] if flag in _FAULTS else []


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
    first = "The gracenote" if measures and len(measures["written"]) == 1 else "The first gracenote"
    subject = {
        "closes": f"{first} closes",
        "opens": f"{first} opens",
        "starts": "The movement starts",
        "d-gracenote": "The D gracenote starts",
        "theme": f"{movement['on']} starts",
    }["starts" if opens_itself else point]
    beat = "the steady line of this take" if source == "fitted" else "the beat"
    if abs(offset) < 1.0:
        return f"{subject} on {beat}."
    return f"{subject} {abs(offset):.0f} ms {'after' if offset > 0 else 'before'} {beat}."


def _allowed(movement: MovementReport, standard: Standard) -> float:
    measures = movement.get("measures")
    return standard.limits.offset_ms(measures["beat_length_ms"] if measures else None)


def _late(movement: MovementReport, standard: Standard) -> str:
    return _off("Late", "Behind", movement, standard)


def _early(movement: MovementReport, standard: Standard) -> str:
    return _off("Early", "Ahead", movement, standard)


def _off(against_beat: str, against_line: str, movement: MovementReport, standard: Standard) -> str:
    passes = f"up to {_allowed(movement, standard):.0f} ms passes at this tempo"
    if standard.source == "fitted":
        return f"{against_line}: {passes}. No click was heard, so this shows evenness, not lateness."
    return f"{against_beat}: {passes}."


def _on_second(movement: MovementReport, standard: Standard) -> str:
    return "The second gracenote stands on the beat, where the first belongs."


def _together(movement: MovementReport, standard: Standard) -> str:
    gap = movement["gap_ms"] or 0.0
    between = f"only {gap:.0f} ms of {movement['on']}" if gap >= 1.0 else f"no {movement['on']}"
    return f"The gracenotes run together: {between} between them, {standard.limits.gap_ms:.0f} ms are needed."


def _missing(movement: MovementReport, standard: Standard) -> str:
    measures = movement.get("measures")
    if not measures:
        return "A written gracenote does not sound."
    pairs = zip(measures["written"], measures["aligned"], strict=True)
    gone = _listed([note for note, sound in pairs if sound is None])
    return f"The {gone} gracenote does not sound."


def _wrong(movement: MovementReport, standard: Standard) -> str:
    measures = movement.get("measures")
    if measures:
        for note, sound in zip(measures["written"], measures["aligned"], strict=True):
            if sound is not None and sound["note"] != note:
                return f"{_start(sound['note'])} sounds where the {note} gracenote is written."
    return "Another note sounds in a gracenote's place."


def _heavy(movement: MovementReport, standard: Standard) -> str:
    long = [note for note in movement["gracenotes"] if note["length_ms"] > standard.limits.gracenote_ms]
    which = _listed([f"the {note['note']} gracenote is {note['length_ms']:.0f} ms long" for note in long])
    return f"Heavy: {which or 'a gracenote is too long'}, up to {standard.limits.gracenote_ms:.0f} ms passes."


def _noise(noise: ShortNote, sounds: Sequence[SoundedNote]) -> str:
    return (
        f"Crossing noise: {noise['note']} sounds for {noise['length_ms']:.0f} ms{_between(noise, sounds)}, "
        "which is not written."
    )


def _between(noise: ShortNote, sounds: Sequence[SoundedNote]) -> str:
    """The two sounds that `noise` stands between, where they run into it: fingers that crossed are found by them."""
    at = bisect_left(sounds, noise["start_s"] - _SAME_S, key=lambda sound: sound["start_s"])
    if not 0 < at < len(sounds) - 1 or sounds[at]["start_s"] > noise["start_s"] + _SAME_S:
        return ""
    before, own, after = sounds[at - 1 : at + 2]
    touching = own["start_s"] - before["end_s"] < _APART_S and after["start_s"] - own["end_s"] < _APART_S
    return f" between {before['note']} and {after['note']}" if touching else ""


def _uneven(movement: MovementReport, standard: Standard) -> str:
    measures = movement.get("measures")
    parts = ", ".join(f"{part:.0f}" for part in measures["parts_ms"]) if measures else ""
    return f"Uneven: its parts last {parts} ms; the longest may be {standard.limits.unevenness:g} times the shortest."


_FAULTS: Final = {
    "late": _late,
    "early": _early,
    "beat-on-second": _on_second,
    "run-together": _together,
    "missing-gracenote": _missing,
    "wrong-gracenote": _wrong,
    "heavy-gracenote": _heavy,
    "uneven": _uneven,
}


def _start(note: str) -> str:
    return note[0].upper() + note[1:]


def _listed(items: list[str]) -> str:
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"


def _doubt(report: Report) -> str:
    """A question where so much was played that is not written, or so little that is, that it may be something else."""
    movements = report["movements"]
    if not movements or all(movement["bar"] is None for movement in movements):  # free playing: nothing is written
        return ""
    roles = [note["role"] for note in report["notes"]]
    unwritten = roles.count("unwritten") / max(1, roles.count("unwritten") + roles.count("theme"))
    astray = sum(not _ASTRAY.isdisjoint(movement["flags"]) for movement in movements) / len(movements)
    if unwritten >= _MOST:
        return "Most notes are not those written: is this the right exercise?"
    if unwritten >= _MANY or (unwritten >= _SOME and astray >= _MOST):
        return "Many notes are not those written: is this the right exercise?"
    return ""


def summary_words(report: Report) -> str:
    """The take in one sentence or two: how many clean, and where they lie against the beat; or that it is hardly what
    is written, and then nothing of the beat."""
    summary = report["summary"]
    noun = "movement" if summary["movements"] == 1 else "movements"
    counted = f"{summary['clean']} of {summary['movements']} {noun} clean."
    words = counted if summary["movements"] else "No movements were heard."
    doubt = _doubt(report)
    if doubt:
        return f"{words} {doubt}"
    middle, spread = summary["offset_median_ms"], summary["offset_spread_ms"]
    if middle is None or spread is None or summary["movements"] < 2:  # one alone is typical of nothing
        return words
    side = "on" if abs(middle) < 5 else f"{abs(middle):.0f} ms {'after' if middle > 0 else 'before'}"
    beat = "the steady line" if report["beat"]["source"] == "fitted" else "the beat"
    return f"{words} Typically {side} {beat}, with a spread of {spread:.0f} ms."


def pair_words(pair: Pair) -> str:
    """How a doubling's first gracenote differs from the single one, such as ``5 ms longer, 12 ms later``.

    Reckoned from whole milliseconds, so that it agrees with the lengths beside it.
    """
    words = [_apart(pair["single_length_ms"], pair["doubling_length_ms"], "longer", "shorter", "as long")]
    single, doubling = pair["single_offset_ms"], pair["doubling_offset_ms"]
    if single is not None and doubling is not None:
        words.append(_apart(single, doubling, "later", "sooner", "at the same place"))
    return ", ".join(words)


def _apart(single_ms: float, doubling_ms: float, more: str, less: str, same: str) -> str:
    difference = round(doubling_ms) - round(single_ms)
    # A number is never parted from its unit: on a phone these words wrap.
    return same if difference == 0 else f"{abs(difference)}\N{NO-BREAK SPACE}ms {more if difference > 0 else less}"


def cut_words(cut: DotCut) -> str:
    """A cut note's length, such as ``21 % (237 ms)``: its share of the beat where that is known."""
    length = f"{cut['length_ms']:.0f} ms"
    return length if cut["share"] is None else f"{100.0 * cut['share']:.0f} % ({length})"


def written_cut_words(cuts: Sequence[DotCut]) -> str:
    """What is written for them, such as ``25 %``; empty in free playing."""
    shares = sorted({cut["written_share"] for cut in cuts if cut["written_share"] is not None})
    return " or ".join(f"{100.0 * share:.0f} %" for share in shares)
