"""A score as MEI (Music Encoding Initiative, version 5): gracenotes small with stems up, theme notes with stems down.

Ids: theme note number 7 is ``{prefix}n7``, its second gracenote ``{prefix}n7g1``, bar 3 ``{prefix}b3``. No key
signature is written, as in pipe music; C and F carry their sounding sharp (``accid.ges``).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from fractions import Fraction
from typing import Final
from xml.etree import ElementTree as ET

from analysis.chanter import Note
from analysis.score import Score
from analysis.symbols import Bar, Piece, bars_of, group_size, is_beamed, lines_of, parts, sign_of, tuplet_factor
from analysis.xml_text import xml_text

MEI_NAMESPACE: Final = "http://www.music-encoding.org/ns/mei"
XML_ID: Final = "{http://www.w3.org/XML/1998/namespace}id"

_PITCH: Final = tuple(zip("gabcdefga", "444555555", strict=True))
_SHARP: Final = frozenset({Note.C, Note.F})


def mei(
    score: Score,
    *,
    bars_a_line: int = 4,
    cuts: Collection[int] = (),
    prefix: str = "",
    headed: bool = False,
) -> str:
    """`score` as an MEI document with at most `bars_a_line` bars, and a pickup, to a line.

    Before the theme notes numbered in `cuts` a bar goes on in a new line, as a measure of its own without a bar line
    before it, ``{prefix}b3x1`` after ``{prefix}b3``.
    `headed`: its tempo and instruction stand over the first bar, as in a file of its own.
    """
    root = ET.Element("mei", {"xmlns": MEI_NAMESPACE, "meiversion": "5.1"})
    description = ET.SubElement(ET.SubElement(root, "meiHead"), "fileDesc")
    ET.SubElement(ET.SubElement(description, "titleStmt"), "title").text = xml_text(score.title)
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
        end = _end(score, bars, place)
        parts_of_bar = _cut_up(_grouped(_pieces(score, bar, end)), cuts) if end is not None else [[]]
        for part, groups in enumerate(parts_of_bar):
            if part:
                ET.SubElement(section, "sb")
            measure = _measure(section, score, bar, groups, prefix, part)
            if part + 1 < len(parts_of_bar):
                measure.set("right", "invis")
            elif place == len(bars) - 1:
                measure.set("right", "end")
            if headed and place == part == 0:
                _heading(measure, score)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode")


def _end(score: Score, bars: Sequence[Bar], place: int) -> Fraction | None:
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


def _measure(
    section: ET.Element, score: Score, bar: Bar, groups: Sequence[Sequence[Piece]], prefix: str, part: int
) -> ET.Element:
    """The bar, or one part of it, as a measure; without groups it is a bar of rest."""
    name = f"{prefix}b{bar.number}" + (f"x{part}" if part else "")
    measure = ET.SubElement(section, "measure", {XML_ID: name, "n": str(bar.number)})
    if bar.number == 0 or part:
        measure.set("metcon", "false")
    layer = ET.SubElement(ET.SubElement(measure, "staff", {"n": "1"}), "layer", {"n": "1"})
    if not groups:
        ET.SubElement(layer, "mRest")
    for group in groups:
        parent = _container(layer, group)
        for piece in group:
            _symbol(parent, score, piece, prefix)
        _beam(measure, group, prefix)
    _ties(measure, score, [piece for group in groups for piece in group], prefix)
    return measure


def _grouped(pieces: Sequence[Piece]) -> list[Sequence[Piece]]:
    """The bar's symbols as they stand together in tuplets and under beams."""
    groups: list[Sequence[Piece]] = []
    place = 0
    while place < len(pieces):
        groups.append(pieces[place : place + group_size(pieces, place)])
        place += len(groups[-1])
    return groups


def _cut_up(groups: Sequence[Sequence[Piece]], cuts: Collection[int]) -> list[list[Sequence[Piece]]]:
    """`groups` in parts, a new one before each group that begins with a theme note of `cuts`."""
    found: list[list[Sequence[Piece]]] = [[]]
    for group in groups:
        if group[0].theme in cuts and group[0].part == 0 and found[-1]:
            found.append([])
        found[-1].append(group)
    return found


def _heading(measure: ET.Element, score: Score) -> None:
    """The tempo and the instruction, over the first beat."""
    if score.tempo_bpm is not None:
        sign = sign_of(score.beat_unit)
        assert sign is not None  # a plain or a dotted note
        marks = {"tstamp": "1", "staff": "1", "mm": f"{score.tempo_bpm:g}", "mm.unit": str(sign[0])}
        quarters = f"{score.tempo_bpm * float(score.beat_unit * 4):g}"
        dots = {"mm.dots": str(sign[1])} if sign[1] else {}
        tempo = ET.SubElement(measure, "tempo", {**marks, **dots, "midi.bpm": quarters})
        tempo.text = f"{score.tempo_bpm:g} beats a minute"
    if xml_text(score.instruction):
        words = ET.SubElement(measure, "dir", {"tstamp": "1", "staff": "1", "place": "above"})
        words.text = xml_text(score.instruction)


def _pieces(score: Score, bar: Bar, end: Fraction) -> list[Piece]:
    """The bar's symbols in order: rests where nothing sounds, long or odd lengths as tied parts."""
    pieces: list[Piece] = []
    cursor = bar.themes[0][1].beat - 1 if bar.number == 0 else Fraction(0)
    for number, theme in bar.themes:
        onset = theme.beat - 1
        if onset > cursor:
            pieces += parts(cursor, (onset - cursor) * score.beat_unit, score.beat_unit, None)
        pieces += parts(onset, theme.duration * score.beat_unit, score.beat_unit, number)
        cursor = onset + theme.duration
    if end > cursor:
        pieces += parts(cursor, (end - cursor) * score.beat_unit, score.beat_unit, None)
    return pieces


def _container(layer: ET.Element, group: Sequence[Piece]) -> ET.Element:
    factor = tuplet_factor(group[0].length)
    if factor == 1:
        return layer
    bracket = "false" if is_beamed(group) else "true"  # a beam shows well enough what belongs together
    numbers = {"num": str(factor.denominator), "numbase": str(factor.numerator), "bracket.visible": bracket}
    return ET.SubElement(layer, "tuplet", numbers)


def _beam(measure: ET.Element, group: Sequence[Piece], prefix: str) -> None:
    """Beam a group from outside (beamSpan): inside a beam element Verovio would draw the gracenotes into the beam."""
    if not is_beamed(group):
        return
    notes = [f"#{_identity(piece, prefix)}" for piece in group]
    ET.SubElement(measure, "beamSpan", {"startid": notes[0], "endid": notes[-1], "plist": " ".join(notes)})


def _identity(piece: Piece, prefix: str) -> str:
    return f"{prefix}n{piece.theme}" + (f"p{piece.part}" if piece.part else "")


def _symbol(parent: ET.Element, score: Score, piece: Piece, prefix: str) -> None:
    sign = sign_of(piece.length)
    assert sign is not None  # parts() makes no others
    length = {"dur": str(sign[0]), **({"dots": str(sign[1])} if sign[1] else {})}
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


def _ties(measure: ET.Element, score: Score, pieces: Sequence[Piece], prefix: str) -> None:
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
