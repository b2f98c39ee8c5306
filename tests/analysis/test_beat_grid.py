"""Other beats for a report: what a movement is measured at follows exactly, and nothing else changes."""

from __future__ import annotations

import copy
from typing import Any, cast

import numpy as np
import pytest

from analysis.beat_grid import GridError, available, moment_of, regrid
from analysis.judgement import judge, tolerances
from analysis.report import Report


def offsets(report: Report) -> list[float]:
    return [m["beat_offset_ms"] for m in report["movements"] if m["beat_offset_ms"] is not None]


@pytest.fixture
def report(sample_report: dict[str, Any]) -> Report:
    return cast(Report, sample_report)


def test_a_grid_moved_later_makes_everything_that_much_earlier(report: Report) -> None:
    moved = regrid(report, shift_ms=25.0)
    assert offsets(moved) == pytest.approx([offset - 25.0 for offset in offsets(report)], abs=0.06)
    assert moved["beat"]["beats_s"] == pytest.approx([beat + 0.025 for beat in report["beat"]["beats_s"]], abs=1e-4)
    assert [moment_of(m) for m in moved["movements"]] == pytest.approx(
        [moment_of(m) for m in report["movements"]], abs=1e-3
    )
    for before, after in zip(report["movements"], moved["movements"], strict=True):
        if before["beat_s"] is not None and before["measures"]["first_offset_ms"] is not None:
            assert after["measures"]["first_offset_ms"] == pytest.approx(
                before["measures"]["first_offset_ms"] - 25.0, abs=0.06
            )
        assert before["gracenotes"] == after["gracenotes"]


def test_flags_follow_the_grid(report: Report) -> None:
    late = judge(regrid(report, shift_ms=-300.0), tolerances())
    timed = [m for m in late["movements"] if m["beat_offset_ms"] is not None and "missed" not in m["flags"]]
    assert all("late" in m["flags"] for m in timed)


def test_the_report_that_is_given_stays_as_it_is(report: Report) -> None:
    before = copy.deepcopy(report)
    regrid(report, source="fitted", shift_ms=10.0)
    assert report == before


def test_a_fitted_line_takes_a_steady_lateness_away(report: Report) -> None:
    late = regrid(report, shift_ms=-80.0)
    fitted = regrid(late, source="fitted")
    assert fitted["beat"]["source"] == "fitted"
    assert abs(np.median(offsets(fitted))) < 15.0
    assert len(offsets(fitted)) == len(offsets(report))


def test_the_set_tempo_is_laid_evenly_through_the_movements(report: Report) -> None:
    set_tempo = regrid(report, source="tempo", tempo_bpm=60.0)
    assert np.diff(set_tempo["beat"]["beats_s"]) == pytest.approx(1.0, abs=2e-4)
    assert abs(np.median(offsets(set_tempo))) < 15.0


def test_what_cannot_be_had_is_said(report: Report) -> None:
    with pytest.raises(GridError, match="up to 500 ms"):
        regrid(report, shift_ms=501.0)
    with pytest.raises(GridError, match="No tempo was set"):
        regrid(report, source="tempo")
    with pytest.raises(GridError, match="no beat to choose"):
        regrid(report, source="heart")  # type: ignore[arg-type]
    report["movements"] = report["movements"][:2]
    with pytest.raises(GridError, match="Too few movements"):
        regrid(report, source="fitted")
    report["beat"]["beats_s"] = []
    with pytest.raises(GridError, match="No beat was found"):
        regrid(report)


def test_only_beats_that_there_are_are_offered(report: Report) -> None:
    assert available(report, tempo_bpm=60.0) == ("heard", "fitted", "tempo")
    assert available(report, tempo_bpm=None) == ("heard", "fitted")
    report["beat"]["source"] = "fitted"
    assert available(report, tempo_bpm=None) == ("heard",)
