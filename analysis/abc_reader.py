"""Reading ABC: the header's fields and the written bars. :mod:`analysis.abc_bars` turns the bars into a score.

What is read is the part of the ABC music standard 2.1 (December 2011) that pipe music needs: sections 3.1 (X T M L Q
N K), 4.1 to 4.5 (notes, lengths, broken rhythm, rests), 4.8 to 4.12 (bars, endings, ties, gracenotes) and 4.13
(triplets). Everything else is either passed over because it does not change what is played (slurs, annotations,
decorations, words) or refused with its place. Where we differ: a bare number in Q: counts beats, not unit notes, since
that is what a tutor means by it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Final

from analysis.abc_bars import Bar, Event, assemble, uneven
from analysis.chanter import ABC_LETTERS, Note
from analysis.score import Score, ScoreError, beat_unit_of

MAX_CHARACTERS: Final = 100_000
#: The longest single note, in whole notes.
MAX_LENGTH: Final = 16
NINE: Final = " ".join(ABC_LETTERS)

_HEADER_FIELD = re.compile(r"([A-Za-z+]):(.*)")
_FIELD = re.compile(r"([A-Za-z+]):(?![|:])(.*)")  # in the music, e:| is a note and a bar line
_LENGTH = r"(?P<length>\d*(?:/+\d*)?)"
_TOKENS = re.compile(
    r"(?P<space>[ \t\r`]+|\\\s*$)"
    r"|(?P<inline>\[[A-Za-z]:[^\]]*\])"
    r"|(?P<bar>:*\[?\|+\]?:*|::+)(?P<passes>\d+(?:[,-]\d+)*)?"
    r"|\[(?P<ending>\d+(?:[,-]\d+)*)"
    r'|(?P<passed>"[^"]*"|![^!\s]+!|y\d*|[~.]|\((?!\d)|\))'
    r"|(?P<graces>\{[^}]*\})"
    r"|(?P<rest>[zx])" + _LENGTH.replace("length", "rest_length") + r"|(?P<note>[A-Ga-g])" + _LENGTH +
    r"|(?P<broken>>+|<+)"
    r"|(?P<tie>-)"
    r"|\((?P<tuplet>\d)(?P<tuplet_rest>(?::\d*)*)"
)  # fmt: skip
_TEMPO = re.compile(r'^(?:"[^"]*")?\s*(?P<units>(?:\d+/\d+\s*)+|C\d*\s*)=\s*(?P<rate>\d+(?:\.\d+)?)\s*(?:"[^"]*")?$')
_BARE_TEMPO = re.compile(r'^(?:"[^"]*")?\s*(?P<rate>\d+(?:\.\d+)?)\s*(?:"[^"]*")?$')
_WORDS = re.compile(r'^(?:"[^"]*")?$')
_FRACTION = re.compile(r"(\d{1,3})\s*/\s*(\d{1,3})$")
_REFUSED: Final[tuple[tuple[str, str], ...]] = (
    (r"[\^_=]", "accidentals are not written in the Highland pipe keys"),
    (r"[',]", "octave marks are not used: the chanter has only nine notes"),
    (r"\[", "the chanter plays one note at a time, so there are no chords"),
    (r"\{", "these gracenotes are not closed with }"),
    (r"\}", "this } closes no gracenotes"),
    (r"Z", "rests of whole bars (Z) are not read; write z with its length"),
    (r"/|\d", "a length stands right after its note"),
)


@dataclass
class _Header:
    title: str = ""
    meter: tuple[int, int] = (4, 4)
    unit: Fraction | None = None
    tempo: tuple[str, int] | None = None
    instructions: list[str] = field(default_factory=list)

    @property
    def unit_length(self) -> Fraction:
        """L:, or what the standard takes without one: a sixteenth for metres below 3/4, else an eighth."""
        return self.unit or (Fraction(1, 16) if Fraction(*self.meter) < Fraction(3, 4) else Fraction(1, 8))


def read(text: str) -> Score:
    """The first tune of `text`. Raises ScoreError with line, column and what was expected."""
    header, bars = _read_bars(text)
    unit = beat_unit_of(header.meter)
    themes = assemble(bars, header.meter, unit)
    if not themes:
        raise ScoreError(f"the tune has no notes to play; expected some of {NINE} after the K: line")
    return Score(
        title=header.title,
        meter=header.meter,
        beat_unit=unit,
        tempo_bpm=_tempo(header, unit),
        themes=themes,
        instruction=" ".join(header.instructions),
    )


def uneven_bars(text: str) -> list[str]:
    """A sentence, with its line, for each bar of the first tune that is longer than its metre says, or shorter and
    neither at the tune's ends nor at a double bar line. Such music can be played, but mostly it is a slip. Raises
    ScoreError as :func:`read` does."""
    header, bars = _read_bars(text)
    unit = beat_unit_of(header.meter)
    full = Fraction(*header.meter)
    has = f"{header.meter[0]}/{header.meter[1]} has {_beats(full / unit)}"
    return [
        f"Line {bar.events[0].at[0]}: bar {number} holds {_beats(bar.length / unit)}; {has}."
        for number, bar in uneven(bars, full)
    ]


def _beats(number: Fraction) -> str:
    return f"{round(float(number), 3):g} beat{'' if number == 1 else 's'}"


def _read_bars(text: str) -> tuple[_Header, list[Bar]]:
    if len(text) > MAX_CHARACTERS:
        raise ScoreError(f"the text is longer than {MAX_CHARACTERS} characters; one tune is expected")
    lines = text.replace("\r\n", "\n").replace("\r", "\n").lstrip("\ufeff").split("\n")
    header, body_start = _read_header(lines)
    body = _Body(header.unit_length)
    for number, line in enumerate(lines[body_start:], body_start + 1):
        if not line.strip():
            if body.started:
                break
            continue
        body.line(number, line)
    return header, body.finish()


def _read_header(lines: list[str]) -> tuple[_Header, int]:
    """The header and the index of the line after K:."""
    header = _Header()
    for number, raw in enumerate(lines, 1):
        line = _without_comment(raw)
        if not line.strip():
            continue
        found = _HEADER_FIELD.match(line)
        if not found:
            raise ScoreError(
                "the tune's header is expected here: fields such as T:, M: and L:, and K:HP last", line=number, column=1
            )
        name, value = found.group(1), " ".join(found.group(2).split())
        if name == "K":
            if not re.match(r"H[Pp]\b", value):
                raise ScoreError(
                    f"the key is {value!r}; expected K:HP or K:Hp, the Highland pipe keys", line=number, column=3
                )
            return header, number
        _header_field(header, name, value.replace("\\%", "%"), number)
    raise ScoreError("there is no K: field; expected K:HP as the header's last line", line=len(lines), column=1)


def _header_field(header: _Header, name: str, value: str, number: int) -> None:
    if name == "T" and not header.title:
        header.title = value
    elif name == "M":
        header.meter = _meter(value, number)
    elif name == "L":
        header.unit = _unit(value, number)
    elif name == "Q":
        header.tempo = (value, number)
    elif name in "NW" and value:
        header.instructions.append(value)
    elif name == "V":
        raise ScoreError("several voices (V:) are not read; one tune in one voice is expected", line=number, column=1)


def _meter(value: str, number: int) -> tuple[int, int]:
    common = {"C": (4, 4), "C|": (2, 2)}.get(value)
    if common:
        return common
    found = _FRACTION.match(value)
    beats, unit = (int(part) for part in found.groups()) if found else (0, 0)
    if not 1 <= beats <= 24 or unit not in (1, 2, 4, 8, 16, 32):
        raise ScoreError(f"{value!r} is not a metre; expected one such as 4/4, 6/8, C or C|", line=number, column=3)
    return beats, unit


def _unit(value: str, number: int) -> Fraction:
    found = _FRACTION.match(value)
    top, bottom = (int(part) for part in found.groups()) if found else (1, 1) if value == "1" else (0, 0)
    if top != 1 or bottom not in (1, 2, 4, 8, 16, 32, 64):
        raise ScoreError(f"{value!r} is not a unit note length; expected one such as 1/4 or 1/8", line=number, column=3)
    return Fraction(top, bottom)


def _tempo(header: _Header, beat_unit: Fraction) -> float | None:
    """Q: in beats a minute; None without a number."""
    if header.tempo is None:
        return None
    value, number = header.tempo
    problem = ScoreError(f"{value!r} is not a tempo; expected one such as 1/4=60 or 60", line=number, column=3)
    if _WORDS.match(value):
        return None
    if bare := _BARE_TEMPO.match(value):
        beats = float(bare.group("rate"))
    elif found := _TEMPO.match(value):
        unit = _tempo_unit(found.group("units").strip(), header.unit_length, problem)
        beats = float(Fraction(found.group("rate")) * unit / beat_unit)
    else:
        raise problem
    if not 5 <= beats <= 1000:
        raise problem
    return beats


def _tempo_unit(units: str, unit_length: Fraction, problem: ScoreError) -> Fraction:
    if units.startswith("C"):  # the standard's older way of writing the unit note
        return unit_length * int(units[1:] or 1)
    parts = [part.split("/") for part in units.split()]
    if any(int(bottom) == 0 or int(top) == 0 for top, bottom in parts):
        raise problem
    return sum((Fraction(int(top), int(bottom)) for top, bottom in parts), Fraction(0))


def _without_comment(line: str) -> str:
    return re.sub(r"(?<!\\)%.*$", "", line)


class _Body:
    """The music after the header, token by token, into bars."""

    def __init__(self, unit: Fraction) -> None:
        self.unit = unit
        self.bars: list[Bar] = [Bar()]
        self.started = False
        self._graces: tuple[Note, ...] = ()
        self._graces_at = (0, 0)
        self._broken: Fraction | None = None  # what the next note's length is multiplied by
        self._broken_at = (0, 0)
        self._tuplet = 0  # notes still to come of a triplet
        self._tied_before: tuple[int, int] | None = None  # where a tie stands before an ending's first note
        self._at = (0, 0)

    def line(self, number: int, raw: str) -> None:
        line = _without_comment(raw)
        found = _FIELD.match(line)
        if found:
            self._field(found.group(1), found.group(2).strip(), number, 1)
            return
        self.started = self.started or bool(line.strip())
        place = 0
        while place < len(line):
            token = _TOKENS.match(line, place)
            if not token or not token.group():
                raise self._refusal(line[place:], number, place + 1)
            self._at = (number, place + 1)
            self._token(token)
            place = token.end()

    def finish(self) -> list[Bar]:
        if self._graces:
            raise self._error("these gracenotes have no note after them", self._graces_at)
        if self._broken is not None:
            raise self._error("a note is expected after > or <", self._broken_at)
        self._nothing_tied()
        return self.bars

    def _token(self, token: re.Match[str]) -> None:
        kind = token.lastgroup or ""
        groups = token.groupdict()
        if groups["inline"]:
            self._field(groups["inline"][1], groups["inline"][3:-1].strip(), *self._at)
        elif groups["bar"]:
            self._bar(groups["bar"], groups["passes"])
        elif groups["ending"]:
            self._ending(groups["ending"])
        elif groups["graces"]:
            self._gracenotes(groups["graces"])
        elif groups["rest"]:
            self._rest(groups["rest_length"])
        elif groups["note"]:
            self._note(groups["note"], groups["length"])
        elif groups["broken"]:
            self._broken_rhythm(groups["broken"])
        elif groups["tuplet"]:
            self._triplet(groups["tuplet"], groups["tuplet_rest"])
        elif kind == "tie":
            self._tie()

    def _field(self, name: str, value: str, line: int, column: int) -> None:
        if name == "L":
            self.unit = _unit(value, line)
        elif name in "MKQV":
            raise ScoreError(
                f"a change of {name}: inside the tune is not read; expected it in the header", line=line, column=column
            )

    def _bar(self, bar: str, passes: str | None) -> None:
        before, after = len(bar) - len(bar.lstrip(":")), len(bar) - len(bar.rstrip(":"))
        if "|" not in bar:  # :: ends one repeat and starts the next
            before = after = len(bar) // 2
        self._nothing_tied()
        ending = self.bars[-1]
        ending.repeat_to = 1 + before if before else 0
        ending.double = bool(before or after) or len(bar) > 1
        self.bars.append(Bar(repeat_from=after > 0))
        if passes:
            self._ending(passes)

    def _ending(self, passes: str) -> None:
        numbers: set[int] = set()
        for part in passes.split(","):
            first, _, last = part.partition("-")
            numbers.update(range(int(first), min(int(last or first), 99) + 1))
        if self.bars[-1].events:
            raise self._error("an ending starts at a bar line; expected | before it", self._at)
        self.bars[-1].passes = frozenset(numbers)

    def _gracenotes(self, braces: str) -> None:
        line, column = self._at
        if self._graces:
            raise self._error("a note is expected between two groups of gracenotes", self._at)
        graces = []
        for place, letter in enumerate(braces[1:-1], column + 1):
            if letter in ABC_LETTERS:
                graces.append(Note.from_abc(letter))
            elif letter not in " /0123456789":  # written lengths of gracenotes mean nothing
                raise self._error(
                    f"{letter!r} is not a gracenote; expected some of {NINE} between the braces", (line, place)
                )
        if not graces:
            raise self._error(f"the braces hold no gracenote; expected some of {NINE} between them", self._at)
        self._graces, self._graces_at = tuple(graces), self._at

    def _rest(self, length: str) -> None:
        if self._graces:
            raise self._error("gracenotes stand before a rest; a note is expected after them", self._graces_at)
        self._nothing_tied()
        self.bars[-1].events.append(Event(None, self._duration(length), at=self._at))

    def _note(self, letter: str, length: str) -> None:
        if letter not in ABC_LETTERS:
            raise self._error(f"{letter!r} is not a chanter note; the nine letters are {NINE}", self._at)
        joins, at = self._tied_before is not None, self._tied_before or self._at
        event = Event(Note.from_abc(letter), self._duration(length), gracenotes=self._graces, at=at, joins=joins)
        self._graces, self._tied_before = (), None
        self.bars[-1].events.append(event)

    def _duration(self, length: str) -> Fraction:
        top, slash, bottom = length.partition("/")
        if len(length) > 9:
            raise self._error(f"{length!r} is not a length; expected one such as 2, 3/2 or /", self._at)
        divisor = int(bottom.lstrip("/")) if bottom.lstrip("/") else 2 ** (bottom.count("/") + 1) if slash else 1
        times = int(top) if top else 1
        if not times or not divisor or divisor > 128:
            raise self._error(f"{length!r} is not a length; expected one such as 2, 3/2 or /", self._at)
        duration = self.unit * times / divisor
        if self._broken is not None:
            duration, self._broken = duration * self._broken, None
        if self._tuplet:
            duration, self._tuplet = duration * 2 / 3, self._tuplet - 1
        if duration > MAX_LENGTH:
            raise self._error(f"this note is longer than {MAX_LENGTH} whole notes", self._at)
        return duration

    def _broken_rhythm(self, signs: str) -> None:
        last = self.bars[-1].events[-1] if self.bars[-1].events else None
        if last is None or self._graces or self._broken is not None or len(signs) > 3:
            raise self._error("> and < stand between two notes, one to three of them", self._at)
        short = Fraction(1, 2 ** len(signs))
        before, after = (2 - short, short) if signs[0] == ">" else (short, 2 - short)
        last.duration *= before
        self._broken, self._broken_at = after, self._at

    def _triplet(self, digit: str, rest: str) -> None:
        """``(3`` and what the standard's section 4.13 lets stand after it: ``(3:2:r`` is a triplet of r notes."""
        _, in_time_of, count, *more = [*rest.split(":"), "", ""] if rest else ["", "", ""]
        if digit != "3" or in_time_of not in ("", "2") or count in ("0", "00") or len(count) > 2 or any(more):
            raise self._error("only triplets are read; expected (3 and three notes", self._at)
        self._tuplet = int(count or 3)

    def _tie(self) -> None:
        last = self.bars[-1].events[-1] if self.bars[-1].events else None
        if last is None and self.bars[-1].passes and not self._graces:
            self._tied_before = self._at
            return
        if last is None or last.note is None:
            raise self._error("a tie stands right after its note", self._at)
        last.tied = True

    def _nothing_tied(self) -> None:
        if self._tied_before is not None:
            raise self._error("a note is expected after this tie", self._tied_before)

    def _refusal(self, rest: str, line: int, column: int) -> ScoreError:
        found = (message for pattern, message in _REFUSED if re.match(pattern, rest))
        message = next(found, f"{rest[0]!r} is not read here")
        return self._error(f"{message}; expected one of {NINE}, gracenotes in braces, or a bar line", (line, column))

    @staticmethod
    def _error(message: str, at: tuple[int, int]) -> ScoreError:
        return ScoreError(message, line=at[0], column=at[1])
