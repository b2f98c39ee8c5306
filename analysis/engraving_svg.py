"""Reading and mending Verovio's SVG: what the symbols of a drawing are, how far they reach, where a head stands."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final
from xml.etree import ElementTree as ET

SVG_NAMESPACE: Final = "http://www.w3.org/2000/svg"
#: Between two staff lines, in the SVG's units.
SPACE: Final = 180
# How wide the font's heads are, in its own units; a semibreve's is wider than all others.
_HEAD_UNITS: Final = 314
# How far the three flags of a gracenote stand over its stem.
_FLAG_UNITS: Final = 190
# How large a tuplet's number is drawn, and how wide its sign is.
_NUMBER_SCALE, _NUMBER_UNITS = 0.72, 330
_SEMIBREVE, _SEMIBREVE_UNITS = "#E0A2", 405


@dataclass(frozen=True)
class Box:
    """A rectangle in the SVG's units, downwards as everything there."""

    left: float
    top: float
    right: float
    bottom: float


def svg_name(name: str) -> str:
    """`name` as the parser of XML has it."""
    return f"{{{SVG_NAMESPACE}}}{name}"


def class_of(element: ET.Element) -> str:
    """The first of an element's classes: what Verovio drew it as."""
    return (element.get("class") or "").split(" ")[0]


def all_of(element: ET.Element, name: str) -> Iterator[ET.Element]:
    """Everything in `element` that Verovio drew as `name`."""
    return (child for child in element.iter() if class_of(child) == name)


def uses(element: ET.Element) -> Iterator[ET.Element]:
    """The font's symbols in `element`."""
    return (child for child in element.iter() if child.tag == svg_name("use"))


def numbers(text: str) -> list[float]:
    """Every number of an attribute."""
    return [float(value) for value in re.findall(r"-?\d+(?:\.\d+)?", text)]


def extent(system: ET.Element) -> Box:
    """How far staves, stems, beams, flags and noteheads reach."""
    heights: list[float] = []
    for element in system.iter():
        values = numbers(element.get("d", "") or element.get("points", ""))
        heights += values[1::2]
        if class_of(element) == "notehead":
            _, middle, *_ = numbers(next(uses(element)).get("transform", ""))
            heights += [middle - 0.5 * SPACE, middle + 0.5 * SPACE]
        elif class_of(element) == "flag":
            _, tip, scale, *_ = numbers(next(uses(element)).get("transform", ""))
            heights.append(tip - scale * _FLAG_UNITS)
    return Box(0, min(heights), 0, max(heights))


def head(note: ET.Element) -> tuple[float, float]:
    """Left and right edge of a note's head."""
    symbol = next(uses(note))
    x, _, scale, *_ = numbers(symbol.get("transform", ""))
    return x, x + scale * (_SEMIBREVE_UNITS if _SEMIBREVE in symbol.get("href", "") else _HEAD_UNITS)


def enlarge_numbers(drawing: ET.Element) -> None:
    """Draw all tuplets' numbers in one size: Verovio draws that of one which begins with a gracenote as small as it."""
    for symbol in (symbol for number in all_of(drawing, "tupletNum") for symbol in uses(number)):
        x, y, scale, *_ = numbers(symbol.get("transform", ""))
        grown = _NUMBER_SCALE - scale
        if grown > 0.01:
            place = f"translate({x - grown * _NUMBER_UNITS / 2:.0f}, {y + grown * _NUMBER_UNITS / 2:.0f})"
            symbol.set("transform", f"{place} scale({_NUMBER_SCALE}, {_NUMBER_SCALE})")


def prune(element: ET.Element) -> None:
    """Take away groups that hold nothing, and any style."""
    element.attrib.pop("style", None)
    for child in list(element):
        prune(child)
        if child.tag == svg_name("g") and not len(child):
            element.remove(child)


def wedge(x: float, y: float) -> ET.Element:
    """The mark of a beat, its tip pointing down at `x`."""
    half, height = 0.4 * SPACE, 0.62 * SPACE
    return ET.Element(
        svg_name("path"),
        {"class": "beat-mark", "d": f"M{x - half:.0f} {y:.0f}h{2 * half:.0f}l{-half:.0f} {height:.0f}z"},
    )
