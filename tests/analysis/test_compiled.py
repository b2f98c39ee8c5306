import os
import subprocess
import sys
from pathlib import Path

import pytest

from analysis import compiled

ROOT = Path(__file__).parents[2]


@pytest.fixture
def nowhere(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    """Nothing can be kept, neither beside the library nor in the home."""
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    monkeypatch.setattr(compiled, "_beside_the_library", lambda: False)
    monkeypatch.setattr(compiled, "_in_the_home", lambda: False)
    return monkeypatch


def test_a_private_folder_is_given_where_there_is_none(nowhere):
    compiled.allow_keeping()
    folder = Path(os.environ["NUMBA_CACHE_DIR"])
    assert folder.stat().st_mode & 0o777 == 0o700
    compiled.allow_keeping()
    assert os.environ["NUMBA_CACHE_DIR"] == str(folder)


@pytest.mark.parametrize("place", ["_beside_the_library", "_in_the_home"])
def test_where_there_is_a_place_numba_is_left_alone(nowhere, place):
    nowhere.setattr(compiled, place, lambda: True)
    compiled.allow_keeping()
    assert "NUMBA_CACHE_DIR" not in os.environ


def test_a_chosen_folder_is_kept(nowhere, tmp_path):
    nowhere.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    compiled.allow_keeping()
    assert os.environ["NUMBA_CACHE_DIR"] == str(tmp_path)


def test_the_folder_goes_with_its_process():
    program = (
        "import os\nfrom analysis import compiled\n"
        "compiled._beside_the_library = compiled._in_the_home = lambda: False\n"
        "compiled.allow_keeping()\nfolder = os.environ['NUMBA_CACHE_DIR']\nassert os.path.isdir(folder)\nprint(folder)"
    )
    env = {name: value for name, value in os.environ.items() if name != "NUMBA_CACHE_DIR"}
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, env=env, capture_output=True, text=True, timeout=60, check=True
    )
    assert not Path(done.stdout.strip()).exists()


def test_the_home_of_an_account_without_one(monkeypatch):
    monkeypatch.setenv("HOME", "/nonexistent")
    assert not compiled._in_the_home()


def test_this_library_can_be_looked_at():
    assert compiled._beside_the_library() == os.access(Path(compiled.find_spec("librosa").origin).parent, os.W_OK)
