"""Exercises as sheets to print: PDF pages with the music, what to mind, a row to tick and a code to record from.

A sheet is laid out in rows. A row is never divided; an exercise moves to the next page as a whole where that does, else
its lines of music flow over pages. Everything is drawn in black, so that any printer does.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from pathlib import Path
from typing import Final

import segno
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from analysis.engraving_pdf import Drawing, Line

PAPERS: Final[dict[str, tuple[float, float]]] = {"a4": A4, "letter": LETTER}
#: The picture's width that is made for a sheet, in CSS pixels: its staff is then nearly 7 mm high on paper.
PICTURE_PX: Final = 960

_REGULAR, _BOLD = "Sheet", "Sheet-Bold"
_FONTS: Final = {_REGULAR: "DejaVuSans.ttf", _BOLD: "DejaVuSans-Bold.ttf"}
_MARGIN: Final = 15 * mm
_FOOT: Final = 12 * mm
_BETWEEN: Final = 9 * mm
_LINE_GAP: Final = 2 * mm
_DAYS: Final = 7
_BOX: Final = 8 * mm
_BOX_STEP: Final = 13 * mm
_CODE: Final = 20 * mm


@dataclass(frozen=True)
class Entry:
    """One exercise of a sheet. `address` is where its code leads; without one there is no code."""

    title: str
    tempo_bpm: int
    instruction: str
    drawing: Drawing
    address: str = ""


@dataclass(frozen=True)
class Heading:
    """Whose sheet it is; without a learner there is a line to write a name on."""

    studio: str
    learner: str
    starts_on: date


@dataclass(frozen=True)
class _Row:
    """Something that is drawn down from `y`, the page's margin to its left."""

    height: float
    draw: Callable[[Canvas, float], None]


def sheet_pdf(entries: Sequence[Entry], heading: Heading, *, paper: str) -> bytes:
    """The sheet as PDF. `paper` is one of :data:`PAPERS`. Raises ValueError for another, or without exercises."""
    if paper not in PAPERS:
        raise ValueError(f"{paper!r} is not a paper; expected one of {', '.join(PAPERS)}")
    if not entries:
        raise ValueError("the sheet has no exercises; choose at least one")
    _register_fonts()
    width, height = PAPERS[paper]
    sheet = _Sheet(width - 2 * _MARGIN, heading)
    pages = _paged([sheet.exercise(entry) for entry in entries], height - _MARGIN - _FOOT + _BETWEEN, sheet.top())
    file = io.BytesIO()
    canvas = Canvas(file, pagesize=(width, height), invariant=True, lang="en")
    canvas.setTitle(f"Practice sheet{f' for {heading.learner}' if heading.learner else ''}, {_day(heading.starts_on)}")
    canvas.setAuthor(heading.studio)
    canvas.setSubject("; ".join(entry.title for entry in entries))
    for number, rows in enumerate(pages, 1):
        y = height - _MARGIN
        for row in rows:
            row.draw(canvas, y)
            y -= row.height
        sheet.foot(canvas, number, len(pages))
        canvas.showPage()
    canvas.save()
    return file.getvalue()


def _paged(blocks: Sequence[Sequence[_Row]], room: float, top: _Row) -> list[list[_Row]]:
    """The rows of each page, the heading on the first."""
    pages: list[list[_Row]] = [[top]]
    left = room - top.height
    for block in blocks:
        whole = sum(row.height for row in block)
        if left < whole <= room and len(pages[-1]) > (1 if len(pages) == 1 else 0):
            pages.append([])
            left = room
        for row in block:
            if row.height > left and pages[-1]:
                pages.append([])
                left = room
            pages[-1].append(row)
            left -= row.height
    return pages


class _Sheet:
    def __init__(self, width: float, heading: Heading) -> None:
        self.width, self.heading = width, heading

    def top(self) -> _Row:
        """The learner's name and the date."""
        heading = self.heading

        def draw(canvas: Canvas, y: float) -> None:
            canvas.setFont(_BOLD, 15)
            name = _fitted(heading.learner or "Name", self.width - 85 * mm, 15, _BOLD)
            canvas.drawString(_MARGIN, y - 6 * mm, name)
            if not heading.learner:
                canvas.setLineWidth(0.6)
                canvas.line(_MARGIN + 18 * mm, y - 6.5 * mm, _MARGIN + 95 * mm, y - 6.5 * mm)
            canvas.setFont(_REGULAR, 10)
            right = _MARGIN + self.width
            canvas.drawRightString(right, y - 3.5 * mm, f"Week from {_day(heading.starts_on)}")
            canvas.drawRightString(right, y - 8.5 * mm, _fitted(heading.studio, 80 * mm, 10))
            canvas.setLineWidth(0.8)
            canvas.line(_MARGIN, y - 11.5 * mm, right, y - 11.5 * mm)

        return _Row(17 * mm, draw)

    def foot(self, canvas: Canvas, number: int, count: int) -> None:
        """Whose page it is, and which of how many."""
        canvas.setFont(_REGULAR, 8)
        canvas.drawString(_MARGIN, 7 * mm, _fitted(self.heading.learner or self.heading.studio, 100 * mm, 8))
        canvas.drawRightString(_MARGIN + self.width, 7 * mm, f"Page {number} of {count}")

    def exercise(self, entry: Entry) -> list[_Row]:
        """Its title and what to mind with the first line of music; the other lines; the last with the row to tick."""
        words = self._words(entry)
        music = [self._music(entry.drawing, line) for line in entry.drawing.lines]
        ticks = self._ticks(entry)
        rows = [words, *music[:1]], *[[row] for row in music[1:]]
        rows[-1].append(ticks)
        return [_joined(together) for together in rows]

    def _words(self, entry: Entry) -> _Row:
        title = _wrapped(entry.title, _BOLD, 12, self.width - 45 * mm)
        minding = _wrapped(entry.instruction, _REGULAR, 10, self.width)

        def draw(canvas: Canvas, y: float) -> None:
            canvas.setFont(_REGULAR, 10)
            canvas.drawRightString(_MARGIN + self.width, y - 4 * mm, f"{entry.tempo_bpm} beats a minute")
            for font, size, lines in ((_BOLD, 12, title), (_REGULAR, 10, minding)):
                canvas.setFont(font, size)
                for line in lines:
                    y -= 5 * mm
                    canvas.drawString(_MARGIN, y + 1 * mm, line)

        return _Row((len(title) + len(minding)) * 5 * mm + 2 * mm, draw)

    def _music(self, drawing: Drawing, line: Line) -> _Row:
        def draw(canvas: Canvas, y: float) -> None:
            drawing.draw(line, canvas, x=_MARGIN, y=y, width=self.width, font=_REGULAR)

        return _Row(line.height * self.width + _LINE_GAP, draw)

    def _ticks(self, entry: Entry) -> _Row:
        """A box for each of seven days, and the code that leads to the recorder."""
        days = [self.heading.starts_on + timedelta(days=number) for number in range(_DAYS)]

        def draw(canvas: Canvas, y: float) -> None:
            canvas.setFont(_REGULAR, 9)
            canvas.drawString(_MARGIN, y - 4 * mm, "Tick each day that you played it clean:")
            canvas.setLineWidth(0.8)
            for number, day in enumerate(days):
                left = _MARGIN + number * _BOX_STEP
                canvas.drawCentredString(left + _BOX / 2, y - 9 * mm, f"{day:%a}")
                canvas.rect(left, y - 10.5 * mm - _BOX, _BOX, _BOX, stroke=1, fill=0)
            if entry.address:
                _code(canvas, entry.address, _MARGIN + self.width - _CODE, y)

        return _Row(_CODE + _BETWEEN, draw)


def _joined(rows: Sequence[_Row]) -> _Row:
    def draw(canvas: Canvas, y: float) -> None:
        for row in rows:
            row.draw(canvas, y)
            y -= row.height

    return _Row(sum(row.height for row in rows), draw)


def _code(canvas: Canvas, address: str, left: float, top: float) -> None:
    """`address` as a QR code (ISO/IEC 18004) with its quiet zone, words beside it, and a link for screens."""
    code = segno.make(address, error="m", micro=False)
    modules = [list(row) for row in code.matrix_iter(border=4)]
    side = _CODE / len(modules)
    canvas.setFillGray(0)
    path = canvas.beginPath()
    for down, row in enumerate(modules):
        for along, dark in enumerate(row):
            if dark:
                path.rect(left + along * side, top - (down + 1) * side, side, side)
    canvas.drawPath(path, stroke=0, fill=1)
    canvas.setFont(_REGULAR, 9)
    canvas.drawRightString(left - 1 * mm, top - _CODE / 2 - 1 * mm, "Scan to record it")
    canvas.linkURL(address, (left, top - _CODE, left + _CODE, top), relative=0)


def _wrapped(text: str, font: str, size: float, width: float) -> list[str]:
    """`text` in lines of up to `width` points."""
    return [_fitted(line, width, size, font) for line in simpleSplit(text, font, size, width)]


def _fitted(text: str, width: float, size: float, font: str = _REGULAR) -> str:
    """`text`, or as much of it as goes into `width` points."""
    if pdfmetrics.stringWidth(text, font, size) <= width:
        return text
    while text and pdfmetrics.stringWidth(f"{text}…", font, size) > width:
        text = text[:-1]
    return f"{text}…"


def _day(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


@cache
def _register_fonts() -> None:
    folder = Path(__file__).with_name("fonts")
    for name, file in _FONTS.items():
        pdfmetrics.registerFont(TTFont(name, str(folder / file)))
