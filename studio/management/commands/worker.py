"""`manage.py worker`: analyses takes, beside a web server that runs elsewhere."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
import warnings
from argparse import ArgumentTypeError
from typing import Any, Final

from celery.exceptions import SecurityWarning
from django.conf import settings
from django.core.management.base import BaseCommand, CommandParser
from django.utils.module_loading import import_string

from studio.launcher import end_group, worker_count

#: How long a worker whose parent is gone may take to stop in order.
_GRACE_S: Final = 8.0


def _positive(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise ArgumentTypeError(f"{text!r} is not a whole number above 0")
    return int(text)


class Command(BaseCommand):
    help = "Analyse queued takes until stopped. `serve` and `demo` start one by themselves."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--concurrency", type=_positive, help="takes analysed at once (default: 2, or 1 on one core)"
        )
        parser.add_argument("--until-stdin-closes", action="store_true", help="stop when standard input closes")

    def handle(self, *args: Any, **options: Any) -> None:
        # The analysis is one thread of numerical code a take; more would only fight over the cores. The libraries read
        # these when they are loaded, so it must come first.
        for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"):
            os.environ.setdefault(name, "1")
        # It warns of pickled messages sent to a worker of root's; only JSON is taken here.
        warnings.filterwarnings("ignore", category=SecurityWarning)
        if options["until_stdin_closes"]:
            threading.Thread(target=_stop_with_parent, daemon=True).start()
        from billiard import pool  # type: ignore[import-untyped]

        from studio.celery import app

        # A pool process that ends waits 30 s for its last result to be fetched, by a main process that has left off
        # fetching when it is stopped just then. Nothing hangs on it here: the result stands in the database.
        pool.GUARANTEE_MESSAGE_CONSUMPTION_RETRY_LIMIT = 10
        import_string(settings.TAKES_ANALYSIS)  # before the pool is forked: its processes share what is loaded
        app.worker_main([
            "--quiet", "worker", "--pool", "prefork", "--concurrency", str(options["concurrency"] or worker_count()),
            "--hostname", f"fingerwork-{os.getpid()}@%h", "--loglevel", "WARNING", "--max-tasks-per-child", "50",
            "--without-gossip", "--without-mingle", "--without-heartbeat",
        ])  # fmt: skip


def _stop_with_parent() -> None:
    while os.read(sys.stdin.fileno(), 1024):
        pass
    os.kill(os.getpid(), signal.SIGTERM)
    time.sleep(_GRACE_S)
    if os.getpgrp() == os.getpid():  # started in a group of our own, by the launcher
        end_group(os.getpid())
    os._exit(1)
