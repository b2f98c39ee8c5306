import copy
import json
from pathlib import Path

import pytest

from analysis.judgement import is_clean
from analysis.movements import KINDS
from analysis.report import FLAGS
from analysis.schema import PATH, SchemaError, validate

SAMPLE = json.loads((Path(__file__).parents[1] / "data" / "sample_report.json").read_text())
#: Keys that reports stored before them lack.
ADDED = {"comparison"}


def test_the_sample_report_is_valid():
    validate(SAMPLE)
    assert SAMPLE["summary"]["clean"] == sum(is_clean(movement) for movement in SAMPLE["movements"])


def test_further_keys_are_allowed():
    validate({**SAMPLE, "further": {"anything": 1}})


@pytest.mark.parametrize(
    ("place", "value"),
    [
        (["schema"], 2),
        (["beat", "source"], "metronome"),
        (["instrument", "kind"], "oboe"),
        (["notes", 0, "note"], "low C"),
        (["notes", 0, "role"], "noise"),
        (["movements", 0, "kind"], "trill"),
        (["movements", 0, "flags"], ["untidy"]),
        (["movements", 0, "confidence"], 1.5),
        (["movements", 0, "beat_offset_ms"], "late"),
        (["recording", "sha256"], "0" * 63),
        (["summary", "by_approach"], {"low C": {"movements": 1, "clean": 1, "flags": {}}}),
    ],
)
def test_a_wrong_value_is_named_by_its_place(place, value):
    report = copy.deepcopy(SAMPLE)
    inner = report
    for part in place[:-1]:
        inner = inner[part]
    inner[place[-1]] = value
    with pytest.raises(SchemaError, match=str(place[0])):
        validate(report)


def test_keys_added_since_may_be_missing():
    validate({name: value for name, value in SAMPLE.items() if name not in ADDED})


@pytest.mark.parametrize(
    ("place", "value"),
    [
        (["comparison", "pairs", 0, "single_length_ms"], -1.0),
        (["comparison", "pairs", 0, "on"], "low C"),
        (["comparison", "dot_cuts"], {}),
        (["instrument", "steadiness"], 5.0),
        (["instrument", "notes", "E", "older_cents"], None),
        (["summary", "by_approach", "B", "offset_spread_ms"], -1.0),
    ],
)
def test_where_they_are_they_keep_to_the_schema(place, value):
    report = copy.deepcopy(SAMPLE)
    inner = report
    for part in place[:-1]:
        inner = inner[part]
    inner[place[-1]] = value
    with pytest.raises(SchemaError, match=str(place[0])):
        validate(report)


@pytest.mark.parametrize("key", sorted(set(SAMPLE) - ADDED))
def test_a_missing_key_is_named(key):
    with pytest.raises(SchemaError, match=key):
        validate({name: value for name, value in SAMPLE.items() if name != key})


@pytest.mark.parametrize("key", ["index", "from", "beat_offset_ms", "crossing_noises", "flags"])
def test_a_missing_key_of_a_movement_is_named(key):
    report = copy.deepcopy(SAMPLE)
    del report["movements"][2][key]
    with pytest.raises(SchemaError, match=key):
        validate(report)


def test_schema_and_code_name_the_same_things():
    schema = json.loads(PATH.read_text())
    assert schema["$defs"]["flag"]["enum"] == list(FLAGS)
    assert schema["$defs"]["movement"]["properties"]["kind"]["enum"] == list(KINDS)
