"""A report as a plotly figure: the nine notes as lanes, every sound in its lane, beats, movements and pinned notes.

Everything is a trace: shapes are slow to draw and send no clicks. The figure brings no colours; each trace says its
part in ``meta`` and the page colours it from its style sheet, in light and in dark. Lanes count 0 (low G) to 8 (high
A); above them stand the movements and the pinned notes.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, Final

from analysis.chanter import LABELS
from analysis.report import MovementReport, Report, Role, SoundedNote
from studio.review.services import NoteData
from studio.review.wording import movement_name, verdict

MOVEMENT_LANE: Final = 9.35
NOTE_LANE: Final = 10.2
BAR_LANE: Final = -0.95
TOP: Final = 10.8
BOTTOM: Final = -1.35
_BAR_HEIGHT: Final[Mapping[Role, float]] = {"theme": 0.34, "gracenote": 0.78, "crossing": 0.62, "unwritten": 0.5}
_ROLE_NAMES: Final[Mapping[Role, str]] = {
    "theme": "theme note", "gracenote": "gracenote", "crossing": "crossing noise", "unwritten": "unwritten",
}  # fmt: skip
#: Markers that keep a 30 ms sound visible when a whole take is on the screen.
_MARKERS: Final[Mapping[Role, str]] = {"gracenote": "line-ns", "crossing": "x-thin", "unwritten": "cross-thin"}
_VERDICT_MARKERS: Final = {"clean": "circle", "fault": "triangle-up", "unsure": "diamond-open"}


def figure(report: Report, notes: Sequence[NoteData]) -> dict[str, Any]:
    """The figure as plotly's plain data. Loads plotly, so only where one is drawn."""
    import plotly.graph_objects as go

    traces = [
        _beats(go, report),
        *[trace for role in _ROLE_NAMES for trace in _sounds(go, report["notes"], role)],
        _bars(go, report["movements"]),
        _movements(go, report["movements"]),
        _pinned(go, report, notes),
    ]
    drawn = go.Figure(data=traces, layout=_layout(go, report))
    return dict(json.loads(drawn.to_json()))


def _lane(note: str) -> int:
    return LABELS.index(note)


def _beats(go: Any, report: Report) -> Any:
    """All beats as one broken line."""
    last = report["recording"]["duration_s"]
    times = [time for time in report["beat"]["beats_s"] if 0.0 <= time <= last]
    x = [value for time in times for value in (time, time, None)]
    y = [value for _ in times for value in (-0.6, 8.6, None)]
    return go.Scatter(x=x, y=y, mode="lines", name="beats", hoverinfo="skip", meta={"part": "beats"})


def _sounds(go: Any, sounded: Sequence[SoundedNote], role: Role) -> list[Any]:
    """The sounds of one role at their true length, and where they are short, a marker that is always to be seen."""
    chosen = [note for note in sounded if note["role"] == role]
    hover = [
        f"{note['note']}, {_ROLE_NAMES[role]}, {1000 * (note['end_s'] - note['start_s']):.0f} ms<extra></extra>"
        for note in chosen
    ]
    lanes = [_lane(note["note"]) for note in chosen]
    bars = go.Bar(
        orientation="h",
        base=[note["start_s"] for note in chosen],
        x=[note["end_s"] - note["start_s"] for note in chosen],
        y=lanes,
        width=_BAR_HEIGHT[role],
        name=_ROLE_NAMES[role],
        hovertemplate=hover,
        meta={"part": role},
    )
    if role not in _MARKERS:
        return [bars]
    marks = go.Scatter(
        x=[0.5 * (note["start_s"] + note["end_s"]) for note in chosen],
        y=lanes,
        mode="markers",
        marker={"symbol": _MARKERS[role], "size": 13, "line": {"width": 2}},
        name=_ROLE_NAMES[role],
        hovertemplate=hover,
        meta={"part": f"{role}-mark"},
    )
    return [bars, marks]


def _bars(go: Any, movements: Sequence[MovementReport]) -> Any:
    """Bar numbers under the lanes, where a bar's first movement falls."""
    first: dict[int, float] = {}
    for movement in movements:
        place = movement["beat_s"] if movement["beat_s"] is not None else movement["start_s"]
        if movement["bar"] is not None and place is not None:
            first.setdefault(movement["bar"], place)
    return go.Scatter(
        x=list(first.values()),
        y=[BAR_LANE] * len(first),
        mode="text",
        text=[f"bar {bar}" for bar in first],
        hoverinfo="skip",
        name="bars",
        meta={"part": "bars"},
    )


def _movements(go: Any, movements: Sequence[MovementReport]) -> Any:
    """One marker a movement that was played, its shape by its verdict."""
    played = [movement for movement in movements if movement["start_s"] is not None]
    verdicts = [verdict(movement) for movement in played]
    words = {"clean": "clean", "unsure": "not sure"}
    hover = [
        f"{movement_name(movement)}<br>{words.get(name, ', '.join(movement['flags']))}<extra></extra>"
        for movement, name in zip(played, verdicts, strict=True)
    ]
    return go.Scatter(
        x=[movement["start_s"] for movement in played],
        y=[MOVEMENT_LANE] * len(played),
        mode="markers",
        marker={"symbol": [_VERDICT_MARKERS[name] for name in verdicts], "size": 13, "line": {"width": 2}},
        customdata=[movement["index"] for movement in played],
        text=verdicts,
        hovertemplate=hover,
        name="movements",
        meta={"part": "movements"},
    )


def _pinned(go: Any, report: Report, notes: Sequence[NoteData]) -> Any:
    """One marker a pinned note; answers stand with the note they answer."""
    starts = {movement["index"]: movement["start_s"] for movement in report["movements"]}
    placed = []
    for note in notes:
        at = note["start_s"] if note["start_s"] is not None else starts.get(note["movement_index"] or -1)
        if note["answer_to"] is None and at is not None:
            placed.append((at, note))
    return go.Scatter(
        x=[at for at, _ in placed],
        y=[NOTE_LANE] * len(placed),
        mode="markers",
        marker={"symbol": "triangle-down", "size": 13},
        customdata=[note["id"] for _, note in placed],
        hovertemplate="a note is pinned here<extra></extra>",
        name="pinned notes",
        meta={"part": "pinned"},
    )


def _layout(go: Any, report: Report) -> Any:
    return go.Layout(
        barmode="overlay",
        bargap=0,
        dragmode="pan",
        hovermode="closest",
        showlegend=False,
        margin={"l": 84, "r": 8, "t": 6, "b": 34},
        xaxis={
            "range": [0.0, report["recording"]["duration_s"]],
            "ticksuffix": " s",
            "zeroline": False,
            "showgrid": False,
            "minallowed": -1.0,
            "maxallowed": report["recording"]["duration_s"] + 1.0,
        },
        yaxis={
            "range": [BOTTOM, TOP],
            "fixedrange": True,
            "tickmode": "array",
            "tickvals": [*range(9), MOVEMENT_LANE, NOTE_LANE],
            "ticktext": [*LABELS, "movements", "notes"],
            "zeroline": False,
            "showgrid": True,
        },
        template="none",
    )
