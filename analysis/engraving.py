"""A score as a picture and as words.

The picture is an SVG that can stand inside a page under a strict content policy: no style element, no style attribute;
`static/css/music.css` colours it, and without it everything is drawn in the text colour. Each movement is a group with
``data-movement="<index>"`` and a ground to press on or to colour; each theme note and gracenote has the id that
:mod:`analysis.mei` gives it, and theme notes have ``data-theme`` and ``data-onset``, in beats from the first, so that
the music can follow a sound. A small wedge over the music marks the sound on which each beat falls.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Mapping
from functools import lru_cache
from importlib.resources import files
from typing import Final
from xml.etree import ElementTree as ET

import verovio

from analysis.chanter import Note
from analysis.engraving_lines import lines_for
from analysis.engraving_svg import (
    SPACE,
    SVG_NAMESPACE,
    Box,
    all_of,
    class_of,
    enlarge_numbers,
    extent,
    head,
    numbers,
    prune,
    svg_name,
    wedge,
)
from analysis.mei import mei as _document
from analysis.movements import Movement, audible, beat_point, written_as_themes
from analysis.score import Score, ThemeNote, WrittenMovement
from analysis.symbols import bars_of
from analysis.xml_text import xml_text

DEFAULT_WIDTH_PX: Final = 960
#: Height of the staff on the screen, in CSS pixels: a notehead is then 3 mm wide, to be read from a music stand.
_STAFF_PX: Final = 36.5

# Verovio's own units: a page unit is ten of the SVG's, a staff is 72 page units high.
_STAFF_UNITS: Final = 72
_SCALE: Final = 10

_lock = threading.Lock()
_local = threading.local()


class EngravingError(RuntimeError):
    """The music could not be drawn."""


def mei(score: Score) -> str:
    """`score` as an MEI document of its own, four bars to a line, with its tempo and instruction."""
    return _document(score, headed=True)


def svg(score: Score, *, width_px: int = DEFAULT_WIDTH_PX, beat_points: Mapping[str, str] | None = None) -> str:
    """`score` drawn for a place `width_px` CSS pixels wide: at most four bars to a line, fewer where it is narrow.

    The same arguments give the same text; the last 128 pictures are kept. Raises EngravingError when nothing can be
    drawn, ValueError for a width outside 200 to 4000.
    """
    if not 200 <= width_px <= 4000:
        raise ValueError(f"a width of {width_px} pixels is not possible; 200 to 4000 are")
    return _svg(score, width_px, tuple(sorted((beat_points or {}).items())))


@lru_cache(maxsize=128)
def _svg(score: Score, width_px: int, beat_points: tuple[tuple[str, str], ...]) -> str:
    page = width_px * _STAFF_UNITS / _STAFF_PX
    lines = lines_for(score, page)
    prefix = "m" + hashlib.sha256(repr((score, width_px, beat_points)).encode()).hexdigest()[:7] + "-"
    page = max(page, lines.width)  # a beat that fits on no line is drawn smaller
    document = _document(score, bars_a_line=lines.bars_a_line, cuts=lines.cuts, prefix=prefix)
    drawn = _render(document, round(page), prefix)
    return _Picture(drawn, score, prefix, dict(beat_points), width_px).finish()


def _toolkit() -> verovio.toolkit:
    """This thread's own toolkit: they cannot be shared, and its fonts must be named in every thread."""
    toolkit: verovio.toolkit | None = getattr(_local, "toolkit", None)
    if toolkit is None:
        with _lock:
            verovio.enableLog(verovio.LOG_OFF)
            verovio.setDefaultResourcePath(str(files("verovio") / "data"))
            toolkit = verovio.toolkit()
        _local.toolkit = toolkit
    return toolkit


def _render(document: str, page_width: int, prefix: str) -> ET.Element:
    toolkit = _toolkit()
    options = {
        "adjustPageHeight": True,
        "beamMaxSlope": 0,
        "breaks": "encoded",
        "footer": "none",
        "graceFactor": 0.7,
        "header": "none",
        "minLastJustification": 0.0,
        "mnumInterval": 1000,
        "outputFormatRaw": True,
        "pageHeight": 60_000,
        "pageMarginBottom": 10,
        "pageMarginLeft": 8,
        "pageMarginRight": 8,
        "pageMarginTop": 60,
        "pageWidth": page_width,
        "scale": 100,
        "spacingSystem": 7,
        "svgRemoveXlink": True,
        "svgViewBox": True,
        "xmlIdSeed": int(prefix.strip("m-"), 16) % 100_000 + 1,
    }
    if not toolkit.setOptions(options):
        raise EngravingError("the music could not be drawn: the drawing options were not accepted")
    if not toolkit.loadData(document):
        raise EngravingError("the music could not be drawn: it could not be loaded")
    text = toolkit.renderToSVG(1)
    if not text or toolkit.getPageCount() != 1:
        raise EngravingError("the music could not be drawn: it does not fit on one page")
    return ET.fromstring(text)


class _Picture:
    """A rendering being turned into a picture of ours."""

    def __init__(
        self, drawn: ET.Element, score: Score, prefix: str, beat_points: Mapping[str, str], width_px: int
    ) -> None:
        self.drawn, self.score, self.prefix, self.beat_points, self.width_px = (
            drawn,
            score,
            prefix,
            beat_points,
            width_px,
        )
        self.by_id = {element.get("id", ""): element for element in drawn.iter() if element.get("id")}
        self.parents = {child: parent for parent in drawn.iter() for child in parent}
        self.movements = {movement.theme: movement for movement in score.movements}
        self.starting = {movement.first: movement for movement in score.movements}

    def finish(self) -> str:
        inner = next(element for element in self.drawn if class_of(element) == "definition-scale")
        page = next(element for element in inner if class_of(element) == "page-margin")
        for element in list(page.iter()):
            if "placeholder" in (element.get("class") or "") or class_of(element) == "mNum":
                self.parents[element].remove(element)
        for system in all_of(page, "system"):
            self._system(system)
        enlarge_numbers(page)
        prune(page)
        ET.register_namespace("", SVG_NAMESPACE)
        return ET.tostring(self._root(inner, page), encoding="unicode")

    def _root(self, inner: ET.Element, page: ET.Element) -> ET.Element:
        box = inner.get("viewBox", "")
        _, _, width, height = (float(value) for value in box.split())
        root = ET.Element(
            svg_name("svg"),
            {
                "class": "music",
                "viewBox": box,
                "width": str(self.width_px),
                "height": str(round(self.width_px * height / width)),
                "role": "img",
                "aria-labelledby": f"{self.prefix}title",
            },
        )
        ET.SubElement(root, svg_name("title"), {"id": f"{self.prefix}title"}).text = self._title()
        root.extend(element for element in self.drawn if element.tag == svg_name("defs"))
        page.set("fill", "currentColor")
        page.set("stroke", "currentColor")
        page.set("stroke-width", "0")
        root.append(page)
        return root

    def _title(self) -> str:
        bars, movements = len(bars_of(self.score)), len(self.score.movements)
        return f"{xml_text(self.score.title) or 'Music'}: {_count(bars, 'bar')}, {_count(movements, 'movement')}"

    def _system(self, system: ET.Element) -> None:
        box = extent(system)
        row = box.top - 1.15 * SPACE
        for measure in all_of(system, "measure"):
            self._bar_number(measure, row)
            for number in self._themes_in(measure):
                self._theme(measure, number, self.score.themes[number], Box(0, row, 0, box.bottom))

    def _themes_in(self, measure: ET.Element) -> list[int]:
        names = (note.get("id", "").removeprefix(f"{self.prefix}n") for note in all_of(measure, "note"))
        return [int(name) for name in names if name.isdecimal()]

    def _bar_number(self, measure: ET.Element, row: float) -> None:
        bar = measure.get("id", "").removeprefix(f"{self.prefix}b")
        if not bar.isdecimal() or bar == "0":  # a pickup, or the rest of a bar that began on the line above
            return
        staff = next(all_of(measure, "staff"))
        line = next(element for element in staff if element.tag == svg_name("path"))
        left = numbers(line.get("d", ""))[0]
        label = ET.Element(
            svg_name("text"),
            {
                "class": "bar-number",
                "x": f"{left - (0.2 * SPACE if left else 0):.0f}",
                "y": f"{row + 0.55 * SPACE:.0f}",
                "font-size": "225",
                "opacity": "0.65",
                "stroke": "none",
                "text-anchor": "end" if left else "start",
            },
        )
        label.text = bar
        measure.append(label)

    def _theme(self, measure: ET.Element, number: int, theme: ThemeNote, bounds: Box) -> None:
        note = self.by_id[f"{self.prefix}n{number}"]
        note.set("data-theme", str(number))
        note.set("data-onset", f"{float(theme.onset):.4f}".rstrip("0").rstrip("."))
        movement = self.movements.get(number)
        if movement:
            self._group(note, movement, bounds)
        if theme.beat.denominator == 1:
            left, right = head(self._on_the_beat(number, self.starting.get(number)))
            measure.append(wedge((left + right) / 2, bounds.top))

    def _on_the_beat(self, number: int, movement: WrittenMovement | None) -> ET.Element:
        """The symbol over which the mark stands."""
        theme = self.by_id[f"{self.prefix}n{number}"]
        if movement is None:
            return theme
        point = beat_point(Movement(movement.kind, movement.form), self.beat_points)
        if point == "theme":
            return self.by_id[f"{self.prefix}n{movement.theme}"]
        if point == "d-gracenote":
            return self._sounds(movement)[movement.gracenotes.index(Note.D)]
        heard = audible(movement.gracenotes, movement.on, movement.approach)
        # What is sounding already is no first sound.
        return self._sounds(movement)[heard.index(True) if True in heard else 0]

    def _sounds(self, movement: WrittenMovement) -> list[ET.Element]:
        """The symbols of everything that is written of `movement` before its theme note."""
        held = written_as_themes(movement.gracenotes, movement.on, movement.kind)
        if movement.first == movement.theme:
            names = [f"n{movement.theme}g{place}" for place in range(len(movement.gracenotes))]
        else:
            inner = next(iter(held))
            before = [f"n{movement.first}g{place}" for place in range(inner)]
            after = [f"n{movement.theme}g{place}" for place in range(len(movement.gracenotes) - inner - 1)]
            names = [*before, f"n{movement.first}", *after]
        return [self.by_id[self.prefix + name] for name in names]

    def _group(self, note: ET.Element, movement: WrittenMovement, bounds: Box) -> None:
        """Put the gracenotes and their theme note into one group with a ground behind them."""
        layer = self.parents[note]
        sounds = self._sounds(movement)
        first = sounds[0]
        for place, sound in enumerate(sounds):
            sound.set("data-gracenote", str(place))
        graces = first if self.parents[first] is layer else self.parents[first]
        position = list(layer).index(graces)
        group = ET.Element(
            svg_name("g"),
            {
                "class": "movement",
                "id": f"{self.prefix}movement{movement.index}",
                "data-movement": str(movement.index),
                "data-kind": movement.kind,
            },
        )
        left, right = head(first)[0] - 0.55 * SPACE, head(note)[1] + 0.55 * SPACE
        top, bottom = bounds.top - 0.45 * SPACE, bounds.bottom + 0.3 * SPACE
        ET.SubElement(group, svg_name("title")).text = movement_name(movement)
        ET.SubElement(
            group,
            svg_name("rect"),
            {
                "class": "movement-ground",
                "x": f"{left - (0.2 * SPACE if left else 0):.0f}",
                "y": f"{top:.0f}",
                "width": f"{right - left:.0f}",
                "height": f"{bottom - top:.0f}",
                "rx": "90",
                "fill": "none",
                "pointer-events": "all",
            },
        )
        moved = list(layer)[position : list(layer).index(note) + 1]
        for element in moved:
            layer.remove(element)
            group.append(element)
        layer.insert(position, group)


def movement_name(movement: WrittenMovement) -> str:
    """A movement in words: what, on which note, from which, and where."""
    form = f"{movement.form} " if movement.form in ("thumb", "half", "light", "heavy") else ""
    what: str = "movement" if movement.kind == "unknown" else movement.kind
    if movement.kind == "gracenote":
        what = f"{movement.gracenotes[0].label} gracenote"
    on = "" if movement.kind == "throw on D" else f" on {movement.on.label}"
    approach = f" from {movement.approach.label}" if movement.approach is not None else ""
    name = f"{form}{what}{on}{approach}, bar {movement.bar}, beat {_beat(movement)}"
    return name[0].upper() + name[1:]


def _beat(movement: WrittenMovement) -> str:
    return str(movement.beat) if movement.beat.denominator == 1 else f"{float(movement.beat):.2f}".rstrip("0")


def describe(score: Score) -> str:
    """`score` in words, bar by bar: the text version of the picture."""
    tempo = f", {score.tempo_bpm:g} beats a minute" if score.tempo_bpm else ""
    lines = [f"{score.title or 'Music'}. {score.meter[0]}/{score.meter[1]}{tempo}."]
    movements = {movement.theme: movement for movement in score.movements}
    for bar in bars_of(score):
        heading = f"Bar {bar.number}" if bar.number else "Pickup"
        notes = "; ".join(_note_in_words(theme, movements.get(number)) for number, theme in bar.themes) or "rest"
        lines.append(f"{heading}: {notes}.")
    return "\n".join(lines)


def _note_in_words(theme: ThemeNote, movement: WrittenMovement | None) -> str:
    length = "" if theme.duration == 1 else f", {_beats(theme)}"
    if movement is None:  # with a gracenote it is the short note that a movement begins with
        with_ = f" with a {theme.gracenotes[0].label} gracenote" if theme.gracenotes else ""
        return theme.note.label + with_ + length
    if movement.kind == "unknown":
        graces = ", ".join(note.label for note in movement.gracenotes)
        return f"{theme.note.label} with {graces} as gracenotes{length}"
    if movement.kind == "gracenote":
        return f"{theme.note.label} with a {movement.gracenotes[0].label} gracenote{length}"
    form = f"{movement.form} " if movement.form in ("thumb", "half", "light", "heavy") else ""
    return f"{form}{movement.kind}{'' if movement.kind == 'throw on D' else f' on {theme.note.label}'}{length}"


def _beats(theme: ThemeNote) -> str:
    if theme.duration.denominator == 1:
        return _count(theme.duration.numerator, "beat")
    return f"{theme.duration} of a beat" if theme.duration < 1 else f"{float(theme.duration):g} beats"


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"
