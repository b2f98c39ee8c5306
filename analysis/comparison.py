"""What is read across a take's movements and notes once each is measured: pure, from the report alone.

The same learner's single gracenote is the best reference for a doubling's first one: each doubling is put beside the
nearest single gracenote on the same note from the same approach. Beside these pairs stand the short notes of dot-cut
figures, how steadily the notes are blown, and their tuning against both published tables.

Nothing here depends on tolerances, so re-judging never comes here. Reports stored before these keys were added are
completed when they are read (:func:`of`); without their score short notes are then known by their length alone.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from statistics import median
from typing import Final

from analysis.chanter import LABELS, Note, Tuning, cents, table_cents
from analysis.judgement import SURE
from analysis.report import (
    Comparison,
    DotCut,
    DotCutSummary,
    Instrument,
    MovementReport,
    NoteTuning,
    Pair,
    Report,
    ShortNote,
    SoundedNote,
    Steadiness,
)
from analysis.score import Score

#: A cut note is written shorter than this share of the beat, and its dotted note at least so many times as long.
_CUT_BELOW: Final = Fraction(1, 2)
_CUT_RATIO: Final = 2
#: The same for what is only heard: the movement after it has taken its own time from either.
_HEARD_BELOW: Final = 0.4
_HEARD_RATIO: Final = 1.8
#: Noises between a note and the movement after it last no longer than this, in seconds.
_APART_S: Final = 0.15
#: Times of one sound agree to this in all parts of a report, in seconds.
_SAME_S: Final = 0.0006
#: A note's wobble stands for itself from so many seconds of it; what was held for less is mostly attack.
_LONG_S: Final = 0.5


def completed(report: Report, score: Score | None = None, *, tuning: Tuning | None = None) -> Report:
    """A copy of `report` with its comparison, both tunings and steadiness. `tuning`: the table its cents are from,
    None where that is not known."""
    result = report.copy()
    result["instrument"] = _instrument(report, tuning)
    result["comparison"] = compare(report, score)
    return result


def of(report: Report) -> Comparison:
    """The report's comparison, made now where it was stored without one."""
    return report.get("comparison") or compare(report)


def instrument_of(report: Report) -> Instrument:
    """The report's instrument with both tunings and steadiness, worked out now where it was stored without them."""
    return report["instrument"] if "steadiness" in report["instrument"] else _instrument(report, None)


def compare(report: Report, score: Score | None = None) -> Comparison:
    """Pairs and cut notes of a measured take; `score` tells which notes are written short."""
    cuts = dot_cuts(report, score)
    approaches = {cut["note"] for cut in cuts}
    return {
        "pairs": pairs(report["movements"]),
        "dot_cuts": cuts,
        "dot_cuts_by_approach": {
            note: _summary([cut for cut in cuts if cut["note"] == note]) for note in LABELS if note in approaches
        },
    }


# Pairs


@dataclass(frozen=True)
class _First:
    """A movement's first gracenote as it sounded: its length and, against the beat, its opening and close in ms."""

    movement: MovementReport
    written: str
    start_s: float
    length_ms: float

    def offset_ms(self, point: str) -> float | None:
        """Where it opens or closes against its movement's beat, positive late; None where no beat is known."""
        beat_s = self.movement["beat_s"]
        if beat_s is None:
            return None
        return 1000.0 * (self.start_s - beat_s) + (self.length_ms if point == "closes" else 0.0)


def pairs(movements: Iterable[MovementReport]) -> list[Pair]:
    """Each doubling with the single gracenote nearest in time that has the same gracenote, note and approach.

    Only movements that were surely heard, with that gracenote sounding as written. Half doublings, and those that open
    with their theme note, have no such gracenote.
    """
    singles: dict[tuple[str, str | None, str], list[_First]] = {}
    doublings: list[_First] = []
    for movement in movements:
        first = _first_gracenote(movement)
        if first is None:
            continue
        if movement["kind"] == "gracenote":
            singles.setdefault(_likeness(first), []).append(first)
        else:
            doublings.append(first)
    found = []
    for doubling in doublings:
        alike = singles.get(_likeness(doubling), [])
        if alike:
            found.append(_pair(_nearest(alike, doubling.start_s), doubling))
    return found


def _nearest(firsts: Sequence[_First], time_s: float) -> _First:
    """The one of `firsts`, which are in the order played, that starts nearest `time_s`."""
    after = bisect_right(firsts, time_s, key=lambda first: first.start_s)
    return min(firsts[max(0, after - 1) : after + 1], key=lambda first: abs(first.start_s - time_s))


def _likeness(first: _First) -> tuple[str, str | None, str]:
    return first.movement["on"], first.movement["from"], first.written


def _first_gracenote(movement: MovementReport) -> _First | None:
    """The first gracenote of a single gracenote or a doubling, where it sounds as written before anything else."""
    measures = movement.get("measures")
    if movement["kind"] not in ("gracenote", "doubling") or movement["form"] == "half" or movement["from"] is None:
        return None
    if measures is None or not measures["aligned"] or movement["confidence"] < SURE:
        return None
    sound: ShortNote | None = measures["aligned"][0]
    if sound is None or sound["note"] != measures["written"][0]:
        return None
    return _First(movement, sound["note"], sound["start_s"], sound["length_ms"])


def _pair(single: _First, doubling: _First) -> Pair:
    measures = doubling.movement.get("measures")
    point = measures["beat_point"] if measures is not None else "closes"
    single_ms, doubling_ms = single.offset_ms(point), doubling.offset_ms(point)
    apart = None if single_ms is None or doubling_ms is None else doubling_ms - single_ms
    return {
        "on": doubling.movement["on"],
        "from": doubling.movement["from"] or "",
        "gracenote": doubling.written,
        "single": single.movement["index"],
        "doubling": doubling.movement["index"],
        "single_length_ms": single.length_ms,
        "doubling_length_ms": doubling.length_ms,
        "length_difference_ms": _rounded(doubling.length_ms - single.length_ms),
        "single_offset_ms": None if single_ms is None else _rounded(single_ms),
        "doubling_offset_ms": None if doubling_ms is None else _rounded(doubling_ms),
        "offset_difference_ms": None if apart is None else _rounded(apart),
    }


def _rounded(value: float, digits: int = 1) -> float:
    return round(value, digits) + 0.0  # never "-0.0"


# Cut notes


@dataclass(frozen=True)
class _Held:
    """A theme note as it sounded, with noises inside it, in seconds."""

    note: str
    start_s: float
    end_s: float

    @property
    def length_s(self) -> float:
        return self.end_s - self.start_s


def dot_cuts(report: Report, score: Score | None = None) -> list[DotCut]:
    """The short note of each dot-cut figure that a movement follows, in the order played.

    Its length runs from its own start to the movement's first sound, or to the noise before that.
    """
    held = _held(report["notes"])
    starts = [theme.start_s for theme in held]
    found = []
    for movement in report["movements"]:
        measures = movement.get("measures")
        start_s = movement["start_s"]
        if measures is None or start_s is None or not measures["played"]:
            continue
        place = bisect_right(starts, start_s - _SAME_S) - 1
        if place < 1 or held[place].note != movement["from"] or start_s - held[place].end_s > _APART_S:
            continue
        share = _share(held[place], measures["beat_length_ms"])
        written = _written_share(movement, score)
        if written is not None or (score is None and _sounds_cut(held[place - 1], held[place], share)):
            found.append(_dot_cut(movement, held[place], share, written))
    return found


def _dot_cut(movement: MovementReport, held: _Held, share: float | None, written: Fraction | None) -> DotCut:
    return {
        "movement": movement["index"],
        "note": held.note,
        "start_s": held.start_s,
        "length_ms": _rounded(1000.0 * held.length_s),
        "share": share,
        "written_share": None if written is None else round(float(written), 4),
    }


def _held(notes: Sequence[SoundedNote]) -> list[_Held]:
    """The theme notes in order, one that goes on after a noise taken as a whole."""
    result: list[_Held] = []
    interrupted = True  # by something other than a noise
    for sound in notes:
        if sound["role"] != "theme":
            interrupted = interrupted or sound["role"] == "gracenote"
            continue
        before = result[-1] if result else None
        goes_on = before is not None and not interrupted and before.note == sound["note"]
        if before is not None and goes_on and sound["start_s"] - before.end_s < _APART_S:
            result[-1] = _Held(before.note, before.start_s, sound["end_s"])
        else:
            result.append(_Held(sound["note"], sound["start_s"], sound["end_s"]))
        interrupted = False
    return result


def _share(held: _Held, beat_ms: float | None) -> float | None:
    return None if beat_ms is None else round(1000.0 * held.length_s / beat_ms, 3)


def _written_share(movement: MovementReport, score: Score | None) -> Fraction | None:
    """The written length, as a share of the beat, of the cut note before `movement`; None where there is none."""
    index = movement.get("written_index")
    if score is None or index is None or index >= len(score.movements):
        return None
    number = score.movements[index].first - 1
    if number < 1:
        return None
    dotted, cut = score.themes[number - 1], score.themes[number]
    adjoining = dotted.onset + dotted.duration == cut.onset
    apart = dotted.note != cut.note or bool(cut.gracenotes)
    if not adjoining or not apart or cut.duration >= _CUT_BELOW or dotted.duration < _CUT_RATIO * cut.duration:
        return None
    return cut.duration


def _sounds_cut(before: _Held, held: _Held, share: float | None) -> bool:
    return share is not None and share < _HEARD_BELOW and before.length_s >= _HEARD_RATIO * held.length_s


def _summary(cuts: Sequence[DotCut]) -> DotCutSummary:
    shares = [cut["share"] for cut in cuts if cut["share"] is not None]
    return {
        "notes": len(cuts),
        "length_median_ms": _rounded(median(cut["length_ms"] for cut in cuts)),
        "share_median": round(median(shares), 3) if shares else None,
    }


# Tuning and blowing


def _instrument(report: Report, tuning: Tuning | None) -> Instrument:
    instrument = report["instrument"].copy()
    low_a_hz = instrument["low_a_hz"]
    instrument["notes"] = {
        label: _both_tunings(Note.from_label(label), entry, low_a_hz, tuning)
        for label, entry in instrument["notes"].items()
    }
    instrument["steadiness"] = steadiness(instrument["notes"], report["notes"])
    return instrument


def _both_tunings(note: Note, entry: NoteTuning, low_a_hz: float, tuning: Tuning | None) -> NoteTuning:
    """`entry` with its cents from each table, to agree to the last digit with the cents it has from one of them."""
    above_a = cents(entry["hz"], low_a_hz) if tuning is None else entry["cents"] + table_cents(tuning=tuning)[note]
    result = entry.copy()
    result["older_cents"] = _rounded(above_a - table_cents(tuning="older")[note])
    result["harmonic_cents"] = _rounded(above_a - table_cents(tuning="harmonic")[note])
    return result


def steadiness(notes: Mapping[str, NoteTuning], sounded: Iterable[SoundedNote]) -> Steadiness | None:
    """The mean wobble of the held notes in cents, each weighing as long as it sounded, and the note that wavers most.

    Notes that never were long count only where no other was measured; None where none was.
    """
    lengths_s = dict.fromkeys(notes, 0.0)
    for sound in sounded:
        if sound["note"] in lengths_s and sound["role"] in ("theme", "unwritten"):
            lengths_s[sound["note"]] += sound["end_s"] - sound["start_s"]
    wobbles = {note: entry["wobble_cents"] for note, entry in notes.items() if entry["wobble_cents"] is not None}
    long = {note: wobble for note, wobble in wobbles.items() if lengths_s[note] >= _LONG_S} or wobbles
    if not long:
        return None
    weights = {note: max(lengths_s[note], 0.01) for note in long}
    worst = max(long, key=lambda note: long[note])
    mean = sum(long[note] * weights[note] for note in long) / sum(weights.values())
    return {"wobble_cents": _rounded(mean), "worst": worst, "worst_cents": long[worst]}
