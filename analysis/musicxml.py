"""A score as MusicXML 4.0 (W3C Music Notation Community Group), and back: :func:`to_musicxml`, :func:`from_musicxml`.

Written is one part in one voice, its gracenotes with stems up before theme notes with stems down. As in pipe music no
key signature is shown (``print-object="no"``); C and F are written at their sounding sharp. A note that no single sign
can stand for is written as parts tied together, and :mod:`analysis.musicxml_reader` puts such parts together again, so
that what is read back is the same music.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from math import lcm
from typing import Final
from xml.etree import ElementTree as ET

from analysis.chanter import Note
from analysis.musicxml_reader import from_musicxml
from analysis.score import Score, ThemeNote, beat_unit_of
from analysis.symbols import Piece, group_size, is_beamed, parts, sign_of, tuplet_factor
from analysis.written import written_bars
from analysis.xml_text import xml_text

__all__ = ["MEDIA_TYPE", "from_musicxml", "to_musicxml"]

MEDIA_TYPE: Final = "application/vnd.recordare.musicxml+xml"

#: Each note as written: step, octave, and whether it sounds sharp.
PITCHES: Final[tuple[tuple[str, int, bool], ...]] = (
    ("G", 4, False), ("A", 4, False), ("B", 4, False), ("C", 5, True), ("D", 5, False),
    ("E", 5, False), ("F", 5, True), ("G", 5, False), ("A", 5, False),
)  # fmt: skip
_DOCTYPE: Final = (
    '<?xml version="1.0" encoding="UTF-8"?>\n<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 '
    'Partwise//EN" "http://www.musicxml.org/dtds/partwise.dtd">\n'
)
_TYPES: Final = {1: "whole", 2: "half", 4: "quarter", 8: "eighth"}
_BEAMS: Final = {8: 1, 16: 2, 32: 3, 64: 4, 128: 5}
_GRACENOTE_BEAMS: Final = 3


def to_musicxml(score: Score) -> str:
    """`score` as an uncompressed MusicXML document. Raises ValueError where its beat is not its metre's."""
    if score.beat_unit != beat_unit_of(score.meter):
        raise ValueError(f"a beat of {score.beat_unit} does not belong to the metre {score.meter[0]}/{score.meter[1]}")
    return _DOCTYPE + ET.tostring(_Writer(score).document(), encoding="unicode") + "\n"


class _Writer:
    def __init__(self, score: Score) -> None:
        self.score = score
        self.numbers = {id(theme): number for number, theme in enumerate(score.themes)}
        self.bars = [self._pieces(bar) for bar in written_bars(score)]
        lengths = [piece.length * 4 for bar in self.bars for piece in bar]
        self.divisions = lcm(*(length.denominator for length in lengths)) if lengths else 1

    def document(self) -> ET.Element:
        root = ET.Element("score-partwise", version="4.0")
        if title := xml_text(self.score.title):
            _add(_add(root, "work"), "work-title", title)
        named = _add(_add(root, "part-list"), "score-part", id="P1")
        _add(named, "part-name", "Bagpipe")
        part = _add(root, "part", id="P1")
        first = self._first_number()
        for place, bar in enumerate(self.bars):
            measure = _add(part, "measure", number=str(first + place))
            if place == 0:
                if first == 0:
                    measure.set("implicit", "yes")
                self._opening(measure)
            self._bar(measure, bar)
            if place == len(self.bars) - 1:
                _add(_add(measure, "barline", location="right"), "bar-style", "light-heavy")
        return root

    def _first_number(self) -> int:
        """The number of the first bar that is written: 0 for a pickup."""
        for place, bar in enumerate(self.bars):
            for piece in bar:
                if piece.theme is not None:
                    return max(0, self.score.themes[piece.theme].bar - place)
        return 1

    def _pieces(self, bar: Sequence[ThemeNote | Fraction]) -> list[Piece]:
        """The bar's symbols. A length that no symbols add up to is one symbol without a sign."""
        pieces: list[Piece] = []
        place, unit = Fraction(0), self.score.beat_unit
        for event in bar:
            beats = event.duration if isinstance(event, ThemeNote) else event
            number = self.numbers[id(event)] if isinstance(event, ThemeNote) else None
            signs = parts(place, beats * unit, unit, number)
            whole = sum((sign.length for sign in signs), Fraction(0)) == beats * unit
            pieces += signs if whole else [Piece(place, beats * unit, number)]
            place += beats
        return pieces

    def _opening(self, measure: ET.Element) -> None:
        attributes = _add(measure, "attributes")
        _add(attributes, "divisions", str(self.divisions))
        _add(_add(attributes, "key", **{"print-object": "no"}), "fifths", "2")
        time = _add(attributes, "time")
        _add(time, "beats", str(self.score.meter[0]))
        _add(time, "beat-type", str(self.score.meter[1]))
        clef = _add(attributes, "clef")
        _add(clef, "sign", "G")
        _add(clef, "line", "2")
        if self.score.tempo_bpm is not None:
            self._tempo(measure, self.score.tempo_bpm)
        if instruction := xml_text(self.score.instruction):
            direction = _add(measure, "direction", placement="above")
            _add(_add(direction, "direction-type"), "words", instruction)

    def _tempo(self, measure: ET.Element, bpm: float) -> None:
        direction = _add(measure, "direction", placement="above")
        sign = sign_of(self.score.beat_unit)
        assert sign is not None  # a plain or a dotted note, see beat_unit_of
        metronome = _add(_add(direction, "direction-type"), "metronome")
        _add(metronome, "beat-unit", _type(sign[0]))
        for _ in range(sign[1]):
            _add(metronome, "beat-unit-dot")
        _add(metronome, "per-minute", _decimal(bpm))
        _add(direction, "sound", tempo=_decimal(bpm * float(self.score.beat_unit * 4)))

    def _bar(self, measure: ET.Element, pieces: Sequence[Piece]) -> None:
        place = 0
        while place < len(pieces):
            group = pieces[place : place + group_size(pieces, place)]
            beams = _beams([_beam_count(piece) for piece in group]) if is_beamed(group) else [[]] * len(group)
            bounds = _tuplet_bounds(group)
            for number, piece in enumerate(group):
                last = place + number + 1 == len(pieces) or pieces[place + number + 1].theme != piece.theme
                self._symbol(measure, piece, beams[number], bounds.get(number, ()), last_part=last)
            place += len(group)

    def _symbol(
        self, measure: ET.Element, piece: Piece, beams: Sequence[str], tuplet: Sequence[str], *, last_part: bool
    ) -> None:
        theme = None if piece.theme is None else self.score.themes[piece.theme]
        if theme is not None and piece.part == 0:
            _gracenotes(measure, theme.gracenotes)
        note = _add(measure, "note")
        if theme is None:
            _add(note, "rest")
        else:
            _pitch(note, theme.note)
        _add(note, "duration", str(piece.length * 4 * self.divisions))
        ties = [] if theme is None else self._ties(piece, last_part=last_part)
        for kind in ties:
            _add(note, "tie", type=kind)
        _add(note, "voice", "1")
        _sign(note, piece)
        if theme is not None:
            _add(note, "stem", "down")
        for level, kind in enumerate(beams, 1):
            _add(note, "beam", kind, number=str(level))
        if ties or tuplet:
            notations = _add(note, "notations")
            for kind in ties:
                _add(notations, "tied", type=kind)
            for kind in tuplet:
                _add(notations, "tuplet", type=kind, bracket="no" if beams else "yes")

    def _ties(self, piece: Piece, *, last_part: bool) -> list[str]:
        assert piece.theme is not None
        before = piece.theme > 0 and self.score.themes[piece.theme - 1].tied
        stops = piece.part > 0 or before
        starts = not last_part or self.score.themes[piece.theme].tied
        return ["stop"] * stops + ["start"] * starts


def _gracenotes(measure: ET.Element, gracenotes: Sequence[Note]) -> None:
    beams = _beams([_GRACENOTE_BEAMS] * len(gracenotes)) if len(gracenotes) > 1 else [[]]
    for grace, levels in zip(gracenotes, beams, strict=False):
        note = _add(measure, "note")
        _add(note, "grace", slash="no")
        _pitch(note, grace)
        _add(note, "voice", "1")
        _add(note, "type", "32nd")
        _add(note, "stem", "up")
        for level, kind in enumerate(levels, 1):
            _add(note, "beam", kind, number=str(level))


def _pitch(note: ET.Element, sound: Note) -> None:
    step, octave, sharp = PITCHES[sound]
    pitch = _add(note, "pitch")
    _add(pitch, "step", step)
    if sharp:
        _add(pitch, "alter", "1")
    _add(pitch, "octave", str(octave))


def _sign(note: ET.Element, piece: Piece) -> None:
    sign = sign_of(piece.length)
    if sign is None:
        return
    _add(note, "type", _type(sign[0]))
    for _ in range(sign[1]):
        _add(note, "dot")
    factor = tuplet_factor(piece.length)
    if factor != 1:
        changed = _add(note, "time-modification")
        _add(changed, "actual-notes", str(factor.denominator))
        _add(changed, "normal-notes", str(factor.numerator))


def _type(share: int) -> str:
    return _TYPES.get(share) or (f"{share}nd" if share == 32 else f"{share}th")


def _beam_count(piece: Piece) -> int:
    sign = sign_of(piece.length)
    return _BEAMS.get(sign[0], 1) if sign else 1


def _beams(counts: Sequence[int]) -> list[list[str]]:
    """For each note of a group, what every one of its beams does, the main beam first."""
    last = len(counts) - 1

    def kind(place: int, level: int) -> str:
        before = place > 0 and counts[place - 1] >= level
        after = place < last and counts[place + 1] >= level
        if before and after:
            return "continue"
        if before or after:
            return "end" if before else "begin"
        return "backward hook" if place else "forward hook"

    return [[kind(place, level) for level in range(1, count + 1)] for place, count in enumerate(counts)]


def _tuplet_bounds(group: Sequence[Piece]) -> dict[int, tuple[str, ...]]:
    """Where a tuplet starts and stops among the places of its group; nothing for other groups."""
    if tuplet_factor(group[0].length) == 1:
        return {}
    return {0: ("start",), len(group) - 1: ("stop",)} if len(group) > 1 else {0: ("start", "stop")}


def _decimal(value: float) -> str:
    return f"{value:.9f}".rstrip("0").rstrip(".")


def _add(parent: ET.Element, name: str, text: str | None = None, **attributes: str) -> ET.Element:
    child = ET.SubElement(parent, name, attributes)
    child.text = text
    return child
