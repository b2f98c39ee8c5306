"""The development takes against their golden reports (:mod:`tests.data.remake_golden`): times within 2 ms, everything
else as the tolerances there say."""

from __future__ import annotations

import copy

import pytest

from tests.analysis.test_takes import report_of
from tests.data import remake_golden as golden

EXAMPLE = "short-d-quiet-907"


@pytest.mark.parametrize("name", golden.names())
def test_what_is_heard_is_what_was_heard(name: str):
    take = name.removesuffix(golden.WITHOUT_MUSIC)
    said = golden.told(name, golden.load(name), dict(report_of(take, free=name != take)))
    assert not said, f"{said}\nIf that is better than before: {golden.COMMAND}"


def test_a_golden_report_is_its_own_rounding_and_nothing_is_left_over():
    assert {path.stem for path in golden.GOLDEN.iterdir()} == set(golden.names())
    for name in golden.names():
        assert golden.written(golden.rounded(golden.load(name))) == (golden.GOLDEN / f"{name}.json").read_text()


def test_two_milliseconds_are_let_pass_and_three_are_told():
    kept = golden.load(EXAMPLE)
    for by_s, lines in ((0.002, 0), (0.003, 1)):
        moved = copy.deepcopy(kept)
        moved["notes"][3]["start_s"] += by_s
        assert len(golden.differences(kept, moved)) == lines


def test_a_difference_is_told_by_what_was_played():
    kept = golden.load(EXAMPLE)
    other = copy.deepcopy(kept)
    gone = other["notes"].pop(2)
    other["movements"][1]["flags"] = ["late"]
    movement = other["movements"][1]
    name = movement["kind"] + (f" ({movement['form']})" if movement["form"] else "")
    assert golden.differences(kept, other) == [
        f"notes: gone  {gone['note']} ({gone['role']}) from {gone['start_s']} to {gone['end_s']} s",
        f"movements: {name} on {movement['on']} from {movement['from']}, bar {movement['bar']} "
        f'at {movement["start_s"]} s: flags: [] -> ["late"]',
    ]
