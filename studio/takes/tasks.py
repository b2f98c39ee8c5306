"""What the worker runs. Thin: the work stands in services."""

from __future__ import annotations

from celery import shared_task

from studio.takes import services, sweep  # noqa: F401  (importing the sweep has the worker start it)


@shared_task(name="takes.analyse")  # type: ignore[untyped-decorator]
def analyse(pk: str) -> None:
    """Analyse the take `pk`, unless someone else does or did."""
    services.analyse_take(pk)
