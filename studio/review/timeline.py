"""A report as a plotly figure: the nine notes as lanes, every sound in its lane, beats, movements and pinned notes.

Everything is a trace: shapes are slow to draw and send no clicks. The figure brings no colours; each trace says its
part in ``meta`` and the page colours it from its style sheet, in light and in dark. What there is much of stands in
``meta`` as plain columns (``starts``, ``ms``, ``lanes``; ``at``, ``said``), and the page draws of it what is near the
stretch on the screen and has room there: a long take has thousands of sounds. Lanes count 0 (low G) to 8 (high A);
above them stand the movements, with room for their words, and the pinned notes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from analysis.chanter import LABELS
from analysis.report import MovementReport, Report, Role, SoundedNote
from studio.review.services import NoteData
from studio.review.wording import chart_word, place_of, verdict

MOVEMENT_LANE: Final = 9.2
NOTE_LANE: Final = 10.9
BAR_LANE: Final = -0.95
TOP: Final = 11.4
BOTTOM: Final = -1.35
#: How high sounds are drawn, in lanes.
_HEIGHTS: Final[Mapping[Role, float]] = {"theme": 0.34, "gracenote": 0.78, "crossing": 0.62, "unwritten": 0.5}
_ROLE_NAMES: Final[Mapping[Role, str]] = {
    "theme": "theme note", "gracenote": "gracenote", "crossing": "crossing noise", "unwritten": "unwritten",
}  # fmt: skip
#: Markers that keep what should not be there visible when a whole take is on the screen.
_MARKERS: Final[Mapping[Role, str]] = {"crossing": "x-thin", "unwritten": "cross-thin"}
#: In the order drawn: a fault is never hidden by a neighbour that was clean.
_VERDICTS: Final = ("clean", "unsure", "fault")
#: How narrow a box may become, in pixels: a gracenote is to be seen when the whole take is on the screen.
_LEAST_PX: Final[Mapping[Role, int]] = {"gracenote": 2}
_HOVER: Final = "%{text}<extra></extra>"


class _Plain:
    """Traces and layouts as plotly's plain data. Its Python package would check each of thousands of values."""

    @staticmethod
    def Scatter(**values: Any) -> dict[str, Any]:
        return {"type": "scatter", **values}

    @staticmethod
    def Layout(**values: Any) -> dict[str, Any]:
        return values


def figure(report: Report, notes: Sequence[NoteData]) -> dict[str, Any]:
    """The figure as plotly's plain data."""
    go = _Plain
    bars = bar_starts(report)
    traces = [
        _lines(go, report["beat"]["beats_s"], "beats", 8.6, report["recording"]["duration_s"]),
        _lines(go, [start for _, start in bars], "bar-lines", 8.6, report["recording"]["duration_s"]),
        *[trace for role in _ROLE_NAMES for trace in _sounds(go, report["notes"], role)],
        _bars(go, bars),
        _beat_names(go, report, bars),
        *[_pitch(go, part) for part in ("pitch-ground", "pitch")],
        *_movements(go, report["movements"]),
        _stretches(go, notes),
        _pinned(go, report, notes),
    ]
    return {"data": traces, "layout": _layout(go, report)}


def _lane(note: str) -> int:
    return LABELS.index(note)


def _lines(go: Any, times: Sequence[float], part: str, top: float, last: float) -> Any:
    """Upright lines at `times`, which the page draws as far as they do not stand too close."""
    shown = [round(time, 4) for time in times if 0.0 <= time <= last]
    meta = {"part": part, "uprights": shown, "from": -0.6, "to": top}
    return go.Scatter(x=[], y=[], mode="lines", name=part, hoverinfo="skip", meta=meta)


def bar_starts(report: Report) -> list[tuple[int, float]]:
    """Bars and where their first beat falls, s, in the order played: known where a movement of the bar has its beat."""
    found: list[tuple[int, float]] = []
    beats = report["beat"]["beats_s"]
    for movement in report["movements"]:
        bar, beat, at = movement["bar"], movement["beat"], movement["beat_s"]
        if bar is None or beat is None or at is None or len(beats) < 2 or (found and found[-1][0] == bar):
            continue
        nearest = min(range(len(beats)), key=lambda number: abs(beats[number] - at))
        first = nearest - round(beat - 1)
        if 0 <= first < len(beats):
            found.append((bar, beats[first]))
    return found


def beat_names(report: Report, bars: Sequence[tuple[int, float]]) -> list[tuple[float, str]]:
    """The beats inside bars and their numbers, s: those between two bars that follow each other, and as many after the
    last."""
    beats = report["beat"]["beats_s"]
    starts = {start: bar for bar, start in bars}
    places = [number for number, beat in enumerate(beats) if beat in starts]
    found: list[tuple[float, str]] = []
    longest = 0
    for here, after in zip(places, [*places[1:], None], strict=False):
        follows = after is not None and starts[beats[after]] == starts[beats[here]] + 1
        count = after - here if after is not None and follows else longest
        longest = max(longest, count)
        until = min(here + count, len(beats) if after is None else after)
        found.extend((beats[number], str(number - here + 1)) for number in range(here + 1, until))
    return found


def _sounds(go: Any, sounded: Sequence[SoundedNote], role: Role) -> list[Any]:
    """The sounds of one role at their true length, a mark that is always to be seen for what should not be there, and
    the lengths of short ones in words.

    All of a role are one filled path: a long take has thousands, and each would be an element of its own as a bar.
    """
    chosen = [note for note in sounded if note["role"] == role]
    if not chosen:
        return []
    meta: dict[str, Any] = {
        "part": role,
        "high": _HEIGHTS[role],
        "least_px": _LEAST_PX.get(role, 0),
        "starts": [round(note["start_s"], 4) for note in chosen],
        "ms": [round(1000 * (note["end_s"] - note["start_s"]), 1) for note in chosen],
        "lanes": [_lane(note["note"]) for note in chosen],
    }
    traces = [_shape(go, mode="none", fill="toself", name=_ROLE_NAMES[role], meta=meta)]
    if role in _MARKERS:
        marker = {"symbol": _MARKERS[role], "size": 13, "line": {"width": 2}}
        meta = {"part": f"{role}-mark", "of": role}
        traces.append(_shape(go, mode="markers", marker=marker, name=_ROLE_NAMES[role], meta=meta))
    if role != "theme":
        traces.append(_texts(go, {"part": f"{role}-lengths", "of": role}))
    return traces


def _shape(go: Any, **values: Any) -> Any:
    """A trace that the page fills; hovering finds its corners."""
    return go.Scatter(x=[], y=[], hoveron="points", hovertemplate=_HOVER, **values)


def _texts(go: Any, meta: Mapping[str, Any], position: str = "top center") -> Any:
    """Words that the page shows where there is room for them; until then there are none."""
    return go.Scatter(
        x=[], y=[], mode="text", text=[], textposition=position, hoverinfo="skip", name=meta["part"], meta=meta
    )


def _bars(go: Any, bars: Sequence[tuple[int, float]]) -> Any:
    """Bar numbers under the lanes, beside each bar's first line."""
    at = [round(start, 4) for _, start in bars]
    meta = {"part": "bars", "y": BAR_LANE, "at": at, "said": [f" bar {bar}" for bar, _ in bars]}
    return _texts(go, meta, "middle right")


def _beat_names(go: Any, report: Report, bars: Sequence[tuple[int, float]]) -> Any:
    """The numbers of the beats inside bars, each beside its line."""
    named = beat_names(report, bars)
    at = [round(time, 4) for time, _ in named]
    meta = {"part": "beat-names", "y": BAR_LANE, "at": at, "said": [f" {name}" for _, name in named]}
    return _texts(go, meta, "middle right")


def _pitch(go: Any, part: str) -> Any:
    """Empty: the page fills it with the pitch of what is on the screen when somebody asks for it."""
    return go.Scatter(x=[], y=[], mode="lines", connectgaps=False, hoverinfo="skip", name=part, meta={"part": part})


def _movements(go: Any, movements: Sequence[MovementReport]) -> list[Any]:
    """The movements' words, and the marks of each verdict, which differ by their shape as well; a movement that was
    not played stands where it belonged."""
    placed = [(place[0], movement) for movement in movements if (place := place_of(movement)) is not None]
    meta = {
        "part": "movements",
        "y": MOVEMENT_LANE,
        "at": [round(at, 4) for at, _ in placed],
        "indexes": [movement["index"] for _, movement in placed],
        "verdicts": [verdict(movement) for _, movement in placed],
        "said": [chart_word(movement) for _, movement in placed],
    }
    marks = [
        # What is not sure is an outline.
        _shape(
            go,
            mode="lines" if name == "unsure" else "none",
            fill="none" if name == "unsure" else "toself",
            name=f"movements: {name}",
            meta={"part": "movement-mark", "verdict": name},
        )
        for name in _VERDICTS
    ]
    return [*marks, _texts(go, meta)]


def _pinned(go: Any, report: Report, notes: Sequence[NoteData]) -> Any:
    """One marker a pinned note, on several movements one on each; answers stand with the note they answer."""
    places = {movement["index"]: place_of(movement) for movement in report["movements"]}
    placed: list[tuple[float, NoteData]] = []
    for note in notes:
        if note["answer_to"] is not None:
            continue
        if len(note["movement_indexes"]) < 2 and note["start_s"] is not None:
            placed.append((note["start_s"], note))
        else:
            found = [place for index in note["movement_indexes"] if (place := places.get(index)) is not None]
            placed += [(place[0], note) for place in found]
    return go.Scatter(
        x=[at for at, _ in placed],
        y=[NOTE_LANE] * len(placed),
        mode="markers",
        marker={"symbol": "triangle-down", "size": 13},
        customdata=[note["id"] for _, note in placed],
        hovertemplate="a note is pinned here<extra></extra>",
        name="pinned notes",
        meta={"part": "pinned", "lane": NOTE_LANE},
    )


def _stretches(go: Any, notes: Sequence[NoteData]) -> Any:
    """A line for each note that is pinned to a stretch of time."""
    pinned = [note for note in notes if note["answer_to"] is None and note["movement_index"] is None]
    spans = [(note["start_s"], note["end_s"]) for note in pinned if note["end_s"] is not None]
    return go.Scatter(
        x=[value for start, end in spans for value in (start, end, None)],
        y=[value for _ in spans for value in (NOTE_LANE, NOTE_LANE, None)],
        mode="lines",
        hoverinfo="skip",
        name="stretches with a note",
        meta={"part": "pinned-stretch", "lane": NOTE_LANE},
    )


def _layout(go: Any, report: Report) -> Any:
    return go.Layout(
        barmode="overlay",
        bargap=0,
        dragmode="pan",
        hovermode="closest",
        showlegend=False,
        # What plotly would measure on the screen to make room for is known here.
        margin={"l": 84, "r": 20, "t": 6, "b": 34, "autoexpand": False},
        xaxis={
            "range": [0.0, report["recording"]["duration_s"]],
            "ticksuffix": " s",
            "tickangle": 0,
            "ticklabeloverflow": "allow",
            "zeroline": False,
            "showgrid": False,
            "minallowed": -1.0,
            "maxallowed": report["recording"]["duration_s"] + 1.0,
        },
        yaxis={
            "range": [BOTTOM, TOP],
            "fixedrange": True,
            "tickangle": 0,
            "ticklabeloverflow": "allow",
            "tickmode": "array",
            "tickvals": [*range(9), MOVEMENT_LANE, NOTE_LANE],
            "ticktext": [*LABELS, "movements", "notes"],
            "zeroline": False,
            "showgrid": True,
        },
    )
