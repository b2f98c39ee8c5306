"""Takes made from recorded reed tones, which our own synthesizer has no part in, through the whole analysis."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from analysis.api import analyse
from analysis.score import parse_abc
from tests.benchmarks.made_takes import main
from tests.benchmarks.scoring import load_truth, score

pytestmark = pytest.mark.fluidsynth


@pytest.mark.parametrize("tone", ["bagpipe", "shanai", "clarinet"])
def test_a_take_of_recorded_tones_is_heard(tmp_path: Path, tone: str) -> None:
    main([str(tmp_path), "--plain", "--seed", "11", "--drill", "doubling:e", "--tone", tone, "--codec", ".m4a"])
    (path,) = tmp_path.glob("*.json")
    truth = load_truth(path)
    written = parse_abc((tmp_path / truth["abc"]).read_text(encoding="utf-8"))
    result = score(analyse(tmp_path / truth["audio"], written), truth)
    assert result.f1[0] >= 0.92
    assert result.found >= 0.95 * result.movements
    assert np.median(np.abs(result.offset_ms)) <= 6.0
