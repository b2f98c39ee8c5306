"""A score as MEI (Music Encoding Initiative, version 5): gracenotes small with stems up, theme notes with stems down.

Ids: theme note number 7 is ``{prefix}n7``, its second gracenote ``{prefix}n7g1``, bar 3 ``{prefix}b3``. No key
signature is written, as in pipe music; C and F carry their sounding sharp (``accid.ges``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise
from typing import Final
from xml.etree import ElementTree as ET

from analysis.chanter import Note
from analysis.score import Score, ThemeNote

MEI_NAMESPACE: Final = "http://www.music-encoding.org/ns/mei"
XML_ID: Final = "{http://www.w3.org/XML/1998/namespace}id"

_PITCH: Final = tuple(zip("gabcdefga", "444555555", strict=True))
_SHARP: Final = frozenset({Note.C, Note.F})
#: Written lengths as shares of a whole note, longest first: MEI's name and the dots.
_LENGTHS: Final[tuple[tuple[Fraction, str, int], ...]] = tuple(
    sorted(
        (
            (Fraction(2**dots * 2 - 1, 2**dots) / denominator, str(denominator), dots)
            for denominator in (1, 2, 4, 8, 16, 32, 64, 128)
            for dots in (0, 1, 2)
        ),
        reverse=True,
    )
)
_TUPLETS: Final[dict[int, int]] = {3: 2, 5: 4, 7: 4}


@dataclass(frozen=True)
class _Piece:
    """One written symbol: a theme note or a later part of it tied on (`part` > 0), or a rest where `theme` is None."""

    onset: Fraction  # in beats from the bar's start
    length: Fraction  # in whole notes, as it lasts
    theme: int | None = None
    part: int = 0


@dataclass
class _Bar:
    number: int
    themes: list[tuple[int, ThemeNote]] = field(default_factory=list)


def mei(score: Score, *, bars_a_line: int = 4, prefix: str = "") -> str:
    """`score` as an MEI document with at most `bars_a_line` bars, and a pickup, to a line."""
    root = ET.Element("mei", {"xmlns": MEI_NAMESPACE, "meiversion": "5.1"})
    description = ET.SubElement(ET.SubElement(root, "meiHead"), "fileDesc")
    ET.SubElement(ET.SubElement(description, "titleStmt"), "title").text = score.title
    ET.SubElement(description, "pubStmt")
    body = ET.SubElement(ET.SubElement(ET.SubElement(root, "music"), "body"), "mdiv")
    written = ET.SubElement(body, "score")
    staves = ET.SubElement(ET.SubElement(written, "scoreDef"), "staffGrp")
    staff = ET.SubElement(staves, "staffDef", {"n": "1", "lines": "5"})
    ET.SubElement(staff, "clef", {"shape": "G", "line": "2"})
    ET.SubElement(staff, "meterSig", {"count": str(score.meter[0]), "unit": str(score.meter[1])})
    section = ET.SubElement(written, "section")
    bars = bars_of(score)
    starts = {line[0].number for line in lines_of(score, bars_a_line)[1:]}
    for place, bar in enumerate(bars):
        if bar.number in starts:
            ET.SubElement(section, "sb")
        _measure(section, score, bar, _end(score, bars, place), prefix, last=place == len(bars) - 1)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode")


def bars_of(score: Score) -> list[_Bar]:
    """Every bar from the first to the last with its theme notes; bars of rest have none."""
    if not score.themes:
        return []
    bars = {number: _Bar(number) for number in range(min(1, score.themes[0].bar), score.themes[-1].bar + 1)}
    for number, theme in enumerate(score.themes):
        bars[theme.bar].themes.append((number, theme))
    return list(bars.values())


def lines_of(score: Score, bars_a_line: int) -> list[list[_Bar]]:
    """The bars line by line: lines as even as they can be, a pickup with the first."""
    bars = bars_of(score)
    pickup = 1 if bars and bars[0].number == 0 else 0
    count = len(bars) - pickup
    lines = max(1, -(-count // bars_a_line))
    cuts = [0] + [pickup + round(count * line / lines) for line in range(1, lines)] + [len(bars)]
    return [bars[start:stop] for start, stop in pairwise(cuts)]


def _end(score: Score, bars: Sequence[_Bar], place: int) -> Fraction | None:
    """Where the bar ends, in beats from its start, or None for a bar of rest."""
    if not bars[place].themes:
        return None
    _, last = bars[place].themes[-1]
    end = last.beat - 1 + last.duration
    for bar in bars[place + 1 : place + 2]:
        if bar.themes:
            _, first = bar.themes[0]
            return max(end, first.onset - (first.beat - 1) - (last.onset - (last.beat - 1)))
        return max(end, Fraction(*score.meter) / score.beat_unit)
    return end


def _measure(section: ET.Element, score: Score, bar: _Bar, end: Fraction | None, prefix: str, *, last: bool) -> None:
    measure = ET.SubElement(section, "measure", {XML_ID: f"{prefix}b{bar.number}", "n": str(bar.number)})
    if last:
        measure.set("right", "end")
    if bar.number == 0:
        measure.set("metcon", "false")
    layer = ET.SubElement(ET.SubElement(measure, "staff", {"n": "1"}), "layer", {"n": "1"})
    if end is None:
        ET.SubElement(layer, "mRest")
        return
    pieces = _pieces(score, bar, end)
    place = 0
    while place < len(pieces):
        group = pieces[place : place + _group_size(pieces, place)]
        parent = _container(layer, group)
        for piece in group:
            _symbol(parent, score, piece, prefix)
        _beam(measure, group, prefix)
        place += len(group)
    _ties(measure, score, pieces, prefix)


def _pieces(score: Score, bar: _Bar, end: Fraction) -> list[_Piece]:
    """The bar's symbols in order: rests where nothing sounds, long or odd lengths as tied parts."""
    pieces: list[_Piece] = []
    cursor = bar.themes[0][1].beat - 1 if bar.number == 0 else Fraction(0)
    for number, theme in bar.themes:
        onset = theme.beat - 1
        if onset > cursor:
            pieces += _parts(cursor, (onset - cursor) * score.beat_unit, score.beat_unit, None)
        pieces += _parts(onset, theme.duration * score.beat_unit, score.beat_unit, number)
        cursor = onset + theme.duration
    if end > cursor:
        pieces += _parts(cursor, (end - cursor) * score.beat_unit, score.beat_unit, None)
    return pieces


def _parts(onset: Fraction, length: Fraction, beat_unit: Fraction, theme: int | None) -> list[_Piece]:
    factor = _tuplet_factor(length)
    parts: list[_Piece] = []
    left = length
    while left > 0:
        longest = next((value for value, _, _ in _LENGTHS if value * factor <= left), None)
        if longest is None:  # finer than anything that is written
            break
        parts.append(_Piece(onset, longest * factor, theme, len(parts)))
        onset, left = onset + longest * factor / beat_unit, left - longest * factor
    return parts


def _tuplet_factor(length: Fraction) -> Fraction:
    """What a written length is multiplied by to last `length`: 2/3 in a triplet, 1 outside tuplets."""
    odd = length.denominator
    while odd % 2 == 0:
        odd //= 2
    return Fraction(_TUPLETS[odd], odd) if odd in _TUPLETS else Fraction(1)


def _group_size(pieces: Sequence[_Piece], place: int) -> int:
    """How many pieces from `place` on stand together in one tuplet or beam."""
    first = pieces[place]
    factor = _tuplet_factor(first.length)
    if factor != 1:
        total = Fraction(0)
        for count, piece in enumerate(pieces[place:], 1):
            total += piece.length
            if _tuplet_factor(total) == 1:
                return count
        return len(pieces) - place
    count = 0
    for piece in pieces[place:]:
        same_beat = piece.onset // 1 == first.onset // 1
        if not same_beat or piece.theme is None or piece.length >= Fraction(1, 4) or _tuplet_factor(piece.length) != 1:
            break
        count += 1
    return max(1, count)


def _container(layer: ET.Element, group: Sequence[_Piece]) -> ET.Element:
    factor = _tuplet_factor(group[0].length)
    if factor == 1:
        return layer
    numbers = {"num": str(factor.denominator), "numbase": str(factor.numerator), "bracket.visible": "false"}
    return ET.SubElement(layer, "tuplet", numbers)


def _beam(measure: ET.Element, group: Sequence[_Piece], prefix: str) -> None:
    """Beam a group from outside (beamSpan): inside a beam element Verovio would draw the gracenotes into the beam."""
    factor = _tuplet_factor(group[0].length)
    if len(group) < 2 or any(piece.theme is None or piece.length >= Fraction(1, 4) * factor for piece in group):
        return
    notes = [f"#{_identity(piece, prefix)}" for piece in group]
    ET.SubElement(measure, "beamSpan", {"startid": notes[0], "endid": notes[-1], "plist": " ".join(notes)})


def _identity(piece: _Piece, prefix: str) -> str:
    return f"{prefix}n{piece.theme}" + (f"p{piece.part}" if piece.part else "")


def _symbol(parent: ET.Element, score: Score, piece: _Piece, prefix: str) -> None:
    factor = _tuplet_factor(piece.length)
    name, dots = next((name, dots) for value, name, dots in _LENGTHS if value * factor == piece.length)
    length = {"dur": name, **({"dots": str(dots)} if dots else {})}
    if piece.theme is None:
        ET.SubElement(parent, "rest", length)
        return
    theme = score.themes[piece.theme]
    identity = _identity(piece, prefix)
    if piece.part == 0:
        _gracenotes(parent, theme.gracenotes, identity)
    ET.SubElement(parent, "note", {XML_ID: identity, **length, **_pitch(theme.note), "stem.dir": "down"})


def _gracenotes(parent: ET.Element, gracenotes: Sequence[Note], identity: str) -> None:
    group = ET.SubElement(parent, "beam") if len(gracenotes) > 1 else parent
    for number, note in enumerate(gracenotes):
        ET.SubElement(
            group,
            "note",
            {XML_ID: f"{identity}g{number}", "dur": "32", **_pitch(note), "grace": "unknown", "stem.dir": "up"},
        )


def _pitch(note: Note) -> dict[str, str]:
    name, octave = _PITCH[note]
    return {"pname": name, "oct": octave, **({"accid.ges": "s"} if note in _SHARP else {})}


def _ties(measure: ET.Element, score: Score, pieces: Sequence[_Piece], prefix: str) -> None:
    for number, piece in enumerate(pieces):
        if piece.theme is None:
            continue
        last = number + 1 == len(pieces) or pieces[number + 1].theme != piece.theme
        start = _identity(piece, prefix)
        if not last:
            end = f"{prefix}n{piece.theme}p{piece.part + 1}"
        elif score.themes[piece.theme].tied:
            end = f"{prefix}n{piece.theme + 1}"
        else:
            continue
        ET.SubElement(measure, "tie", {"startid": f"#{start}", "endid": f"#{end}"})
