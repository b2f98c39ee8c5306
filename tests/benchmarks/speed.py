"""How fast the analysis is and how much memory it takes, as a table.

    python -m tests.benchmarks.speed            # takes of 1, 3 and 10 minutes, and 100,000 movements judged again

Each take is analysed in a process of its own, on one core, with one thread: the whole of `analysis.api.analyse` with
its decoding process, without starting Python or importing. The decoding process starts Python and imports for every
take; how long that takes is told beside it, as a file with no sound in it is refused, and the rate with and without it.
Seconds differ from machine to machine and from hour to hour: the ratios (times real time, megabytes a minute) are what
counts.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from analysis import rooms
from analysis.chanter import Note
from analysis.families import single_then_full
from analysis.score import to_abc
from tests.benchmarks import made_takes

MINUTES: Final = (1, 3, 10)
_THREADS: Final = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")
_CHILD: Final = """
import json, os, sys, time
if hasattr(os, "sched_setaffinity"):
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
from pathlib import Path
from analysis.api import analyse
from analysis.score import parse_abc
from analysis.sound import SoundError, read
audio = Path(sys.argv[1])
score = parse_abc(audio.with_suffix(".abc").read_text())
analyse(Path(sys.argv[2]), parse_abc(Path(sys.argv[2]).with_suffix(".abc").read_text()))
def status(name):  # getrusage would count what the parent process had
    return next(int(line.split()[1]) for line in open("/proc/self/status") if line.startswith(name))
began = status("VmRSS")
started = time.perf_counter()
report = analyse(audio, score)
seconds = time.perf_counter() - started
peak = status("VmHWM")
starts = []
for _ in range(3):
    started = time.perf_counter()
    try:
        read(Path(sys.argv[3]))
    except SoundError:
        starts.append(time.perf_counter() - started)
    else:
        raise SystemExit("the file with no sound in it was not refused")
print(json.dumps({
    "duration_s": report["recording"]["duration_s"], "seconds": seconds, "start_s": min(starts),
    "began_kb": began, "peak_kb": peak,
}))
"""


def take(folder: Path, minutes: float) -> Path:
    """A made take of about `minutes`: doublings on E with clicks in a room."""
    bars = round(minutes * 60 / 4.0)
    others = [note for note in Note if note is not Note.E]
    approaches = [others[place % len(others)] for place in range(bars)]
    score = single_then_full("doubling", Note.E, approaches, tempo_bpm=60.0)
    made = replace(made_takes.Made(seed=1), abc=to_abc(score))
    performance = made_takes.played(made, score)
    path = folder / f"minutes-{minutes}.flac"
    rooms.encode(made_takes.sounded(made, performance), made_takes.RATE_HZ, path)
    path.with_suffix(".abc").write_text(to_abc(score))
    return path


def measured(path: Path, warm: Path) -> dict[str, Any]:
    """Seconds and memory of one analysis, after a short one that loads and compiles what is needed, and how long the
    decoding process takes to start."""
    no_sound = path.with_name("no-sound.flac")
    no_sound.write_bytes(b"no sound " * 100)
    environment = {**os.environ, **dict.fromkeys(_THREADS, "1")}
    done = subprocess.run(
        [sys.executable, "-c", _CHILD, str(path), str(warm), str(no_sound)],
        env=environment, capture_output=True, text=True, check=True, timeout=900,
    )  # fmt: skip
    return dict(json.loads(done.stdout))


def judged_again(report: dict[str, Any], movements: int = 100_000) -> tuple[int, float]:
    """How many movements were judged again, and in how many seconds."""
    from analysis.judgement import judge, tolerances

    limits = [tolerances("gentle"), tolerances("strict")]
    count, started = 0, time.perf_counter()
    while count < movements:
        judge(report, limits[count % 2])  # type: ignore[arg-type]
        count += len(report["movements"])
    return count, time.perf_counter() - started


def main(arguments: list[str] | None = None) -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description="Time the analysis.")
    parser.add_argument("--minutes", type=float, nargs="*", default=MINUTES)
    given = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        warm = take(folder, 0.5)
        print("take            seconds  start of decoding  times real time  without the start  memory, MB  the take")
        for minutes in given.minutes:
            found = measured(take(folder, minutes), warm)
            rate = found["duration_s"] / found["seconds"]
            running = found["duration_s"] / (found["seconds"] - found["start_s"])
            own = (found["peak_kb"] - found["began_kb"]) / 1024
            print(
                f"{found['duration_s']:7.1f} s  {found['seconds']:9.2f}  {found['start_s']:17.2f}  {rate:15.0f}  "
                f"{running:17.0f}  {found['peak_kb'] / 1024:10.0f}  {own:8.0f}"
            )
        from analysis.api import analyse
        from analysis.score import parse_abc

        report = analyse(warm, parse_abc(warm.with_suffix(".abc").read_text()))
        count, seconds = judged_again(dict(report))
        print(f"{count} movements judged again in {seconds:.1f} s")


if __name__ == "__main__":
    main()
