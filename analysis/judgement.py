"""Measures to flags, by tolerances: pure and fast, so that a change of tolerance re-judges stored reports."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from analysis.report import Report

Level = Literal["gentle", "standard", "strict"]


@dataclass(frozen=True)
class Tolerances:
    """The limits beyond which a measure is a fault."""

    offset_share: float = 0.0625
    offset_floor_ms: float = 30.0
    gap_ms: float = 20.0
    gracenote_ms: float = 90.0
    crossing_noise_ms: float = 10.0
    unevenness: float = 2.0


def tolerances(level: Level = "standard", overrides: Mapping[str, float] | None = None) -> Tolerances:
    """The tolerances of a level with a studio's own values over them. Raises ValueError for unknown names or values."""
    raise NotImplementedError


def judge(report: Report, limits: Tolerances) -> Report:
    """A copy of `report` with flags and summary judged anew by `limits`; the measures stay as they are."""
    raise NotImplementedError
