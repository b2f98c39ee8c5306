"""Lets librosa's compiled functions load where nothing can be kept on disk.

numba keeps what it compiled beside the library or in the user's cache folder, and refuses to load a function at all
where it can write to neither, as for an account without a home on a library that belongs to the system.
"""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from importlib.util import find_spec
from pathlib import Path


def allow_keeping() -> None:
    """Give numba a folder of this process, for its lifetime, where it would find none. To be called before librosa is
    imported; NUMBA_CACHE_DIR, where it is set, is left alone."""
    if os.environ.get("NUMBA_CACHE_DIR") or _beside_the_library() or _in_the_home():
        return
    # Of our own and not shared under a known name: what lies in it is executed.
    folder = tempfile.mkdtemp(prefix="fingerwork-compiled-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    os.environ["NUMBA_CACHE_DIR"] = folder


def _beside_the_library() -> bool:
    spec = find_spec("librosa")
    if spec is None or spec.origin is None:
        return False
    part = Path(spec.origin).parent / "util"  # every part of the library has a folder of its own for this
    return os.access(part, os.W_OK) and (not (kept := part / "__pycache__").exists() or os.access(kept, os.W_OK))


def _in_the_home() -> bool:
    try:
        return os.access(Path.home(), os.W_OK)
    except RuntimeError:  # an account without an entry, and no HOME
        return False
