"""The four development takes through the whole analysis, against their exact truth."""

import json
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from analysis.api import Options, analyse
from analysis.judgement import judge, tolerances
from analysis.schema import validate
from analysis.score import parse_abc
from tests.benchmarks.scoring import load_truth, score

TAKES = Path(__file__).parents[1] / "data" / "takes"
NAMES = sorted(path.stem for path in TAKES.glob("*.json"))


@lru_cache(maxsize=8)
def report_of(name: str, *, free: bool = False):
    truth = load_truth(TAKES / f"{name}.json")
    written = None if free else parse_abc((TAKES / f"{name}.abc").read_text())
    return analyse(TAKES / truth["audio"], written)


def marked(name: str, *, free: bool = False):
    return score(report_of(name, free=free), load_truth(TAKES / f"{name}.json"))


def test_all_four_are_there():
    assert len(NAMES) == 4


@pytest.mark.parametrize("name", NAMES)
def test_notes_are_heard(name):
    result = marked(name)
    assert result.f1[0] >= 0.97
    assert np.median(result.onset_ms) <= 1.0


@pytest.mark.parametrize("name", NAMES)
def test_movements_are_found_and_rightly_named(name):
    result = marked(name)
    assert result.found >= 0.95 * result.movements


@pytest.mark.parametrize("name", NAMES)
def test_crossing_noises(name):
    right, too_many, left_out = marked(name).noises
    assert right >= 0.8 * (right + left_out)
    assert too_many <= 1


@pytest.mark.parametrize("name", NAMES)
def test_every_fault_is_flagged_and_nothing_else(name):
    assert marked(name).wrong == []


@pytest.mark.parametrize("name", NAMES)
def test_the_beat_is_found_and_offsets_are_right(name):
    truth, report, result = load_truth(TAKES / f"{name}.json"), report_of(name), marked(name)
    assert report["beat"]["source"] == (truth["heard"] or "fitted")
    assert report["beat"]["tempo_bpm"] == pytest.approx(truth["bpm"], rel=0.005)
    assert np.median(np.abs(result.offset_ms)) <= (3.0 if truth["heard"] else 6.0)


@pytest.mark.parametrize("name", NAMES)
def test_low_a_is_within_a_wobble_of_the_truth(name):
    low_a = report_of(name)["instrument"]["low_a_hz"]
    assert abs(1200.0 * np.log2(low_a / load_truth(TAKES / f"{name}.json")["low_a"])) < 15.0


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("free", [False, True])
def test_the_report_keeps_to_its_schema(name, free):
    report = report_of(name, free=free)
    validate(report)
    json.dumps(report, allow_nan=False)
    starts = [note["start_s"] for note in report["notes"]]
    assert starts == sorted(starts)


@pytest.mark.parametrize("name", NAMES)
def test_free_playing_finds_the_same_notes(name):
    assert marked(name, free=True).f1[0] >= 0.97


def test_the_same_file_gives_the_same_report():
    truth = load_truth(TAKES / "short-d-quiet-907.json")
    written = parse_abc((TAKES / "short-d-quiet-907.abc").read_text())
    reports = [json.dumps(analyse(TAKES / truth["audio"], written)) for _ in range(2)]
    assert reports[0] == reports[1]


def test_judging_a_stored_report_again_equals_analysing_with_those_tolerances():
    name = "short-d-quiet-907"
    truth = load_truth(TAKES / f"{name}.json")
    written = parse_abc((TAKES / f"{name}.abc").read_text())
    strict = tolerances("strict")
    stored = json.loads(json.dumps(report_of(name)))
    anew = analyse(TAKES / truth["audio"], written, options=Options(tolerances=strict))
    assert judge(stored, strict) == json.loads(json.dumps(anew))


def test_the_pair_of_stages_is_told():
    told = []
    truth = load_truth(TAKES / "short-d-quiet-907.json")
    analyse(TAKES / truth["audio"], progress=lambda stage, share: told.append((stage, share)))
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
