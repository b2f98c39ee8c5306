"""The faults in words, for people."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from analysis.report import Flag

#: Each flag as a short name.
FLAG_NAMES: Final[Mapping[Flag, str]] = {
    "late": "late",
    "early": "early",
    "beat-on-second": "second gracenote on the beat",
    "run-together": "gracenotes run together",
    "missing-gracenote": "gracenote missing",
    "wrong-gracenote": "wrong gracenote",
    "heavy-gracenote": "heavy gracenote",
    "crossing-noise": "crossing noise",
    "uneven": "uneven",
    "missed": "left out",
}


def flag_name(flag: str) -> str:
    """The short name of a flag; an unknown one as it is written."""
    names: Mapping[str, str] = {str(key): name for key, name in FLAG_NAMES.items()}
    return names.get(flag, flag)
