"""A report as a table that a piper can read."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from analysis.chanter import LABELS
from analysis.judgement import SURE
from analysis.report import Beat, BeatSource, Flag, MovementReport, Report, ShortNote

BEAT_WORDS: Final[dict[BeatSource, str]] = {
    "click": "clicks heard in the take; late and early are against them",
    "tap": "taps heard in the take; late and early are against a steady line through them",
    "count-in": "a count-in before the playing, carried on at its tempo; late and early are against that",
    "fitted": "no beat was heard; a smooth line is fitted to the notes, which shows evenness, not lateness as such",
}


def table(report: Report) -> str:
    """The report as plain text: what was heard, one line a movement, the counts by the note approached from."""
    parts = [_head(report), _movements(report["movements"])]
    if report["movements"]:
        parts.append(_by_approach(report))
    return "\n\n".join(parts) + "\n"


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
    return f" In the middle {_signed(middle)} ms from the beat, spread {spread:.0f} ms."


def _signed(value: float) -> str:
    return f"{value:+.0f}"


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
    return _columns(rows)


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
    offset = movement["beat_offset_ms"] or 0.0
    measures = movement.get("measures")
    words: dict[Flag, str] = {
        "late": f"late by {abs(offset):.0f} ms",
        "early": f"early by {abs(offset):.0f} ms",
        "beat-on-second": "the second gracenote stands on the beat",
        "run-together": f"gracenotes run together ({movement['gap_ms'] or 0:.0f} ms between them)",
        "missing-gracenote": "a gracenote does not sound",
        "wrong-gracenote": "another note sounds for a gracenote",
        "heavy-gracenote": f"heavy gracenote ({_longest(movement['gracenotes'])})",
        "crossing-noise": f"crossing noise ({_all(movement['crossing_noises'])})",
        "uneven": "uneven parts" + (f" ({_lengths(measures['parts_ms'])})" if measures else ""),
        "missed": "not played",
    }
    return words[flag]


def _longest(notes: list[ShortNote]) -> str:
    longest = max(notes, key=lambda note: note["length_ms"])
    return f"{longest['note']} {longest['length_ms']:.0f} ms"


def _all(notes: list[ShortNote]) -> str:
    return ", ".join(f"{note['note']} {note['length_ms']:.0f} ms" for note in notes)


def _lengths(parts_ms: list[float]) -> str:
    return ", ".join(f"{part:.0f}" for part in parts_ms) + " ms"


def _by_approach(report: Report) -> str:
    entries = report["summary"]["by_approach"]
    rows: list[tuple[str, ...]] = [("from", "clean", "faults")]
    for note in (*LABELS, "start"):
        if note in entries:
            entry = entries[note]
            faults = ", ".join(f"{flag} {count}" for flag, count in sorted(entry["flags"].items()))
            rows.append((note, f"{entry['clean']} of {entry['movements']}", faults))
    return _columns(rows)
