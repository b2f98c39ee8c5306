"""From an upload to its report: the only module of the web application that runs the numerical analysis."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from analysis.api import STAGES, Options, Progress, analyse_sound
from analysis.sound import transcode

if TYPE_CHECKING:
    from analysis.report import Report
    from analysis.score import Score


def hear(original: Path, flac: Path, score: Score | None, options: Options, progress: Progress) -> Report:
    """Transcode `original` to `flac`, once, and analyse just that sound; picture and playback cannot part then.

    The report's sha256 and sample rate are those of `original`. Raises analysis.sound.SoundError on unusable sound.
    """
    progress(STAGES[0], 0.0)
    return analyse_sound(transcode(original, flac), score, options=options, progress=progress)
