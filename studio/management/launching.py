"""What `serve` and `demo` share: everything from the first check to the last process ended."""

from __future__ import annotations

import os
import sys
import threading
from contextlib import ExitStack
from typing import Any

from django.conf import settings
from django.core.checks import run_checks
from django.core.management.base import BaseCommand, CommandParser
from django.db import connections

from studio.data_folder import DataFolder, DataFolderError
from studio.launcher import (
    LaunchError,
    WorkerProcess,
    check_database,
    collect_static,
    ended_by_signals,
    listen,
    local_address,
    migrate,
    serve,
    worker_count,
)


class LaunchCommand(BaseCommand):
    """Serves until interrupted. Subclasses say what stands in the data folder before that."""

    # Each trouble gets one line of our own instead; the checks are run once the data folder is ours.
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--port", type=int, default=8000, help="the port to serve on (default: 8000)")
        parser.add_argument(
            "--host",
            default="127.0.0.1",
            help="the address to serve on (default: 127.0.0.1, this computer only; 0.0.0.0: the local network too)",
        )

    def prepare(self, folder: DataFolder, options: dict[str, Any]) -> None:
        """Called with the folder locked, before the database is looked at."""

    def populate(self, folder: DataFolder) -> None:
        """Called with the database at this version, before anything is served."""

    def greet(self) -> None:
        """Called once the address is printed."""

    def handle(self, *args: Any, **options: Any) -> None:
        os.umask(0o077)  # recordings of children: for the account that runs this, and nobody else
        try:
            with ended_by_signals(), ExitStack() as open_things:
                self._run(open_things, options)
        except (LaunchError, DataFolderError) as error:
            self.stderr.write(str(error))
            sys.exit(1)
        except KeyboardInterrupt:
            self.say("Stopped.")

    def say(self, line: str) -> None:
        self.stdout.write(line)
        self.stdout.flush()

    def _run(self, open_things: ExitStack, options: dict[str, Any]) -> None:
        folder = DataFolder(settings.DATA_DIR)
        folder.open()
        open_things.callback(folder.close)
        if faults := [fault for fault in run_checks() if fault.is_serious()]:
            raise LaunchError(f"{faults[0].msg} {faults[0].hint or ''}".rstrip())
        listener = listen(options["host"], options["port"])
        open_things.callback(listener.close)
        self.prepare(folder, options)
        check_database()
        migrate()
        collect_static()
        self.populate(folder)
        connections.close_all()
        worker = WorkerProcess(worker_count(), self.stderr.write)
        open_things.callback(worker.stop)
        host, port = options["host"], listener.getsockname()[1]
        self._answer_to(host)
        serve(listener, ready=lambda: self._announce(host, port))
        raise KeyboardInterrupt

    def _answer_to(self, host: str) -> None:
        everywhere = host in ("0.0.0.0", "::")
        names = [local_address(), "0.0.0.0"] if everywhere else [host]
        settings.ALLOWED_HOSTS += [f"[{name}]" if ":" in name else name for name in names if name]

    def _announce(self, host: str, port: int) -> None:
        shown = "127.0.0.1" if host in ("0.0.0.0", "::") else f"[{host}]" if ":" in host else host
        self.say(f"Fingerwork is at {settings.SITE_URL or f'http://{shown}:{port}'}")
        if host in ("0.0.0.0", "::") and (near := local_address()):
            self.say(f"From the local network: http://{near}:{port}")
        self.greet()
        self.say("Ctrl-C stops it.")


class ProgressBar:
    """A line in the terminal that fills; without a terminal, one line whenever the task changes."""

    _WIDTH = 30

    def __init__(self, stream: Any) -> None:
        self._stream = stream
        self._task = ""
        self._lock = threading.Lock()

    def __call__(self, task: str, share: float) -> None:
        """Show `task` as done by `share`, 0 to 1."""
        with self._lock:
            if self._stream.isatty():
                filled = round(min(1.0, max(0.0, share)) * self._WIDTH)
                bar = "#" * filled + "." * (self._WIDTH - filled)
                self._stream.write(f"\r\x1b[K[{bar}] {share:4.0%} {task}")
            elif task != self._task:
                self._stream.write(f"{task}\n")
            self._task = task
            self._stream.flush()

    def done(self) -> None:
        """Leave the line."""
        if self._task and self._stream.isatty():
            self._stream.write("\n")
