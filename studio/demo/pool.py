"""Playing and analysing in processes of their own, or in this one."""

from __future__ import annotations

import os
import uuid
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from types import TracebackType
from typing import Final, TypeVar

from django.db import connections

#: Read by numerical libraries when a process starts. Several processes of several threads each would only wait.
_ONE_THREAD: Final = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS")

Job = TypeVar("Job")
Result = TypeVar("Result")


def _set_up() -> None:
    """Each process starts from nothing, so that no database connection or lock is shared with this one."""
    import django

    django.setup()


def analyse(pk: uuid.UUID) -> None:
    """Analyse a take through the same service as every other take."""
    from studio.takes.services import analyse_take

    analyse_take(pk)


class Pool:
    """`processes` at work; with 0 every job is done at once, here."""

    def __init__(self, processes: int) -> None:
        self._pool: ProcessPoolExecutor | None = None
        self._environment = {name: os.environ.get(name) for name in _ONE_THREAD}
        if processes:
            connections.close_all()
            os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
            self._pool = ProcessPoolExecutor(processes, mp_context=get_context("spawn"), initializer=_set_up)

    def __enter__(self) -> Pool:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._pool:
            self._pool.shutdown(wait=True, cancel_futures=True)
        for name, value in self._environment.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value

    def each(self, work: Callable[[Job], Result], jobs: Sequence[Job]) -> Iterator[tuple[int, Result]]:
        """`work` on every job: the job's number and its result, as they are done."""
        if self._pool is None:
            for number, job in enumerate(jobs):
                yield number, work(job)
            return
        numbers = {self._pool.submit(work, job): number for number, job in enumerate(jobs)}
        for future in as_completed(numbers):
            yield numbers[future], future.result()

    def analyse(self, pk: uuid.UUID) -> Callable[[], None]:
        """Start the analysis of a take; the answer waits for its end."""
        if self._pool is None:
            analyse(pk)
            return lambda: None
        return self._pool.submit(analyse, pk).result
