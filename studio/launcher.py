"""Runs Fingerwork on one machine: the web server in this process, the analysis worker as its child."""

from __future__ import annotations

import errno
import os
import signal
import socket
import subprocess
import sys
import threading
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any, Final

from django.conf import settings
from django.core.management import call_command
from django.db import DatabaseError, connection
from django.db.migrations.exceptions import InconsistentMigrationHistory
from django.db.migrations.loader import MigrationLoader

from studio.takes.services import MAX_UPLOAD_BYTES

#: Told one line for people at a time.
Tell = Callable[[str], None]

_STOP_S: Final = 8.0
_LONGEST_PAUSE_S: Final = 30.0
_WEB_THREADS: Final = 8
#: What the server reads of an upload before it hangs up; a little over the cap, so that our own page can say why.
_MAX_BODY: Final = MAX_UPLOAD_BYTES + 64 * 1024 * 1024


class LaunchError(Exception):
    """Fingerwork cannot start. The message is one line that says what to do."""


def worker_count() -> int:
    """How many takes are analysed at once: two where there are cores for it."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(2, cores)


def listen(host: str, port: int) -> socket.socket:
    """A listening socket. Raises LaunchError where the address is taken or not ours to take."""
    if not 0 <= port <= 65535:
        raise LaunchError(f"{port} is no port. Choose one from 1024 to 65535, say --port 8000.")
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        listener = socket.socket(family, kind, protocol)
        try:
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind(address)
            listener.listen(128)
        except BaseException:
            listener.close()
            raise
    except OSError as error:
        raise LaunchError(_why_not(host, port, error)) from error
    return listener


def _why_not(host: str, port: int, error: OSError) -> str:
    if error.errno == errno.EADDRINUSE:
        return f"Port {port} is in use by another program. Stop that, or choose another port, say --port {port + 1}."
    if error.errno in (errno.EACCES, errno.EPERM):
        return f"Port {port} is reserved for the system. Choose one above 1023, say --port 8000."
    return (
        f"The address {host} is none of this machine's. Use --host 127.0.0.1, or --host 0.0.0.0 for the local network."
    )


def check_database() -> None:
    """Raises LaunchError when the database cannot be reached, is broken, or was made by a newer version."""
    name = settings.DATABASES["default"].get("NAME")
    try:
        if connection.vendor == "sqlite":
            with connection.cursor() as cursor:
                cursor.execute("PRAGMA quick_check(1)")
                if (verdict := cursor.fetchone()[0]) != "ok":
                    raise DatabaseError(verdict)
        loader = MigrationLoader(connection)
    except InconsistentMigrationHistory as error:
        raise LaunchError(f"The database {name} was left between two versions ({error}). Put a backup back.") from error
    except DatabaseError as error:
        raise LaunchError(_database_trouble(name, error)) from error
    unknown = sorted(key for key in loader.applied_migrations or {} if key not in (loader.disk_migrations or {}))
    if unknown:
        raise LaunchError(
            f"The database {name} was made by a newer version of Fingerwork (it knows {'.'.join(unknown[0])}). "
            "Update Fingerwork, or choose another data folder with FINGERWORK_DATA."
        )


def _database_trouble(name: object, error: DatabaseError) -> str:
    reason = str(error).strip().splitlines()[0] if str(error).strip() else type(error).__name__
    if connection.vendor == "sqlite":
        return (
            f"The database {name} cannot be read ({reason}). Put a backup in its place, or move it away to start anew."
        )
    return f"The database {name} does not answer ({reason}). Check DATABASE_URL and that the server runs."


def migrate() -> None:
    """Bring the database to this version. Raises LaunchError when it cannot be written."""
    try:
        call_command("migrate", verbosity=0, interactive=False)
    except DatabaseError as error:
        raise LaunchError(_database_trouble(settings.DATABASES["default"].get("NAME"), error)) from error


class WorkerProcess:
    """The analysis worker as a child process: started again when it stops by itself, ended when we end, however we end.

    The child reads its standard input, a pipe that only we hold: when this process is gone, the pipe closes, and the
    child stops on its own.
    """

    def __init__(self, concurrency: int, tell: Tell) -> None:
        self._concurrency = concurrency
        self._tell = tell
        self._stopping = threading.Event()
        self._process = self._spawn()
        self._watcher = threading.Thread(target=self._watch, name="worker watch", daemon=True)
        self._watcher.start()

    @property
    def pid(self) -> int:
        """Of the child that runs now."""
        return self._process.pid

    def _spawn(self) -> subprocess.Popen[bytes]:
        command = [sys.executable, str(settings.BASE_DIR / "manage.py"), "worker", "--until-stdin-closes"]
        command += ["--concurrency", str(self._concurrency)]
        # A session of its own: Ctrl-C in the terminal reaches us alone, and we end the worker in order.
        return subprocess.Popen(command, stdin=subprocess.PIPE, start_new_session=True)

    def _watch(self) -> None:
        pause = 1.0
        while True:
            code = self._process.wait()
            if self._stopping.is_set():
                return
            end_group(self._process.pid)
            self._tell(f"The analysis worker stopped ({_ending(code)}); it is started again. No take is lost.")
            if self._stopping.wait(pause):
                return
            pause = min(_LONGEST_PAUSE_S, pause * 2)
            self._process = self._spawn()

    def stop(self) -> None:
        """End the worker and what it started: in order if it can be done in a few seconds, at once if not."""
        self._stopping.set()
        process = self._process
        try:
            process.terminate()
            process.wait(_STOP_S)
        except subprocess.TimeoutExpired:
            pass
        finally:
            end_group(process.pid)
            process.wait()
            self._watcher.join(1.0)


def end_group(group: int) -> None:
    """Kill what is left of a process group; none left is fine."""
    with suppress(ProcessLookupError, PermissionError):
        os.killpg(group, signal.SIGKILL)


def _ending(code: int) -> str:
    return f"signal {-code}" if code < 0 else f"exit status {code}"


@contextmanager
def ended_by_signals() -> Iterator[None]:
    """SIGTERM and SIGHUP end the block as Ctrl-C does."""

    def interrupt(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    before = {number: signal.signal(number, interrupt) for number in (signal.SIGTERM, signal.SIGHUP)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def collect_static() -> None:
    """Behind a proxy, collect the static files under their hashed names. Raises LaunchError when it cannot."""
    root = settings.STATIC_ROOT
    # An image brings them collected and cannot be written. Not even tried then: a collecting that fails half way leaves
    # this process without the names it had read.
    if not settings.HTTPS or ((root / "staticfiles.json").exists() and not os.access(root, os.W_OK)):
        return
    try:
        call_command("collectstatic", verbosity=0, interactive=False)
    except OSError as error:
        raise LaunchError(
            f"The static files cannot be collected in {root} ({error.strerror}). Make it writable."
        ) from error


def serve(listener: socket.socket, *, ready: Callable[[], None]) -> None:
    """Serve the web application on `listener` until interrupted; `ready` is called once requests are answered."""
    from waitress.server import create_server

    # Collected copies are for machines behind a proxy; here static files are served from where they lie.
    warnings.filterwarnings("ignore", message="No directory at", module="django")
    from studio.wsgi import application

    options: dict[str, Any] = {"sockets": [listener], "threads": _WEB_THREADS, "ident": None}
    if settings.HTTPS:  # a proxy in front ends TLS and says so
        options |= {"trusted_proxy": "*", "trusted_proxy_headers": {"x-forwarded-proto", "x-forwarded-for"}}
    server = create_server(application, max_request_body_size=_MAX_BODY, channel_timeout=120, **options)
    try:
        ready()
        server.run()
    finally:
        server.close()


def local_address() -> str | None:
    """This machine's address in the local network, or None. Nothing is sent: a datagram socket only picks a route."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # a documentation address (RFC 5737)
        except OSError:
            return None
        return str(probe.getsockname()[0])
