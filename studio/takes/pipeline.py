"""From an upload to its report: the only module of the web application that runs the numerical analysis."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from analysis.api import STAGES, Options, Progress, analyse_sound
from analysis.sound import transcode

if TYPE_CHECKING:
    from analysis.report import Report
    from analysis.score import Score

#: What codecs may add to what was recorded.
ROUNDED_UP_S: Final = 3.0


class TooLongError(ValueError):
    """A recording that is longer than its kind may be. The message is one plain sentence for people."""


def hear(
    original: Path,
    flac: Path,
    score: Score | None,
    options: Options,
    progress: Progress,
    *,
    longest_s: float | None = None,
) -> Report:
    """Transcode `original` to `flac`, once, and analyse just that sound; picture and playback cannot part then.

    The report's sha256 and sample rate are those of `original`. Raises analysis.sound.SoundError on unusable sound, and
    TooLongError, before anything is analysed, on sound of more than `longest_s`.
    """
    progress(STAGES[0], 0.0)
    sound = transcode(original, flac)
    check_length(sound.duration_s, longest_s)
    return analyse_sound(sound, score, options=options, progress=progress)


def check_length(duration_s: float, longest_s: float | None) -> None:
    """Raises TooLongError where `duration_s` is more than `longest_s`, and a little for codecs that round up."""
    if longest_s is None or duration_s <= longest_s + ROUNDED_UP_S:
        return
    whole = round(duration_s)
    raise TooLongError(
        f"This recording lasts {whole // 60}:{whole % 60:02}, and up to {longest_s / 60:g} minutes are taken here; "
        "send a shorter one."
    )
