import copy
import time

import numpy as np
import pytest

from analysis import alignment, measures
from analysis.beat import BeatLine
from analysis.judgement import NOTICED_SHARE, Tolerances, judge, summarise, tolerances
from analysis.score import parse_abc
from tests.analysis.sequences import sounded

ABC = "X:1\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\nA {gef}e A2 |]\n"


def movement(words: str, *, beat_s: float | None = 1.995, abc: str = ABC, **options):
    """The first movement's entry when `words` are played from 1 s and its beat falls at `beat_s`."""
    score = parse_abc(abc)
    written = alignment.tokens(score)
    notes = sounded(words)
    played = measures.gather(score, written, alignment.align(written, notes), notes)
    line = BeatLine("click", np.arange(0.0, 8.0, 1.0) + (beat_s or 0.0) % 1.0)
    entry = measures.report_movement(
        0, played[0], line, beat_s if played[0].there else None, options.get("beat_points", {})
    )
    return judged([entry], options.get("limits", Tolerances()))[0]


def judged(entries, limits):
    report = {"movements": entries, "summary": summarise(entries)}
    return judge(report, limits)["movements"]


# Low A for 950 ms from 1 s, so that a first gracenote of 45 ms closes at 1.995 s, on the beat.
CLEAN = "A:950 g:45 e:60 f:45 e:900 A:1000"


@pytest.mark.parametrize(
    ("words", "flags"),
    [
        (CLEAN, []),
        ("A:1050 g:45 e:60 f:45 e:800 A:1000", ["late"]),
        ("A:700 g:45 e:60 f:45 e:1100 A:1000", ["early"]),
        ("A:845 g:45 e:60 f:45 e:1000 A:1000", ["beat-on-second"]),
        ("A:950 g:45 e:12 f:45 e:900 A:1000", ["run-together"]),
        ("A:950 g:45 f:45 e:900 A:1000", ["run-together"]),
        ("A:950 g:45 e:1000 A:1000", ["missing-gracenote"]),
        ("A:950 g:45 e:60 d:45 e:900 A:1000", ["wrong-gracenote"]),
        ("A:880 g:115 e:60 f:45 e:900 A:1000", ["heavy-gracenote"]),
        ("A:950 g:45 B:18 e:60 f:45 e:880 A:1000", ["crossing-noise"]),
        ("A:950 g:45 B:8 e:60 f:45 e:890 A:1000", []),
        ("A:950 g:45 e:60 f:45 e:900 A:500 c:950 A:500", []),  # a note played besides is no noise
        ("A:995 e:1000 A:1000", ["missed"]),
    ],
)
def test_each_fault_is_flagged_alone(words, flags):
    assert movement(words)["flags"] == flags


def test_uneven_parts_of_a_birl():
    abc = "X:1\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\nB {AGAG}A B2 |]\n"
    even, uneven = "B:950 A:50 G:50 A:50 G:50 A:800 B:1000", "B:950 A:40 G:95 A:40 G:50 A:800 B:1000"
    assert "uneven" not in movement(even, abc=abc, beat_s=1.95)["flags"]
    assert "uneven" in movement(uneven, abc=abc, beat_s=1.95)["flags"]


@pytest.mark.parametrize(
    ("words", "flags"),
    [("A:950 g:90 f:900 A:1000", ["run-together"]), ("A:950 g:45 f:900 A:1000", ["missing-gracenote"])],
)
def test_two_equal_gracenotes_in_one_sound_are_run_together(words, flags):
    abc = "X:1\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\nA {gfg}f A2 |]\n"
    assert movement(words, abc=abc)["flags"] == flags


def test_offset_is_the_close_of_the_first_gracenote_after_the_beat():
    assert movement("A:970 g:45 e:60 f:45 e:900 A:1000")["beat_offset_ms"] == pytest.approx(20.0, abs=0.1)


def test_the_studio_may_put_the_beat_where_the_gracenote_opens():
    entry = movement(CLEAN, beat_points={"doubling": "opens"})
    assert entry["beat_offset_ms"] == pytest.approx(-45.0, abs=0.1)


def test_a_half_doubling_starts_on_the_beat():
    abc = "X:1\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\na {ef}e a2 |]\n"
    entry = movement("a:1010 e:60 f:45 e:900 a:900", abc=abc, beat_s=2.0)
    assert (entry["form"], entry["gap_ms"]) == ("half", None)
    assert entry["beat_offset_ms"] == pytest.approx(10.0, abs=0.1)


def test_gap_and_lengths_are_measured():
    entry = movement(CLEAN)
    assert entry["gap_ms"] == pytest.approx(60.0, abs=0.1)
    assert [(g["note"], g["length_ms"]) for g in entry["gracenotes"]] == [("high G", 45.0), ("F", 45.0)]


def test_standard_is_two_and_a_half_times_what_people_notice():
    # Friberg and Sundberg 1995: 2.5 % of the interval; a beat of 1 s therefore allows 62.5 ms.
    assert tolerances("standard").offset_ms(1000.0) == pytest.approx(2.5 * NOTICED_SHARE * 1000.0)
    assert tolerances("standard").offset_ms(300.0) == 30.0
    assert tolerances("gentle").offset_ms(1000.0) == pytest.approx(100.0)
    assert tolerances("strict").offset_ms(1000.0) == pytest.approx(37.5)


def test_two_gracenotes_need_twenty_milliseconds_to_be_heard_in_order():
    # Hirsh 1959.
    assert tolerances("standard").gap_ms == 20.0


def test_overrides_replace_single_tolerances():
    assert tolerances("strict", {"gap_ms": 25}).gap_ms == 25
    assert tolerances("strict", {"gap_ms": 25}).gracenote_ms == tolerances("strict").gracenote_ms


@pytest.mark.parametrize("overrides", [{"gap": 3.0}, {"gap_ms": -1}, {"gap_ms": "much"}, {"gap_ms": True}])
def test_unusable_overrides_are_refused_by_name(overrides):
    with pytest.raises(ValueError, match="gap"):
        tolerances("standard", overrides)


def test_judging_again_changes_flags_and_not_measures():
    entry = movement("A:950 g:45 e:60 f:80 e:900 A:1000")
    assert entry["flags"] == []
    before = copy.deepcopy(entry["measures"])
    strict = judged([entry], tolerances("strict"))[0]
    assert strict["flags"] == ["heavy-gracenote"]
    assert strict["measures"] == before
    assert judged([strict], Tolerances())[0] == entry


def test_unsure_is_neither_a_fault_nor_clean():
    entry = movement("A:1050 g:45 e:60 f:45 e:800 A:1000")
    entry["confidence"] = 0.2
    again = judged([entry], Tolerances())
    assert again[0]["flags"] == []
    assert summarise(again)["clean"] == 0


def test_the_summary_counts_by_approach():
    entries = [movement(CLEAN), movement("A:1050 g:45 e:60 f:45 e:800 A:1000")]
    summary = summarise(entries)
    assert (summary["movements"], summary["clean"]) == (2, 1)
    (name, entry), *others = summary["by_approach"].items()
    assert (name, others) == ("low A", [])
    assert (entry["movements"], entry["clean"], entry["flags"]) == (2, 1, {"late": 1})
    assert summary["offset_median_ms"] == pytest.approx(50.0, abs=0.2)


def test_offsets_are_summed_up_by_approach():
    late = movement("A:1050 g:45 e:60 f:45 e:800 A:1000")
    others = [{**movement(CLEAN), "from": "B"}, {**movement(CLEAN), "from": None, "beat_offset_ms": None}]
    found = summarise([late, *others])["by_approach"]
    assert found["low A"]["offset_median_ms"] == pytest.approx(100.0, abs=0.2)
    assert found["low A"]["offset_spread_ms"] == 0.0
    assert found["B"]["offset_median_ms"] == pytest.approx(0.0, abs=0.2)
    assert found["start"]["offset_median_ms"] is None
    assert found["start"]["offset_spread_ms"] is None


def test_judging_a_hundred_thousand_movements_again_takes_seconds(sample_report):
    reports = [sample_report] * (100_000 // len(sample_report["movements"]) + 1)
    limits = [tolerances("strict"), tolerances("gentle")]
    began = time.perf_counter()
    judged = [judge(report, limits[number % 2]) for number, report in enumerate(reports)]
    assert time.perf_counter() - began < 10.0
    assert judged[0]["summary"]["clean"] < judged[1]["summary"]["clean"]
