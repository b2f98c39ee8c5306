"""What is compared across a take: pairs, cut notes, tunings and steadiness; and what a piper reads of it."""

import copy
import json
from typing import get_args

import numpy as np
import pytest

from analysis import comparison, readings
from analysis.beat import BeatLine
from analysis.chanter import LABELS, Note, hertz
from analysis.judgement import Tolerances, judge, summarise
from analysis.piper_table import table, verdict
from analysis.readings import Heard
from analysis.report import Flag
from analysis.schema import validate
from analysis.score import parse_abc
from tests.analysis.sequences import sounded

HEADER = "X:1\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\n"
PAIR = HEADER + "A {g}e A {gef}e |]\n"
CUT = HEADER + "d3/4 A/4 {gde}d d3/4 B/4 {gde}d |]\n"
PAIR_SOUNDS = "A:950 g:45 e:1005 A:970 g:60 e:50 f:45 e:900"
CUT_SOUNDS = "d:750 A:200 g:50 d:60 e:50 d:890 d:750 B:300 g:50 d:60 e:50 d:700"


def report_on(words, abc=None, *, beat=True, beat_points=None, roles=None):
    """The report on `words` played from 1 s, against clicks every second from 1.995 s on."""
    notes = sounded(words)
    line = BeatLine("click", np.arange(-1.005, 12.0, 1.0)) if beat else None
    heard = Heard(line, line.beats_s, line.beats_s) if line is not None else None
    options = {"tempo_bpm": None, "beat_points": beat_points or {}}
    score = parse_abc(abc) if abc else None
    if score is not None:
        reading = readings.written(score, notes, heard, **options)
    else:
        reading = readings.unwritten(notes, heard, **options)
    themes = {theme.start_s for theme in reading.themes}
    report = {
        "schema": 1,
        "recording": {"duration_s": 10.0, "sample_rate_hz": 48000, "sha256": "0" * 64},
        "instrument": {"kind": "practice chanter", "low_a_hz": 240.0, "notes": tuned()},
        "beat": {"source": "click", "tempo_bpm": 60.0, "drift_bpm_per_min": 0.0, "beats_s": []},
        "notes": [
            {
                "start_s": round(note.start_s, 4),
                "end_s": round(note.end_s, 4),
                "note": note.note.label,
                "role": (roles or {}).get(number, "theme" if note.start_s in themes else "gracenote"),
                "confidence": 0.95,
            }
            for number, note in enumerate(notes)
        ],
        "movements": reading.movements,
        "summary": summarise(reading.movements),
    }
    return comparison.completed(report, score, tuning="harmonic")


def tuned(**wobbles):
    """Every note as the harmonic table has it above 240 Hz."""
    return {
        note.label: {"hz": hertz(note, 240.0), "cents": 0.0, "wobble_cents": wobbles.get(note.name, 3.0)}
        for note in Note
    }


# Pairs


def test_a_doubling_stands_beside_the_single_gracenote_on_its_note():
    (pair,) = report_on(PAIR_SOUNDS, PAIR)["comparison"]["pairs"]
    assert (pair["on"], pair["from"], pair["gracenote"]) == ("E", "low A", "high G")
    assert (pair["single"], pair["doubling"]) == (0, 1)
    assert (pair["single_length_ms"], pair["doubling_length_ms"]) == (45.0, 60.0)
    assert pair["length_difference_ms"] == 15.0
    assert pair["single_offset_ms"] == pytest.approx(0.0, abs=0.2)
    assert pair["doubling_offset_ms"] == pytest.approx(35.0, abs=0.2)
    assert pair["offset_difference_ms"] == pytest.approx(35.0, abs=0.2)


def test_offsets_of_a_pair_are_those_of_its_movements():
    report = report_on(PAIR_SOUNDS, PAIR)
    (pair,) = report["comparison"]["pairs"]
    offsets = [movement["beat_offset_ms"] for movement in report["movements"]]
    assert [pair["single_offset_ms"], pair["doubling_offset_ms"]] == pytest.approx(offsets, abs=0.1)


def test_both_are_measured_where_the_doubling_meets_the_beat():
    (pair,) = report_on(PAIR_SOUNDS, PAIR, beat_points={"doubling": "opens"})["comparison"]["pairs"]
    assert pair["single_offset_ms"] == pytest.approx(-45.0, abs=0.2)
    assert pair["doubling_offset_ms"] == pytest.approx(-25.0, abs=0.2)


def test_without_a_beat_lengths_are_still_compared():
    report = report_on(PAIR_SOUNDS, PAIR)
    for movement in report["movements"]:
        movement["beat_s"] = None
    (pair,) = comparison.pairs(report["movements"])
    assert pair["length_difference_ms"] == 15.0
    assert pair["single_offset_ms"] is pair["doubling_offset_ms"] is pair["offset_difference_ms"] is None


def test_pairs_are_found_in_free_playing_as_well():
    (pair,) = report_on(PAIR_SOUNDS)["comparison"]["pairs"]
    assert (pair["on"], pair["from"], pair["length_difference_ms"]) == ("E", "low A", 15.0)


@pytest.mark.parametrize(
    ("words", "abc"),
    [
        ("A:950 g:45 e:1005 B:970 g:60 e:50 f:45 e:900", "A {g}e B {gef}e |]\n"),  # another approach
        ("A:950 g:45 c:1005 A:970 g:60 e:50 f:45 e:900", "A {g}c A {gef}e |]\n"),  # another note
        ("A:950 d:45 c:1005 A:970 g:60 c:50 d:45 c:900", "A {d}c A {gcd}c |]\n"),  # another gracenote
        ("a:950 e:1005 a:970 e:50 f:45 e:900", "a e a {ef}e |]\n"),  # a half doubling
        ("A:950 g:45 e:1005 A:970 e:50 f:45 e:900", "A {g}e A {gef}e |]\n"),  # its first gracenote is left out
        ("A:950 g:45 e:1005 A:970 d:60 e:50 f:45 e:900", "A {g}e A {gef}e |]\n"),  # another note sounds for it
    ],
)
def test_what_is_not_alike_makes_no_pair(words, abc):
    assert report_on(words, HEADER + abc)["comparison"]["pairs"] == []


def test_what_was_not_surely_heard_makes_no_pair():
    movements = report_on(PAIR_SOUNDS, PAIR)["movements"]
    movements[0]["confidence"] = 0.2
    assert comparison.pairs(movements) == []


def test_the_nearest_of_several_singles_is_taken():
    abc = HEADER + "A {g}e A {gef}e | A {g}e A {gef}e |]\n"
    report = report_on(f"{PAIR_SOUNDS} A:1000 g:70 e:950 A:970 g:60 e:50 f:45 e:900", abc)
    assert [(p["single"], p["doubling"]) for p in report["comparison"]["pairs"]] == [(0, 1), (2, 3)]


# Cut notes


def test_the_cut_note_before_a_movement_is_a_share_of_the_beat():
    found = report_on(CUT_SOUNDS, CUT)["comparison"]
    assert [(cut["note"], cut["length_ms"]) for cut in found["dot_cuts"]] == [("low A", 200.0), ("B", 300.0)]
    assert [cut["share"] for cut in found["dot_cuts"]] == pytest.approx([0.2, 0.3], abs=0.002)
    assert [cut["written_share"] for cut in found["dot_cuts"]] == [0.25, 0.25]
    assert found["dot_cuts_by_approach"]["B"] == {"notes": 1, "length_median_ms": 300.0, "share_median": 0.3}
    assert list(found["dot_cuts_by_approach"]) == ["low A", "B"]


def test_a_cut_note_played_as_long_as_its_neighbour_is_still_one():
    words = "d:500 A:450 g:50 d:60 e:50 d:890 d:750 B:300 g:50 d:60 e:50 d:700"
    assert report_on(words, CUT)["comparison"]["dot_cuts"][0]["share"] == pytest.approx(0.45, abs=0.002)


def test_a_noise_inside_the_cut_note_does_not_shorten_it():
    words = CUT_SOUNDS.replace("A:200", "A:120 c:15 A:65")
    found = report_on(words, CUT, roles={2: "crossing"})["comparison"]["dot_cuts"]
    assert found[0]["length_ms"] == 200.0


def test_free_playing_takes_a_short_note_after_a_long_one_for_it():
    found = report_on(CUT_SOUNDS.replace("d:890 d:750", "d:890 e:750"))["comparison"]["dot_cuts"]
    assert [(cut["note"], cut["written_share"]) for cut in found] == [("low A", None), ("B", None)]


@pytest.mark.parametrize(
    ("abc", "words"),
    [
        ("A e A {gef}e |]\n", "A:1000 e:1000 A:950 g:45 e:50 f:45 e:900"),  # as long as the others
        ("A/ B/ {gef}e2 |]\n", "A:500 B:450 g:45 e:50 f:45 e:900"),  # even
        ("A/4 {gef}e3/4 A2 |]\n", "A:200 g:45 e:50 f:45 e:700 A:1900"),  # nothing before it
        ("d3/4 A/4 d3 |]\n", "d:750 A:250 d:3000"),  # no movement
    ],
)
def test_other_notes_are_no_cut_notes(abc, words):
    assert report_on(words, HEADER + abc)["comparison"]["dot_cuts"] == []


# Tuning and blowing


def test_every_note_is_measured_against_both_tables():
    notes = report_on(PAIR_SOUNDS, PAIR)["instrument"]["notes"]
    assert [notes[label]["harmonic_cents"] for label in LABELS] == [0.0] * 9
    # 7/8 to 8/9, 4/3 to 27/20 and 7/4 to 9/5: a septimal comma, a syntonic one, a septimal one and both.
    apart = {"low G": -27.3, "D": -21.5, "high G": -48.8}
    assert {label: notes[label]["older_cents"] for label in LABELS if notes[label]["older_cents"]} == apart


@pytest.mark.parametrize("tuning", ["older", "harmonic"])
def test_the_chosen_tables_cents_are_repeated_to_the_last_digit(sample_report, tuning):
    for entry in comparison.completed(sample_report, tuning=tuning)["instrument"]["notes"].values():
        assert entry[f"{tuning}_cents"] == entry["cents"]


def test_steadiness_weighs_notes_by_how_long_they_sound():
    sounds = [("low A", 3.0), ("B", 1.0), ("C", 0.1)]
    notes = [{"note": n, "start_s": 0.0, "end_s": s, "role": "theme", "confidence": 1.0} for n, s in sounds]
    entries = {name: tuned(LOW_A=2.0, B=10.0, C=40.0)[name] for name, _ in sounds}
    found = comparison.steadiness(entries, notes)
    # The short C's pitch is mostly that of its attack.
    assert found == {"wobble_cents": 4.0, "worst": "B", "worst_cents": 10.0}


def test_where_nothing_was_held_steadiness_is_not_known():
    assert comparison.steadiness({}, []) is None
    assert comparison.steadiness({"B": {"hz": 270.0, "cents": 0.0, "wobble_cents": None}}, []) is None


# The report


@pytest.mark.parametrize(("words", "abc"), [(PAIR_SOUNDS, PAIR), (CUT_SOUNDS, CUT), (CUT_SOUNDS, None)])
def test_the_report_keeps_to_its_schema(words, abc):
    report = judge(report_on(words, abc), Tolerances())
    validate(report)
    assert json.loads(json.dumps(report, allow_nan=False)) == report


def older(report):
    """`report` as it was stored before anything was compared."""
    old = copy.deepcopy(report)
    old.pop("comparison", None)
    old["instrument"].pop("steadiness", None)
    for entry in old["instrument"]["notes"].values():
        entry.pop("older_cents", None)
        entry.pop("harmonic_cents", None)
    for entry in old["summary"]["by_approach"].values():
        entry.pop("offset_median_ms", None)
        entry.pop("offset_spread_ms", None)
    return old


def test_reports_stored_before_are_completed_when_read():
    report = report_on(PAIR_SOUNDS, PAIR)
    old = older(report)
    assert comparison.of(old)["pairs"] == report["comparison"]["pairs"]
    assert comparison.of(report) is report["comparison"]
    assert comparison.instrument_of(old)["steadiness"] == report["instrument"]["steadiness"]
    assert "comparison" not in old


def test_reports_without_measures_have_nothing_to_compare():
    old = older(report_on(PAIR_SOUNDS, PAIR))
    for movement in old["movements"]:
        del movement["measures"]
    assert comparison.of(old) == {"pairs": [], "dot_cuts": [], "dot_cuts_by_approach": {}}


def test_judging_again_leaves_the_comparison_alone():
    report = report_on(PAIR_SOUNDS, PAIR)
    assert judge(report, Tolerances(gap_ms=60.0))["comparison"] == report["comparison"]


# What a piper reads


def test_the_table_says_all_of_it_in_words():
    text = table(judge(report_on(PAIR_SOUNDS, PAIR), Tolerances(offset_share=0.02)))
    assert "the first of one doubling: 15 ms longer, 35 ms later." in text
    assert "45 ms, 0 ms" in text
    assert "60 ms, +35 ms" in text
    assert "low G 0 (-27), low A 0, B 0" in text
    assert "held notes waver by 3 cents" in text
    assert "late 1" in text
    assert "Cut notes" not in text
    cut = table(judge(report_on(CUT_SOUNDS, CUT), Tolerances()))
    assert "share of the beat (written 0.25): low A 0.20; B 0.30." in cut


def test_the_table_of_a_report_stored_before_is_nearly_the_same():
    report = judge(report_on(PAIR_SOUNDS, PAIR), Tolerances())
    old, new = table(older(report)).splitlines(), table(report).splitlines()
    assert len(old) == len(new)
    assert old[-2:] == new[-2:]


def test_the_table_of_theme_notes_alone_has_no_empty_parts():
    text = table(judge(report_on("A:1000 B:1000 c:1000"), Tolerances()))
    assert "only theme notes" in text
    assert "\n\n\n" not in text


@pytest.mark.parametrize(
    ("sounds", "told"),
    [
        ("A:950 g:45 e:60 f:45 e:900 A:970 e:1000", "not played"),
        ("A:950 e:1000 A:970 g:115 e:60 f:45 e:900", "heavy gracenote (high G 115 ms)"),
        ("A:950 g:45 e:1005 A:970 g:60 e:950", "a gracenote does not sound"),
        ("A:950 g:45 e:1005 A:970 g:60 e:50 d:45 e:900", "another note sounds for a gracenote"),
        ("A:950 g:45 e:1005 A:970 g:60 e:12 f:45 e:900", "gracenotes run together (12 ms between them)"),
        ("A:950 g:45 e:1005 A:970 g:60 B:18 e:50 f:45 e:900", "crossing noise (B 18 ms)"),
    ],
)
def test_every_fault_is_told_in_words(sounds, told):
    """Also that a movement is missing altogether: then there is nothing to name the longest of."""
    text = table(judge(report_on(sounds, PAIR), Tolerances()))
    assert told in text


@pytest.mark.parametrize("flag", [flag for flag in get_args(Flag) if flag != "heavy-gracenote"])
def test_a_fault_is_told_where_no_gracenote_was_heard(flag):
    missed = report_on("A:950 e:1000 A:970 e:1000", PAIR)["movements"][0]
    assert verdict({**missed, "flags": [flag]}) not in ("", "clean", "not sure")
