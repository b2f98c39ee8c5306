"""Kombu's filesystem transport, mended where two processes meet over one file.

The original makes a message visible before it is written, and a reader that is quick enough gets half of it and stops;
it reads through the system's temporary folder, which is everybody's; and it wants its folders to exist. Here a message
is renamed into place when it is whole, everything stays in the queue's own folder, and the folders are made.
"""

from __future__ import annotations

import os
import uuid
from pathlib import Path
from queue import Empty
from time import time_ns
from typing import Any, Final

from kombu.transport import filesystem
from kombu.utils.json import dumps, loads

_PATIENCE_S: Final = 0.5


class Channel(filesystem.Channel):
    """A channel whose messages are single files, each written and taken in one step."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[no-untyped-call]
        for folder in (self.data_folder_in, self.data_folder_out, self.control_folder):
            Path(folder).mkdir(mode=0o700, parents=True, exist_ok=True)

    def _put(self, queue: str, payload: Any, **kwargs: Any) -> None:  # type: ignore[override]
        # Sorting by name is sorting by age, over a restart of the machine as well.
        name = f"{time_ns():020d}_{uuid.uuid4().hex}"
        folder = Path(self.data_folder_out)
        draft = folder / f"{name}.draft"
        draft.write_text(dumps(payload), encoding="utf-8")  # type: ignore[no-untyped-call]
        draft.rename(folder / f"{name}.{queue}.msg")

    def _get(self, queue: str, timeout: float | None = None) -> Any:
        folder = Path(self.data_folder_in)
        for name in sorted(os.listdir(folder)):
            if name.partition(".")[2] != f"{queue}.msg":
                continue
            mine = folder / f"{name}.taken-{uuid.uuid4().hex}"
            try:
                (folder / name).rename(mine)  # of several workers one succeeds
            except FileNotFoundError:
                continue
            text = mine.read_text(encoding="utf-8")
            mine.unlink()
            return loads(text)  # type: ignore[no-untyped-call]
        raise Empty


class Transport(filesystem.Transport):
    """The transport that `filesystem://` means in this project."""

    Channel = Channel

    def drain_events(self, connection: Any, timeout: float | None = None, **kwargs: Any) -> None:
        """Waits less long than asked: between two waits the worker looks whether it was told to stop."""
        super().drain_events(connection, timeout=min(timeout or _PATIENCE_S, _PATIENCE_S))  # type: ignore[no-untyped-call]
