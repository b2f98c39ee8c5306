"""Samples that lie in a file and not in memory, which a long recording would fill."""

from __future__ import annotations

import mmap
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

_BLOCK: Final = 480_000


def samples(raw: Path) -> NDArray[np.float32]:
    """The float32 samples (n,) in the file `raw`, mapped into memory, not read. The file may be deleted meanwhile."""
    if not raw.stat().st_size:
        return np.zeros(0, dtype=np.float32)
    with raw.open("rb") as file:
        return np.frombuffer(mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ), dtype=np.float32)


def let_go(sound: NDArray[np.float32]) -> None:
    """Give the memory of `sound` (n,) back to the system if it is mapped; it is read again when it is asked for."""
    file = getattr(sound.base, "obj", None)
    if isinstance(file, mmap.mmap) and hasattr(mmap, "MADV_DONTNEED"):
        file.madvise(mmap.MADV_DONTNEED)


def blocks(sound: NDArray[np.float32]) -> Iterator[NDArray[np.float32]]:
    """`sound` (n,) piece by piece, each let go of before the next."""
    for start in range(0, sound.size, _BLOCK):
        yield sound[start : start + _BLOCK]
        let_go(sound)
