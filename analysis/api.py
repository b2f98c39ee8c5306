"""The one call from a file to its report."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from analysis.chanter import Tuning
from analysis.judgement import Tolerances
from analysis.report import Report
from analysis.score import Score

#: Called with the stage's name and the share done, 0 to 1.
Progress = Callable[[str, float], None]

STAGES = ("reading the file", "finding notes", "finding the beat", "reading the movements")


@dataclass(frozen=True)
class Options:
    """How to analyse: a tempo that overrides the score's, where beats fall, tolerances, and the tuning for cents."""

    tempo_bpm: float | None = None
    beat_points: Mapping[str, str] = field(default_factory=dict)
    tolerances: Tolerances = field(default_factory=Tolerances)
    tuning: Tuning = "harmonic"


def analyse(path: Path, score: Score | None = None, *, options: Options | None = None, progress: Progress | None = None) -> Report:
    """The report on the recording at `path`. Raises analysis.sound.SoundError with one plain sentence on bad input."""
    raise NotImplementedError
