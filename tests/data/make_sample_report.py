"""Remake tests/data/sample_report.json: the report of one development take, as screens and tests use it.

python -m tests.data.make_sample_report
"""

import json
from pathlib import Path

from analysis.api import analyse
from analysis.score import parse_abc

FOLDER = Path(__file__).parent
TAKE = FOLDER / "takes" / "pairs-e-room-907.m4a"

if __name__ == "__main__":
    report = analyse(TAKE, parse_abc(TAKE.with_suffix(".abc").read_text()))
    (FOLDER / "sample_report.json").write_text(json.dumps(report, indent=1) + "\n")
    (FOLDER / "sample_report.abc").write_text(TAKE.with_suffix(".abc").read_text())
