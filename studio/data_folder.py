"""The data folder: everything that Fingerwork keeps on this machine, marked as ours, used by one instance at a time."""

from __future__ import annotations

import fcntl
import json
import os
import shutil
from pathlib import Path
from typing import IO, Final, Literal

Purpose = Literal["own", "demo"]

_MARK: Final = "fingerwork.json"
_LOCK: Final = "lock"
_KEY: Final = "secret_key"
#: All that Fingerwork puts into its folder. Starting over removes these and nothing else.
_OURS: Final = frozenset({
    _MARK, _LOCK, _KEY, "media", "queue", "cache",
    "fingerwork.sqlite3", "fingerwork.sqlite3-wal", "fingerwork.sqlite3-shm",
})  # fmt: skip
#: What a fresh disk, a desktop or a version control system leaves in a folder that is empty for people.
_NOBODYS: Final = frozenset({"lost+found", ".DS_Store", ".gitignore", ".gitkeep"})


class DataFolderError(Exception):
    """The folder cannot be used. The message is one line that says what to do."""


class DataFolder:
    """The folder at `path`, once `open` has made sure of it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock: IO[str] | None = None

    def open(self) -> None:
        """Make the folder, check that it can be written, and keep every other instance out until this process ends."""
        try:
            self.path.mkdir(mode=0o700, parents=True, exist_ok=True)
            lock = (self.path / _LOCK).open("a+", encoding="ascii")
        except OSError as error:
            raise DataFolderError(
                f"The data folder {self.path} cannot be written ({error.strerror}). "
                "Give yourself the right to, or choose another with FINGERWORK_DATA."
            ) from error
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            lock.seek(0)
            holder = lock.read().strip()
            lock.close()
            raise DataFolderError(
                f"Fingerwork already runs on the data folder {self.path}{f' (process {holder})' if holder else ''}. "
                "Stop it first, or choose another folder with FINGERWORK_DATA."
            ) from None
        lock.truncate(0)
        lock.write(str(os.getpid()))
        lock.flush()
        self._lock = lock

    def close(self) -> None:
        """Let other instances in."""
        if self._lock is not None:
            self._lock.truncate(0)
            self._lock.close()
            self._lock = None

    @property
    def purpose(self) -> Purpose | None:
        """What the folder was marked for; None while it bears no mark of ours."""
        return self._mark().get("purpose")  # type: ignore[return-value]

    @property
    def complete(self) -> bool:
        """Whether what was begun for the purpose was finished: the building of a demo studio may be interrupted."""
        return bool(self._mark().get("complete"))

    def mark(self, purpose: Purpose, *, complete: bool) -> None:
        """Mark the folder as ours. Raises DataFolderError when it holds other people's things."""
        if self.purpose is None and (strange := self._strangers()):
            raise DataFolderError(
                f"The folder {self.path} holds other things ({', '.join(strange[:3])}). "
                "Choose an empty one with FINGERWORK_DATA."
            )
        draft = self.path / f"{_MARK}.new"
        draft.write_text(json.dumps({"purpose": purpose, "complete": complete}), encoding="utf-8")
        draft.replace(self.path / _MARK)

    def clear(self) -> None:
        """Remove what Fingerwork has stored here, but for the lock and the secret key.

        Raises DataFolderError when the folder is not marked as ours.
        """
        if self.purpose is None:
            raise DataFolderError(
                f"{self.path} is not a Fingerwork data folder, so nothing in it is deleted. Check FINGERWORK_DATA."
            )
        # The mark goes last: an interrupted clearing can be taken up again.
        for name in sorted(_OURS - {_LOCK, _KEY, _MARK}):
            entry = self.path / name
            if entry.is_dir() and not entry.is_symlink():
                shutil.rmtree(entry)
            else:
                entry.unlink(missing_ok=True)
        (self.path / _MARK).unlink()

    def _mark(self) -> dict[str, object]:
        try:
            mark = json.loads((self.path / _MARK).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        known = isinstance(mark, dict) and mark.get("purpose") in ("own", "demo")
        return mark if known else {}

    def _strangers(self) -> list[str]:
        return sorted(entry.name for entry in self.path.iterdir() if entry.name not in _OURS | _NOBODYS)
