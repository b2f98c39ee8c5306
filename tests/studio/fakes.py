"""Stand-ins for the analysis in tests of the queue: quick, slow on purpose, or broken. See settings.TAKES_ANALYSIS.

Each start and each end is a line of the file FINGERWORK_TEST_LOG, when that is set: by it analyses are counted.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, cast

import analysis.api  # noqa: F401  (as the real one does: loaded before the pool is forked, not by every process anew)
from analysis.judgement import judge, tolerances
from analysis.report import Report

SAMPLE = Path(__file__).parents[1] / "data" / "sample_report.json"


def sample_report() -> Report:
    """The sample report, judged by the standard tolerances."""
    return judge(cast(Report, json.loads(SAMPLE.read_text(encoding="utf-8"))), tolerances())


def note(word: str, original: Path) -> None:
    """Append one line, whole even when several processes write."""
    if log := os.environ.get("FINGERWORK_TEST_LOG"):
        name = original.read_bytes()[-16:].hex()
        with open(log, "a", encoding="ascii") as file:
            file.write(f"{word} {name}\n")


def quick(
    original: Path, flac: Path, score: Any, options: Any, progress: Callable[[str, float], None], **more: Any
) -> Report:
    """The sample report, at once."""
    note("started", original)
    progress("reading the file", 0.0)
    shutil.copy(original, flac)
    progress("finding the notes", 0.5)
    note("ended", original)
    return sample_report()


def slow(
    original: Path, flac: Path, score: Any, options: Any, progress: Callable[[str, float], None], **more: Any
) -> Report:
    """The sample report, once the file FINGERWORK_TEST_GO is there."""
    note("started", original)
    progress("finding the notes", 0.5)
    end = time.monotonic() + 60.0
    while not Path(os.environ["FINGERWORK_TEST_GO"]).exists():
        if time.monotonic() > end:
            raise TimeoutError("nobody said go")
        time.sleep(0.02)
    shutil.copy(original, flac)
    note("ended", original)
    return sample_report()


def crash(
    original: Path, flac: Path, score: Any, options: Any, progress: Callable[[str, float], None], **more: Any
) -> Report:
    """What a decoder does to its process on a bad day."""
    note("started", original)
    os.kill(os.getpid(), signal.SIGKILL)
    raise AssertionError("killed")


def fail(
    original: Path, flac: Path, score: Any, options: Any, progress: Callable[[str, float], None], **more: Any
) -> Report:
    """An error that nobody expected."""
    note("started", original)
    raise RuntimeError("a secret detail")
