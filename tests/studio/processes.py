"""Real processes for tests: started, waited for, ended again. Every wait is bounded."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import TracebackType

ROOT = Path(__file__).resolve().parents[2]
#: Far more than anything here takes; reached only when something is broken.
PATIENCE_S = 60.0


def wait_until(true: Callable[[], object], what: str, *, seconds: float = PATIENCE_S) -> None:
    """Returns when `true()` is. Raises AssertionError, naming `what`, after `seconds`."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, f"waited {seconds:.0f} s in vain for {what}"
        time.sleep(0.05)


class Command:
    """`manage.py` with `arguments`, on the data folder `data`, in a process group of its own."""

    def __init__(self, *arguments: str, data: Path, **environment: str) -> None:
        self.lines: list[str] = []
        self.process = subprocess.Popen(
            [sys.executable, str(ROOT / "manage.py"), *arguments],
            env={**os.environ, "FINGERWORK_DATA": str(data), "PYTHONUNBUFFERED": "1", **environment},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        with self.process.stdout as output:
            self.lines.extend(iter(output.readline, ""))

    @property
    def output(self) -> str:
        return "".join(self.lines)

    def wait_for(self, text: str) -> str:
        """The first line that holds `text`, once there is one."""
        found: list[str] = []

        def look() -> bool:
            found[:] = [line for line in self.lines if text in line]
            ended = self.process.poll() is not None and not self._reader.is_alive()
            assert found or not ended, f"ended with {self.process.returncode} before {text!r}:\n{self.output}"
            return bool(found)

        wait_until(look, f"{text!r} in:\n{self.output}")
        return found[0].strip()

    def wait(self) -> int:
        """The exit status."""
        status = self.process.wait(PATIENCE_S)
        self._reader.join(PATIENCE_S)
        return status

    def stop(self, number: int = signal.SIGTERM) -> int:
        """Send the signal and wait for the end."""
        self.process.send_signal(number)
        return self.wait()

    def __enter__(self) -> Command:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is not None:
            print(f"{' '.join(self.process.args[1:])} said:\n{self.output}")  # type: ignore[index]
        if self.process.poll() is None:
            with suppress(subprocess.TimeoutExpired):
                self.stop()
        if self.process.poll() is None:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait(PATIENCE_S)


class Serving(Command):
    """`manage.py serve`, waited for until it answers."""

    def __init__(self, *arguments: str, data: Path, **environment: str) -> None:
        super().__init__("serve", "--port", "0", *arguments, data=data, **environment)
        self.address = self.wait_for("Fingerwork is at").split()[-1]

    def worker(self) -> int:
        """The process number of the worker, once it runs."""
        found: list[int] = []

        def look() -> bool:
            found[:] = [pid for pid in children(self.process.pid) if b"worker" in command_line(pid)]
            return bool(found)

        wait_until(look, "a worker")
        return found[0]


def children(pid: int) -> list[int]:
    """The processes started by `pid` that still run (Linux)."""
    try:
        tasks = [Path(task, "children").read_text() for task in Path(f"/proc/{pid}/task").iterdir()]
    except OSError:
        return []
    return [int(child) for task in tasks for child in task.split()]


def command_line(pid: int) -> bytes:
    """The arguments of `pid`, NUL between them; empty when it is gone or a zombie (Linux)."""
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return b""
