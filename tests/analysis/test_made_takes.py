"""Made takes: the files agree with each other and with the fixed format of truth."""

from __future__ import annotations

import json
from pathlib import Path

import av
import pytest

from analysis.score import parse_abc
from tests.benchmarks.made_takes import Made, drawn, main, played, written


def test_a_take_is_written_with_its_truth(tmp_path: Path) -> None:
    main([str(tmp_path), "--plain", "--seed", "5", "--drill", "doubling:f", "--codec", ".m4a", "--tempo-bpm", "66"])
    (path,) = tmp_path.glob("*.json")
    truth = json.loads(path.read_text())
    score = parse_abc((tmp_path / truth["abc"]).read_text())
    assert truth["bpm"] == score.tempo_bpm == 66
    assert len(truth["moves"]) == len(score.movements)
    assert [move["item"] for move in truth["moves"]] == [movement.theme for movement in score.movements]
    with av.open(str(tmp_path / truth["audio"])) as container:
        decoded = sum(frame.samples for frame in container.decode(audio=0)) / container.streams.audio[0].rate
    assert decoded == pytest.approx(truth["duration"], abs=0.05)
    assert any(move["faults"] for move in truth["moves"])
    for move in truth["moves"]:
        if not move["faults"] and move["kind"] != "doubling/half":
            first = move["grace_ms"][0][1] / 1000
            assert (move["onset_s"] + first - move["beat_s"]) * 1000 == pytest.approx(move["offset_ms"])


def test_the_same_seed_draws_the_same_take() -> None:
    assert drawn(3) == drawn(3) != drawn(4)


@pytest.mark.parametrize("seed", range(40))
def test_whatever_is_drawn_can_be_played(seed: int) -> None:
    made = drawn(seed)
    performance = played(made, written(made))
    assert len(performance.notes) > len(performance.movements) > 0


def test_only_the_wanted_faults() -> None:
    made = Made(fault_rate=1.0, faults=("late",))
    assert {movement.faults for movement in played(made, written(made)).movements} == {("late",)}
