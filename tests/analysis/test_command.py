"""The command line, run as a user runs it."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from analysis.schema import validate

ROOT = Path(__file__).parents[2]
TAKES = ROOT / "tests" / "data" / "takes"
TAKE = TAKES / "short-d-quiet-907.mp3"
SCORE = TAKES / "short-d-quiet-907.abc"


def run(*arguments: object, **environment: str) -> subprocess.CompletedProcess[str]:
    """`manage.py analyse` with a data folder that cannot be made: the command must not need one."""
    env = {**os.environ, "FINGERWORK_DATA": "/proc/nowhere", **environment}
    command = [sys.executable, str(ROOT / "manage.py"), "analyse", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, env=env, cwd="/", timeout=120, check=False)


def test_json_is_the_report_and_nothing_else():
    done = run(TAKE, "--score", SCORE, "--json")
    assert done.returncode == 0, done.stderr
    report = json.loads(done.stdout)
    validate(report)
    assert report["summary"]["movements"] == 6
    assert {m["kind"] for m in report["movements"]} == {"doubling"}


def test_the_table_is_for_pipers():
    done = run(TAKE, "--score", SCORE)
    assert done.returncode == 0, done.stderr
    assert "doubling on D" in done.stdout
    assert "heavy gracenote (high G" in done.stdout
    assert "evenness, not lateness" in done.stdout
    assert "of 6 movements" in done.stdout


def test_options_reach_the_analysis():
    plain = json.loads(run(TAKE, "--score", SCORE, "--json").stdout)
    other = json.loads(
        run(TAKE, "--score", SCORE, "--json", "--beat-point", "opens", "--level", "strict", "--tempo", "54").stdout
    )
    assert other["movements"][0]["measures"]["beat_point"] == "opens"
    assert plain["movements"][0]["measures"]["beat_point"] == "closes"
    assert other["summary"]["clean"] <= plain["summary"]["clean"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["/no/such/take.wav"], "There is no file"),
        ([ROOT / "LICENSE"], "not a sound file"),
        ([ROOT], "is a folder"),
        ([TAKE, "--score", "/no/such.abc"], "There is no file"),
        ([TAKE, "--score", TAKE], "is not text"),
        ([TAKE, "--score", ROOT / "LICENSE"], "line 1"),
        ([TAKE, "--tempo", "9999"], "no tempo"),
        ([TAKE, "--tempo", "quick"], "no tempo"),
        ([TAKE, "--level", "harsh"], "harsh"),
        ([], "audio"),
    ],
)
def test_what_cannot_be_used_is_one_line_and_status_2(arguments, words):
    done = run(*arguments)
    assert done.returncode == 2
    assert done.stdout == ""
    assert len(done.stderr.strip().splitlines()) == 1
    assert words in done.stderr


def test_a_recording_without_a_chanter_is_one_line_and_status_2(tmp_path):
    import numpy as np
    import soundfile

    soundfile.write(tmp_path / "noise.wav", np.random.default_rng(1).normal(size=48_000 * 4) * 0.1, 48_000)
    done = run(tmp_path / "noise.wav", "--json")
    assert (done.returncode, done.stdout) == (2, "")
    assert "No chanter is to be heard" in done.stderr
