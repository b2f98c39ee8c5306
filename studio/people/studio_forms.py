"""The form of a studio's settings: its name, how strictly it judges, where beats fall, and the tuning."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, get_args

from django import forms
from django.forms import BoundField

from analysis.judgement import Level, Tolerances, tolerances
from analysis.movements import BEAT_POINT_CHOICES, DEFAULT_BEAT_POINTS
from studio.people.models import Studio


@dataclass(frozen=True)
class Limit:
    """A tolerance as people set it: `factor` turns the stored number into the shown one."""

    name: str
    label: str
    unit: str
    least: float
    most: float
    factor: float = 1.0

    def shown(self, values: Tolerances) -> str:
        """The value of a set of tolerances as it stands on the page."""
        return f"{getattr(values, self.name) * self.factor:g}"


LIMITS: Final = (
    Limit("offset_share", "Off the beat, as a share of the beat", "% of the beat", 0.5, 50, 100.0),
    Limit("offset_floor_ms", "Off the beat, at the least", "ms", 5, 200),
    Limit("gap_ms", "Two gracenotes run together below", "ms", 5, 100),
    Limit("gracenote_ms", "A gracenote is heavy from", "ms", 30, 300),
    Limit("crossing_noise_ms", "A crossing noise counts from", "ms", 4, 100),
    Limit("unevenness", "Uneven when the longest part is so many times the shortest", "times", 1.1, 10),
)
LEVELS: Final[tuple[Level, ...]] = get_args(Level)

_POINTS: Final = {
    "closes": "first gracenote closes",
    "opens": "first gracenote opens",
    "starts": "first sound",
    "d-gracenote": "D gracenote",
    "theme": "note after it",
}


class StudioForm(forms.Form):
    """A studio's settings. An empty tolerance means the level's own; so does the default beat point."""

    name = forms.CharField(label="Name of the studio", max_length=120)
    level = forms.ChoiceField(
        label="Level",
        choices=Studio.Level.choices,
        widget=forms.RadioSelect,
        help_text="Gentle allows more of everything, strict less.",
    )
    tuning = forms.ChoiceField(
        label="Tuning",
        choices=[
            ("harmonic", "harmonic: D 4:3, high G 7:4, low G 7:8"),
            ("older", "older: D 27:20, high G 9:5, low G 8:9"),
        ],
        widget=forms.RadioSelect,
        help_text="What the notes of an instrument are compared with.",
    )

    def __init__(self, data: Any = None, *, studio: Studio) -> None:
        initial = {"name": studio.name, "level": studio.level, "tuning": studio.tuning}
        super().__init__(data, initial=initial)
        own = tolerances(get_args(Level)[1], _known(studio.tolerances))
        for limit in LIMITS:
            self.fields[limit.name] = forms.FloatField(
                label=limit.label,
                required=False,
                min_value=limit.least,
                max_value=limit.most,
                initial=float(limit.shown(own)) if limit.name in studio.tolerances else None,
                widget=forms.NumberInput(attrs={"step": "any"}),
            )
        for kind, points in BEAT_POINT_CHOICES.items():
            self.fields[_field_of(kind)] = forms.ChoiceField(
                label=kind[0].upper() + kind[1:],
                choices=[(point, _POINTS[point]) for point in points],
                initial=studio.beat_points.get(kind, DEFAULT_BEAT_POINTS[kind]),
            )

    def limit_rows(self) -> list[dict[str, Any]]:
        """For the page: each tolerance's field beside the values that the three levels give it."""
        return [
            {
                "field": self[limit.name],
                "unit": limit.unit,
                "levels": [(level, limit.shown(tolerances(level))) for level in LEVELS],
            }
            for limit in LIMITS
        ]

    def beat_fields(self) -> list[BoundField]:
        """For the page: the beat point of each kind of movement."""
        return [self[_field_of(kind)] for kind in BEAT_POINT_CHOICES]

    def apply(self, studio: Studio) -> None:
        """Write the cleaned values into `studio`, unsaved. What equals the default is not stored, so it follows it."""
        data = self.cleaned_data
        studio.name, studio.level, studio.tuning = data["name"], data["level"], data["tuning"]
        studio.tolerances = {
            limit.name: round(data[limit.name] / limit.factor, 6) for limit in LIMITS if data[limit.name] is not None
        }
        studio.beat_points = {
            kind: data[_field_of(kind)]
            for kind in BEAT_POINT_CHOICES
            if data[_field_of(kind)] != DEFAULT_BEAT_POINTS[kind]
        }


def _field_of(kind: str) -> str:
    return "beat-" + kind.lower().replace(" ", "-")


def _known(values: dict[str, float]) -> dict[str, float]:
    return {limit.name: values[limit.name] for limit in LIMITS if limit.name in values}
