"""A report as a table that a piper can read."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from statistics import median
from typing import Final

from analysis import comparison
from analysis.chanter import LABELS
from analysis.judgement import SURE
from analysis.report import Beat, BeatSource, DotCut, Flag, MovementReport, NoteTuning, Pair, Report, ShortNote

BEAT_WORDS: Final[dict[BeatSource, str]] = {
    "click": "clicks heard in the take; late and early are against them",
    "tap": "taps heard in the take; late and early are against a steady line through them",
    "count-in": "a count-in before the playing, carried on at its tempo; late and early are against that",
    "fitted": "no beat was heard; a smooth line is fitted to the notes, which shows evenness, not lateness as such",
}
FAULT_WORDS: Final[dict[Flag, str]] = {
    "late": "late",
    "early": "early",
    "beat-on-second": "beat on the second gracenote",
    "run-together": "run together",
    "missing-gracenote": "gracenote missing",
    "wrong-gracenote": "another note for a gracenote",
    "heavy-gracenote": "heavy gracenote",
    "crossing-noise": "crossing noise",
    "uneven": "uneven",
    "missed": "not played",
}


def table(report: Report) -> str:
    """The report as plain text: what was heard, one line a movement, the counts by the note approached from, and what
    is compared across the take."""
    parts = [_head(report), _movements(report["movements"])]
    if report["movements"]:
        parts.append(_by_approach(report))
    compared = comparison.of(report)
    if compared["pairs"]:
        parts.append(_pairs(compared["pairs"]))
    lines = [_cut_notes(compared["dot_cuts"]), *_instrument(report)]
    parts.append("\n".join(line for line in lines if line))
    return "\n\n".join(part for part in parts if part) + "\n"


def _head(report: Report) -> str:
    instrument, beat, summary = report["instrument"], report["beat"], report["summary"]
    lines = [
        f"{instrument['kind']}, low A at {instrument['low_a_hz']:.1f} Hz; "
        f"{report['recording']['duration_s']:.1f} s, {len(report['notes'])} sounds",
        f"Beat: {BEAT_WORDS[beat['source']]}.{_tempo(beat)}",
        f"Clean: {summary['clean']} of {summary['movements']} movements.{_offsets(report)}",
    ]
    return "\n".join(lines)


def _tempo(beat: Beat) -> str:
    if beat["tempo_bpm"] is None:
        return ""
    drift = beat["drift_bpm_per_min"] or 0.0
    steady = "" if abs(drift) < 0.5 else f", {'quickening' if drift > 0 else 'slowing'} by {abs(drift):.1f} a minute"
    return f" Tempo {beat['tempo_bpm']:.1f}{steady}."


def _offsets(report: Report) -> str:
    middle, spread = report["summary"]["offset_median_ms"], report["summary"]["offset_spread_ms"]
    if middle is None or spread is None:
        return ""
    return f" In the middle {_signed(middle)} ms from the beat (+ is after it), spread {spread:.0f} ms."


def _signed(value: float) -> str:
    return f"{round(value):+d}" if round(value) else "0"


def _movements(movements: Iterable[MovementReport]) -> str:
    rows: list[tuple[str, ...]] = [("time", "bar", "beat", "movement", "from", "to beat", "verdict")]
    for movement in movements:
        rows.append(
            (
                "" if movement["start_s"] is None else f"{movement['start_s']:.2f} s",
                "" if movement["bar"] is None else str(movement["bar"]),
                "" if movement["beat"] is None else f"{movement['beat']:g}",
                name(movement),
                movement["from"] or "",
                "" if movement["beat_offset_ms"] is None else f"{_signed(movement['beat_offset_ms'])} ms",
                verdict(movement),
            )
        )
    if len(rows) == 1:
        return "No movements: only theme notes were heard."
    return _columns(_filled(rows))


def _filled(rows: list[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """`rows` without the columns that are empty under their heading, such as the bar in free playing."""
    kept = [column for column in range(len(rows[0])) if any(row[column] for row in rows[1:])]
    return [tuple(row[column] for column in kept) for row in rows]


def _columns(rows: list[tuple[str, ...]]) -> str:
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    )


def name(movement: MovementReport) -> str:
    """The movement's name, such as ``thumb doubling on E``."""
    form = movement["form"]
    kind: str = movement["kind"]
    if kind == "unknown":
        heard = ", ".join(note["note"] for note in movement["gracenotes"])
        return f"not in the list ({heard}) on {movement['on']}"
    if kind == "throw on D":
        return f"{form} {kind}".strip()
    if form == "with-gracenote":
        return f"{kind} with gracenote on {movement['on']}"
    shown = "" if form in ("", "full") else f"{form} "
    return f"{shown}{kind} on {movement['on']}"


def verdict(movement: MovementReport) -> str:
    """``clean``, ``not sure``, or the faults in words."""
    if movement["confidence"] < SURE:
        return "not sure"
    return "; ".join(_fault(flag, movement) for flag in movement["flags"]) or "clean"


def _fault(flag: Flag, movement: MovementReport) -> str:
    return _FAULTS[flag](movement)


def _offset_ms(movement: MovementReport) -> str:
    return f"{abs(movement['beat_offset_ms'] or 0.0):.0f} ms"


def _uneven(movement: MovementReport) -> str:
    measures = movement.get("measures")
    return "uneven parts" + (f" ({_lengths(measures['parts_ms'])})" if measures else "")


def _longest(notes: list[ShortNote]) -> str:
    longest = max(notes, key=lambda note: note["length_ms"])
    return f"{longest['note']} {longest['length_ms']:.0f} ms"


def _all(notes: list[ShortNote]) -> str:
    return ", ".join(f"{note['note']} {note['length_ms']:.0f} ms" for note in notes)


def _lengths(parts_ms: list[float]) -> str:
    return ", ".join(f"{part:.0f}" for part in parts_ms) + " ms"


#: Each fault in words, with what was measured. Each looks only at what its own fault needs: a movement that was not
#: played has no gracenote that could be the longest.
_FAULTS: Final[Mapping[Flag, Callable[[MovementReport], str]]] = {
    "late": lambda movement: f"late by {_offset_ms(movement)}",
    "early": lambda movement: f"early by {_offset_ms(movement)}",
    "beat-on-second": lambda movement: "the second gracenote stands on the beat",
    "run-together": lambda movement: f"gracenotes run together ({movement['gap_ms'] or 0:.0f} ms between them)",
    "missing-gracenote": lambda movement: "a gracenote does not sound",
    "wrong-gracenote": lambda movement: "another note sounds for a gracenote",
    "heavy-gracenote": lambda movement: f"heavy gracenote ({_longest(movement['gracenotes'])})",
    "crossing-noise": lambda movement: f"crossing noise ({_all(movement['crossing_noises'])})",
    "uneven": _uneven,
    "missed": lambda movement: "not played",
}


def _by_approach(report: Report) -> str:
    entries = report["summary"]["by_approach"]
    rows: list[tuple[str, ...]] = [("from", "clean", "to beat", "spread", "faults")]
    for note in (*LABELS, "start"):
        if note in entries:
            entry = entries[note]
            faults = ", ".join(
                f"{words} {entry['flags'][flag]}" for flag, words in FAULT_WORDS.items() if flag in entry["flags"]
            )
            middle, spread = entry.get("offset_median_ms"), entry.get("offset_spread_ms")
            to_beat = "" if middle is None else f"{_signed(middle)} ms"
            several = "" if spread is None or entry["movements"] < 2 else f"{spread:.0f} ms"
            rows.append((note, f"{entry['clean']} of {entry['movements']}", to_beat, several, faults))
    return _columns(rows)


def _pairs(pairs: list[Pair]) -> str:
    """The pairs in a line, then each in its own."""
    longer = median(pair["length_difference_ms"] for pair in pairs)
    offsets = [pair["offset_difference_ms"] for pair in pairs if pair["offset_difference_ms"] is not None]
    which = "one doubling" if len(pairs) == 1 else f"{len(pairs)} doublings, in the middle"
    head = f"Beside the single gracenote on the same note, the first of {which}: {_longer(longer)}"
    if offsets:
        head += f", {_later(median(offsets))}"
    rows: list[tuple[str, ...]] = [("on", "from", "single, to beat", "doubling, to beat", "the doubling's is")]
    for pair in pairs:
        # Of the numbers as printed, so that the line agrees with itself.
        apart = [_longer(round(pair["doubling_length_ms"]) - round(pair["single_length_ms"]))]
        if pair["single_offset_ms"] is not None and pair["doubling_offset_ms"] is not None:
            apart.append(_later(round(pair["doubling_offset_ms"]) - round(pair["single_offset_ms"])))
        single = _gracenote(pair["single_length_ms"], pair["single_offset_ms"])
        doubling = _gracenote(pair["doubling_length_ms"], pair["doubling_offset_ms"])
        rows.append((pair["on"], pair["from"], single, doubling, ", ".join(apart)))
    return f"{head}.\n{_columns(rows)}"


def _gracenote(length_ms: float, offset_ms: float | None) -> str:
    return f"{length_ms:.0f} ms" + ("" if offset_ms is None else f", {_signed(offset_ms)} ms")


def _longer(difference_ms: float) -> str:
    return _apart(difference_ms, "longer", "shorter", "as long")


def _later(difference_ms: float) -> str:
    return _apart(difference_ms, "later", "sooner", "at the same place")


def _apart(difference_ms: float, more: str, less: str, same: str) -> str:
    whole = round(abs(difference_ms))
    return same if whole == 0 else f"{whole} ms {more if difference_ms > 0 else less}"


def _cut_notes(cuts: list[DotCut]) -> str:
    """Cut notes by the note they are, in a line: each one's share of the beat, and what is written."""
    shown = [cut for cut in cuts if cut["share"] is not None]
    if not shown:
        return ""
    by_note: dict[str, list[str]] = {}
    for cut in sorted(shown, key=lambda cut: LABELS.index(cut["note"])):
        by_note.setdefault(cut["note"], []).append(f"{cut['share']:.2f}")
    notes = "; ".join(f"{note} {', '.join(shares)}" for note, shares in by_note.items())
    written = sorted({cut["written_share"] for cut in shown if cut["written_share"] is not None})
    as_written = f" (written {' or '.join(f'{share:.2g}' for share in written)})" if written else ""
    return f"Cut notes before a movement, as a share of the beat{as_written}: {notes}."


def _instrument(report: Report) -> list[str]:
    """Tuning and steadiness, in a line each."""
    instrument = comparison.instrument_of(report)
    notes = [(label, instrument["notes"][label]) for label in LABELS if label in instrument["notes"]]
    lines = []
    if notes:
        places = ", ".join(f"{label} {_cents(entry)}" for label, entry in notes)
        lines.append(f"Tuning in cents from the harmonic table (from the older, where it differs): {places}.")
    steady = instrument.get("steadiness")
    if steady is not None:
        lines.append(
            f"Blowing: held notes waver by {steady['wobble_cents']:.0f} cents, "
            f"most on {steady['worst']}, by {steady['worst_cents']:.0f}."
        )
    return lines


def _cents(entry: NoteTuning) -> str:
    harmonic, older = entry.get("harmonic_cents", entry["cents"]), entry.get("older_cents", entry["cents"])
    return _signed(harmonic) if harmonic == older else f"{_signed(harmonic)} ({_signed(older)})"
