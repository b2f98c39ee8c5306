"""A data folder filled by programs of its own, for tests and benchmarks of the review room."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

from tests.studio.processes import ROOT

_PROGRAMS = {"outside": "tests/studio/outside.py", "review_takes": "tests/browser/review_takes.py"}


def filled(data: Path, program: str, *arguments: str) -> Any:
    """What `program` prints, run on the folder `data`."""
    environment = {**os.environ, "FINGERWORK_DATA": str(data), "DJANGO_SETTINGS_MODULE": "studio.settings"}
    done = subprocess.run(
        [sys.executable, str(ROOT / _PROGRAMS[program]), *arguments],
        env=environment, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)
