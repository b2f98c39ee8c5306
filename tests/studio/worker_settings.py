"""The settings of workers in tests: the analysis by FINGERWORK_TEST_ANALYSIS, and silence noticed soon."""

from __future__ import annotations

import os

from studio.settings import *  # noqa: F403

TAKES_ANALYSIS = os.environ.get("FINGERWORK_TEST_ANALYSIS", "tests.studio.fakes.quick")
TAKES_HEARTBEAT_S = 0.2
TAKES_HEARTBEAT_LOST_S = 2.0
TAKES_RING_AGAIN_S = 1.0
TAKES_SWEEP_EVERY_S = 0.3
