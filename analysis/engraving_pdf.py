"""An engraved picture (:func:`analysis.engraving.svg`) as vector paths on a page of a PDF.

Only what these pictures hold is drawn: the font's symbols, paths of lines and curves, polygons, ellipses, and the bar
numbers. Grounds behind movements are for screens and left out.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any, Final
from xml.etree import ElementTree as ET

from analysis.engraving_svg import SPACE, all_of, class_of, numbers, svg_name, uses

#: What the commands of a path take: how many numbers each.
_TAKES: Final = {"m": 2, "l": 2, "h": 1, "v": 1, "c": 6, "s": 4, "z": 0}
_TOKEN: Final = re.compile(r"[a-zA-Z]|-?\d+(?:\.\d+)?")
_ROOM: Final = 0.3 * SPACE
_BAR_NUMBER_SHARE: Final = 0.36  # between black and white: quieter than the notes

Step = tuple[str, tuple[float, ...]]


@dataclass(frozen=True)
class Line:
    """One line of music. `top` and `bottom` say how far it reaches, in shares of the picture's width."""

    element: ET.Element
    top: float
    bottom: float

    @property
    def height(self) -> float:
        """In shares of the picture's width."""
        return self.bottom - self.top


class Drawing:
    """A picture ready to be put on pages, line by line."""

    def __init__(self, picture: str) -> None:
        """Raises ValueError when `picture` is not one of ours."""
        self._root = ET.fromstring(picture)
        box = numbers(self._root.get("viewBox", ""))
        pages = [group for group in self._root if class_of(group) == "page-margin"]
        if len(box) != 4 or not box[2] or not pages:
            raise ValueError("there is no music in the picture; expected one made by analysis.engraving.svg")
        self._page, self._width = pages[0], box[2]
        self.lines = [self._line(system) for system in all_of(self._page, "system")]

    def _line(self, system: ET.Element) -> Line:
        heights = list(_heights(system))
        return Line(system, (min(heights) - _ROOM) / self._width, (max(heights) + _ROOM) / self._width)

    def draw(self, line: Line, canvas: Any, *, x: float, y: float, width: float, font: str) -> None:
        """Put `line` on a reportlab `canvas`, its upper left corner at `x`, `y` (points, upwards), `width` points wide.

        Bar numbers are set in the registered font called `font`.
        """
        scale = width / self._width
        left, *_ = numbers(self._page.get("transform", ""))
        canvas.saveState()
        canvas.translate(x, y)
        canvas.scale(scale, -scale)
        canvas.translate(left, -line.top * self._width)
        canvas.setFillGray(0)
        canvas.setStrokeGray(0)
        canvas.setLineWidth(0)
        _Pen(canvas, self._root, font).element(line.element)
        canvas.restoreState()


def _heights(system: ET.Element) -> Iterator[float]:
    """Heights that the symbols of a line reach: those of its paths and text; a clef hangs below its staff."""
    for element in system.iter():
        if class_of(element) in ("notehead", "flag"):
            _, middle, *_ = numbers(next(uses(element)).get("transform", ""))
            yield from (middle - SPACE / 2, middle + SPACE / 2)
        elif element.tag == svg_name("path"):
            yield from (values[-1] for _, values in _steps(element.get("d", "")) if values)
        elif element.tag in (svg_name("polygon"), svg_name("polyline")):
            yield from numbers(element.get("points", ""))[1::2]
        elif class_of(element) in ("clef", "tupletNum"):
            _, middle, *_ = numbers(next(uses(element)).get("transform", ""))
            yield middle + 2.6 * SPACE if class_of(element) == "clef" else middle


#: What is drawn through what it holds; a text's parts are drawn with it.
_GROUPS: Final = frozenset(("g", "symbol", "svg", "tspan"))


class _Pen:
    def __init__(self, canvas: Any, root: ET.Element, font: str) -> None:
        self.canvas, self.font = canvas, font
        defs = root.find(svg_name("defs"))
        self.symbols = {symbol.get("id", ""): symbol for symbol in (defs if defs is not None else ())}

    def element(self, element: ET.Element) -> None:
        name = element.tag.rpartition("}")[2]
        if name in ("defs", "title", "rect"):
            return
        self.canvas.saveState()
        self._transform(element.get("transform", ""))
        if element.get("stroke-width") is not None:
            self.canvas.setLineWidth(float(element.get("stroke-width", "0")))
        if name == "path":
            self._path(element)
        elif name in ("polygon", "polyline"):
            self._points(numbers(element.get("points", "")), closed=name == "polygon")
        elif name == "ellipse":
            x, y, rx, ry = (float(element.get(key, "0")) for key in ("cx", "cy", "rx", "ry"))
            self.canvas.ellipse(x - rx, y - ry, x + rx, y + ry, stroke=0, fill=1)
        elif name == "use":
            self.element(self.symbols[element.get("href", "").removeprefix("#")])
        elif name == "text":
            self._text(element)
        elif name not in _GROUPS:
            raise ValueError(f"{name!r} cannot be drawn on paper")
        for child in element:
            self.element(child)
        self.canvas.restoreState()

    def _transform(self, text: str) -> None:
        for name, values in re.findall(r"(\w+)\(([^)]*)\)", text):
            found = numbers(values)
            if name == "translate":
                self.canvas.translate(found[0], found[1] if len(found) > 1 else 0)
            elif name == "scale":
                self.canvas.scale(found[0], found[-1])

    def _path(self, element: ET.Element) -> None:
        steps = _steps(element.get("d", ""))
        path = self.canvas.beginPath()
        for name, values in steps:
            if name == "m":
                path.moveTo(*values)
            elif name == "l":
                path.lineTo(*values)
            elif name == "c":
                path.curveTo(*values)
            else:
                path.close()
        # Verovio strokes lines, slurs and ties; the font's symbols and the marks of beats are filled.
        stroked = element.get("stroke-width") is not None
        filled = not stroked or any(name == "c" for name, _ in steps)
        self.canvas.drawPath(path, stroke=int(stroked), fill=int(filled), fillMode=1)

    def _points(self, points: list[float], *, closed: bool) -> None:
        """A filled shape, or the line of a tuplet's bracket."""
        path = self.canvas.beginPath()
        path.moveTo(*points[:2])
        for place in range(2, len(points) - 1, 2):
            path.lineTo(*points[place : place + 2])
        if closed:
            path.close()
        self.canvas.drawPath(path, stroke=int(not closed), fill=int(closed))

    def _text(self, element: ET.Element) -> None:
        if not (element.text or "").strip():
            return
        self.canvas.setFillGray(_BAR_NUMBER_SHARE if class_of(element) == "bar-number" else 0)
        self.canvas.translate(float(element.get("x", "0")), float(element.get("y", "0")))
        self.canvas.scale(1, -1)
        self.canvas.setFont(self.font, float(element.get("font-size", "225")))
        at_end = element.get("text-anchor") == "end"
        (self.canvas.drawRightString if at_end else self.canvas.drawString)(0, 0, (element.text or "").strip())


@cache
def _steps(d: str) -> tuple[Step, ...]:
    """A path's commands with absolute coordinates: m, l, c and z."""
    return tuple(_absolute(_commands(d)))


def _commands(d: str) -> Iterator[Step]:
    """The commands as written; one that goes on with more numbers is repeated, and more after a move are lines."""
    name, values = "", list[float]()
    for token in [*_TOKEN.findall(d), ""]:
        if token and not token.isalpha():
            values.append(float(token))
            continue
        count = _TAKES.get(name.lower(), 0)
        if name and not count:
            yield name, ()
        for place in range(0, len(values), count or 1):
            yield (
                (name if not place or name not in "mM" else "lL"["mM".index(name)]),
                tuple(values[place : place + count]),
            )
        if token and token.lower() not in _TAKES:
            raise ValueError(f"{token!r} in a path is not drawn; expected some of M L H V C S Z")
        name, values = token, []


def _absolute(commands: Iterator[Step]) -> Iterator[Step]:
    x = y = start_x = start_y = 0.0
    bend_x = bend_y = 0.0  # the last curve's second control point
    for name, given in commands:
        base_x, base_y = (x, y) if name.islower() else (0.0, 0.0)
        kind = name.lower()
        if kind == "z":
            x, y = start_x, start_y
            yield "z", ()
            continue
        if kind == "h":
            values = [base_x + given[0], y]
        elif kind == "v":
            values = [x, base_y + given[0]]
        else:
            values = [value + (base_y if place % 2 else base_x) for place, value in enumerate(given)]
        if kind == "s":  # goes on smoothly from the curve before
            values = [2 * x - bend_x, 2 * y - bend_y, *values]
        x, y = values[-2:]
        bend_x, bend_y = values[2:4] if kind in "cs" else (x, y)
        if kind == "m":
            start_x, start_y = x, y
        yield ("m" if kind == "m" else "c" if kind in "cs" else "l"), tuple(values)
