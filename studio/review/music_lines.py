"""Drawn music line by line: a page draws of a long piece only the lines that are looked at."""

from __future__ import annotations

import re
from collections.abc import Mapping
from html import escape
from typing import Final, TypedDict

from django.core.cache import cache

from studio.exercises.rendered import picture

_KEEP_S: Final = 7 * 24 * 3600
#: Air above what stands highest in a line, in the picture's units, of which a staff's space is 180.
_AIR: Final = 40
_SYSTEM: Final = re.compile(r'<g\b[^>]*\bclass="system"[^>]*>')
_MARGIN: Final = re.compile(r'<g\b[^>]*\bclass="page-margin"[^>]*\btranslate\(\s*[-\d.]+,\s*([-\d.]+)\)[^>]*>')
#: Where a line's staves, grounds, marks of beats and bar numbers begin; of the last their upper edge.
_TOPS: Final = (
    re.compile(r'<path\b[^>]*\bd="M-?[\d.]+ (-?[\d.]+)[ LlHhVv]'),
    re.compile(r'<rect\b[^>]*\by="(-?[\d.]+)"'),
)
_NUMBER: Final = re.compile(r'<text\b[^>]*\by="(-?[\d.]+)"[^>]*\bfont-size="([\d.]+)"[^>]*>(\d+)<')
_MOVEMENT: Final = re.compile(r'\bdata-movement="(\d+)"')


class LineData(TypedDict):
    """One line: an SVG of its own without the font's symbols, its shape, and the numbers of its movements."""

    picture: str
    wide: float
    high: float
    movements: list[int]


class LinesData(TypedDict):
    """The lines of a piece, and the symbols that they use as an SVG that shows nothing."""

    symbols: str
    lines: list[LineData]


def lines_of(abc: str, *, width_px: int, beat_points: Mapping[str, str]) -> LinesData:
    """The music drawn for a place `width_px` wide, line by line. Raises ScoreError on bad ABC."""
    drawn, etag = picture(abc, width_px=width_px, beat_points=beat_points)
    found: LinesData | None = cache.get(f"lines:{etag}")
    if found is None:
        found = divided(drawn)
        cache.set(f"lines:{etag}", found, _KEEP_S)
    return found


def divided(drawn: str) -> LinesData:
    """A picture by the engraver, divided into its lines. Each reaches down to where the next begins."""
    drawn = re.sub(r">\s+<", "><", drawn)
    margin = _MARGIN.search(drawn)
    starts = [match.start() for match in _SYSTEM.finditer(drawn)]
    box = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', drawn)
    if margin is None or box is None or not starts:
        raise ValueError("a picture without lines")
    wide, bottom = float(box[1]), float(box[2])
    down = float(margin[1])
    texts = [drawn[start:end] for start, end in zip(starts, [*starts[1:], drawn.rindex("</g></svg>")], strict=True)]
    tops = [down + _top(text) - _AIR for text in texts]
    symbols = "".join(re.findall(r"<defs\b.*?</defs>", drawn, re.DOTALL))
    return {
        "symbols": (
            '<svg xmlns="http://www.w3.org/2000/svg" class="music-symbols" width="0" height="0" aria-hidden="true">'
            f"{symbols}</svg>"
        ),
        "lines": [
            _line(text, margin[0], wide, top, end)
            for text, top, end in zip(texts, tops, [*tops[1:], bottom], strict=True)
        ],
    }


def _top(text: str) -> float:
    numbers = [float(found) for pattern in _TOPS for found in pattern.findall(text)]
    return min([*numbers, *(float(y) - float(size) for y, size, _ in _NUMBER.findall(text))], default=0.0)


def _line(text: str, margin: str, wide: float, top: float, end: float) -> LineData:
    bars = [bar for *_, bar in _NUMBER.findall(text)]
    label = {0: "Music", 1: f"Bar {''.join(bars)}"}.get(len(bars)) or f"Bars {bars[0]} to {bars[-1]}"
    high = end - top
    inside = re.sub(r' id="[^"]*"', "", margin + text)
    return {
        "picture": (
            f'<svg xmlns="http://www.w3.org/2000/svg" class="music" viewBox="0 {top:g} {wide:g} {high:g}" role="img" '
            f'aria-label="{escape(label)}">{inside}</g></svg>'
        ),
        "wide": wide,
        "high": high,
        "movements": [int(number) for number in _MOVEMENT.findall(text)],
    }
