"""How long it takes to draw music and to make a sheet, as a table.

    python -m tests.benchmarks.engraving        # 16 bars at three widths, and sheets of one to eight exercises

Everything is made anew, with the fonts loaded: the time of the first person who asks, the cache being empty. The middle
of ten tries; milliseconds differ from machine to machine.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import date
from statistics import median
from typing import Final

from analysis import engraving
from analysis.chanter import Note
from analysis.engraving_pdf import Drawing
from analysis.families import single_then_full
from analysis.score import Score
from studio.exercises.sheets import PICTURE_PX, Entry, Heading, sheet_pdf

WIDTHS: Final = (340, 720, 960)
LIMIT_MS: Final = 150
_TRIES: Final = 10


def sixteen_bars(on: Note = Note.E) -> Score:
    """A drill of doublings on `on`, from every other note, twice."""
    return single_then_full("doubling", on, [note for note in Note if note != on], tempo_bpm=60, repeats=2)


def milliseconds(work: Callable[[], object]) -> float:
    """The middle of a few tries, nothing kept from one to the next."""
    taken = []
    for _ in range(_TRIES):
        engraving._svg.cache_clear()
        started = time.perf_counter()
        work()
        taken.append((time.perf_counter() - started) * 1000)
    return median(taken)


def _sheet(count: int) -> bytes:
    picture = engraving.svg(sixteen_bars(), width_px=PICTURE_PX)
    entries = [Entry("Doublings", 60, "Slow.", Drawing(picture), "https://example.org/") for _ in range(count)]
    return sheet_pdf(entries, Heading("Studio", "Learner", date(2026, 11, 26)), paper="a4")


def main() -> None:
    score = sixteen_bars()
    engraving.svg(score)  # loads the fonts
    print(f"{'what':32} {'ms':>6}")
    for width in WIDTHS:
        taken = milliseconds(lambda width=width: engraving.svg(score, width_px=width))  # type: ignore[misc]
        print(f"{f'16 bars, {width} px wide':32} {taken:6.0f}{'' if taken <= LIMIT_MS else f'   over {LIMIT_MS}!'}")
    for count in (1, 4, 8):
        taken = milliseconds(lambda count=count: _sheet(count))  # type: ignore[misc]
        print(f"{f'sheet of {count}, 16 bars each':32} {taken:6.0f}")


if __name__ == "__main__":
    main()
