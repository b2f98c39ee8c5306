"""Reading MusicXML 3.0 to 4.0: one part in one voice with its gracenotes, as pipe music is written.

Bars, repeats and endings go the way of those in ABC (:mod:`analysis.abc_bars`), so the same music in either file is the
same score. Passed over because it does not change what is played: key signatures, transposition, slurs, articulation,
words and layout. Refused with the bar's number: other notes than the nine, chords, several voices or parts, and changes
of metre.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import pairwise
from typing import Final
from xml.etree import ElementTree as ET

from analysis.abc_bars import Bar, Event, assemble
from analysis.chanter import LABELS, Note
from analysis.musicxml_file import root_of
from analysis.score import Score, ScoreError, beat_unit_of
from analysis.symbols import parts

#: The longest single note, in whole notes.
MAX_LENGTH: Final = 16
_TEMPO: Final = (5.0, 1000.0)
_PITCHES: Final = dict(zip(("G4", "A4", "B4", "C5", "D5", "E5", "F5", "G5", "A5"), Note, strict=True))
_SHARPENED: Final = frozenset({Note.C, Note.F})
_NUMBER: Final = re.compile(r"\d{1,9}(?:\.\d{1,6})?$")
_RATE: Final = re.compile(r"\d{1,4}(?:\.\d{1,9})?")
_SHARES: Final = {
    "whole": Fraction(1), "half": Fraction(1, 2), "quarter": Fraction(1, 4), "eighth": Fraction(1, 8),
    "16th": Fraction(1, 16), "32nd": Fraction(1, 32), "breve": Fraction(2),
}  # fmt: skip


def from_musicxml(data: bytes) -> Score:
    """The music of a MusicXML file, compressed or not. Raises ScoreError: one plain sentence with the bar's number."""
    root = root_of(data)
    if root.tag == "score-timewise":
        raise ScoreError("the file is written bar by bar (score-timewise); save it as partwise MusicXML")
    if root.tag != "score-partwise":
        raise ScoreError("this is not a MusicXML file; expected one that ends in .musicxml, .xml or .mxl")
    found = root.findall("part")
    if len(found) != 1:
        raise ScoreError(f"the file has {len(found)} parts; expected one, the chanter's: save that part alone")
    return _Reader(found[0]).score(_title(root))


def _title(root: ET.Element) -> str:
    for place in ("work/work-title", "movement-title"):
        text = " ".join((root.findtext(place) or "").split())
        if text:
            return text
    return ""


@dataclass
class _Reader:
    part: ET.Element
    meter: tuple[int, int] | None = None
    divisions: Fraction | None = None
    tempo: float | None = None  # in quarter notes a minute
    words: list[str] = field(default_factory=list)
    graces: list[Note] = field(default_factory=list)
    started: bool = False  # whether a note or rest has come
    voice: str | None = None
    number: str = "1"  # of the bar that is being read, as the file has it

    def score(self, title: str) -> Score:
        bars: list[Bar] = []
        numbers: list[str] = []
        for place, measure in enumerate(self.part.findall("measure")):
            self.number = measure.get("number", "").strip()[:10] or str(place + 1)
            numbers.append(self.number)
            self._measure(measure, bars)
        if self.graces:
            raise self._error("these gracenotes have no note after them")
        meter = self.meter or (4, 4)
        unit = beat_unit_of(meter)
        try:
            themes = assemble([replace(bar, events=_joined(bar.events)) for bar in bars], meter, unit)
        except ScoreError as error:
            raise _placed(error, numbers) from None
        if not themes:
            raise ScoreError(f"the file has no notes to play; expected some of {', '.join(LABELS)}")
        beats = None if self.tempo is None else round(self.tempo / float(unit * 4), 6)
        return Score(title, meter, unit, beats, themes, " ".join(self.words))

    def _error(self, message: str) -> ScoreError:
        return ScoreError(f"bar {self.number}: {message}")

    def _measure(self, measure: ET.Element, bars: list[Bar]) -> None:
        bar = Bar()
        bars.append(bar)
        ordinal = len(bars)
        for element in measure:
            if element.tag == "attributes":
                self._attributes(element)
            elif element.tag == "note":
                self._note(element, bar, ordinal)
            elif element.tag == "forward":
                bar.events.append(Event(None, self._duration(element), at=(ordinal, 0)))
            elif element.tag == "backup":
                raise self._error("the part has a second voice; expected one voice")
            elif element.tag == "barline":
                self._barline(element, bar)
            elif element.tag == "direction":
                self._direction(element)
            elif element.tag == "sound":
                self._sound(element)

    def _attributes(self, attributes: ET.Element) -> None:
        divisions = attributes.findtext("divisions")
        if divisions is not None:
            self.divisions = self._number(divisions)
        time = attributes.find("time")
        if time is None:
            return
        meter = self._meter(time)
        if self.meter is not None and meter != self.meter:
            raise self._error("the metre changes here, which is not read; expected one metre for the whole piece")
        self.meter = meter

    def _meter(self, time: ET.Element) -> tuple[int, int]:
        beats, units = time.findall("beats"), time.findall("beat-type")
        words = [(element.text or "").strip() for element in (*beats, *units)]
        if len(words) == 2 and all(word.isdecimal() and len(word) < 4 for word in words):
            meter = (int(words[0]), int(words[1]))
            if 1 <= meter[0] <= 24 and meter[1] in (1, 2, 4, 8, 16, 32):
                return meter
        raise self._error("this metre is not read; expected one such as 4/4 or 6/8")

    def _note(self, note: ET.Element, bar: Bar, ordinal: int) -> None:
        if note.find("cue") is not None:
            raise self._error("cue notes are not read; expected only what the chanter plays")
        if note.find("chord") is not None:
            raise self._error("the chanter plays one note at a time, so there are no chords")
        if note.find("grace") is not None:
            self.graces.append(self._pitch(note))
            return
        voice = note.findtext("voice")
        if voice is not None and self.voice not in (None, voice):
            raise self._error("the part has a second voice; expected one voice")
        self.voice = voice or self.voice
        self.started = True
        at = (ordinal, 0)
        if note.find("rest") is not None:
            if self.graces:
                raise self._error("gracenotes stand before a rest; a note is expected after them")
            bar.events.append(Event(None, self._duration(note), at=at))
            return
        tied = any(tie.get("type") == "start" for tie in note.findall("tie"))
        bar.events.append(Event(self._pitch(note), self._duration(note), tuple(self.graces), tied, at))
        self.graces = []

    def _pitch(self, note: ET.Element) -> Note:
        pitch = note.find("pitch")
        if pitch is None:
            raise self._error("a note has no pitch; expected one of the nine notes of the chanter")
        step, octave, alter = ((pitch.findtext(name) or "").strip() for name in ("step", "octave", "alter"))
        found = _PITCHES.get(step + octave)
        sharpened = alter in ("1", "1.0", "+1")
        if found is None or not (alter in ("", "0", "-0", "0.0") or (sharpened and found in _SHARPENED)):
            name = f"{step}{' sharp' if sharpened else ' flat' if alter.startswith('-') else ''} {octave}"[:20]
            raise self._error(
                f"{name!r} is not a note of the chanter; expected those from G 4 (low G) to A 5 (high A), with C and F "
                "plain or sharp"
            )
        return found

    def _duration(self, element: ET.Element) -> Fraction:
        """In whole notes."""
        text = element.findtext("duration")
        if text is None or self.divisions is None:
            raise self._error("a note has no duration; save the file again as MusicXML")
        duration = self._number(text) / self.divisions / 4
        if duration > MAX_LENGTH:
            raise self._error(f"this note is longer than {MAX_LENGTH} whole notes")
        return duration

    def _number(self, text: str) -> Fraction:
        if not _NUMBER.match(text.strip()) or not Fraction(text.strip()):
            raise self._error(f"{text.strip()[:20]!r} is not a length; expected a number above 0")
        return Fraction(text.strip())

    def _barline(self, barline: ET.Element, bar: Bar) -> None:
        style = (barline.findtext("bar-style") or "regular").strip()
        repeat, ending = barline.find("repeat"), barline.find("ending")
        if repeat is not None and repeat.get("direction") == "forward":
            bar.repeat_from = True
        elif repeat is not None:
            times = repeat.get("times", "2")
            bar.repeat_to = int(times) if times.isdecimal() and len(times) < 3 and int(times) > 1 else 2
            bar.double = True
        elif barline.get("location", "right") == "right" and style not in ("regular", "none", "dashed", "dotted"):
            bar.double = True
        if ending is not None and ending.get("type") == "start":
            bar.passes = frozenset(int(word) for word in re.findall(r"\d{1,2}", ending.get("number", "")))
        elif ending is not None and ending.get("type") in ("stop", "discontinue"):
            bar.double = True

    def _direction(self, direction: ET.Element) -> None:
        if not self.started:
            for words in direction.findall("direction-type/words"):
                self.words += (words.text or "").split()
        metronome = direction.find("direction-type/metronome")
        if metronome is not None and self.tempo is None:
            share = _SHARES.get((metronome.findtext("beat-unit") or "").strip())
            rate = _RATE.search(metronome.findtext("per-minute") or "")
            dots = len(metronome.findall("beat-unit-dot"))
            if share and rate and dots < 3:
                self._at_tempo(float(rate.group()) * float(share * 4 * (2 - Fraction(1, 2**dots))))
        for sound in direction.findall("sound"):
            self._sound(sound)

    def _sound(self, sound: ET.Element) -> None:
        rate = _RATE.fullmatch(sound.get("tempo", "").strip())
        if rate and self.tempo is None:
            self._at_tempo(float(rate.group()))

    def _at_tempo(self, quarters_a_minute: float) -> None:
        """The first tempo of the piece; one that nobody could play at is passed over."""
        beats = quarters_a_minute / float(beat_unit_of(self.meter or (4, 4)) * 4)
        if _TEMPO[0] <= beats <= _TEMPO[1]:
            self.tempo = quarters_a_minute


def _joined(events: Sequence[Event]) -> list[Event]:
    """`events` with notes put together again that are tied within a bar only because no one sign can stand for them."""
    result: list[Event] = []
    for run in _tied_runs(events):
        lengths = [event.duration for event in run]
        whole = sum(lengths, Fraction(0))
        if len(run) > 1 and [part.length for part in parts(Fraction(0), whole, Fraction(1), None)] == lengths:
            result.append(replace(run[0], duration=whole, tied=run[-1].tied))
        else:
            result += run
    return result


def _tied_runs(events: Sequence[Event]) -> Iterator[list[Event]]:
    """`events` in order, those that are tied to each other together."""
    run: list[Event] = list(events[:1])
    for before, event in pairwise(events):
        if not (before.tied and event.note == before.note and not event.gracenotes):
            yield run
            run = []
        run.append(event)
    if run:
        yield run


def _placed(error: ScoreError, numbers: Sequence[str]) -> ScoreError:
    """`error` with the file's number of its bar in place of a line."""
    if not error.line:
        return error
    return ScoreError(f"bar {numbers[error.line - 1]}: {str(error).partition(': ')[2]}")
