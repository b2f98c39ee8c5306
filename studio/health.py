"""Whether this web server can do its work: asked by whatever watches over it, such as a container's health check."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Final

from django.conf import settings
from django.core.cache import cache
from django.db import connection
from django.http import HttpRequest, JsonResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from studio.checks import unwritable

log = logging.getLogger(__name__)


def _database() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1 FROM takes_take WHERE 1 = 0")  # there, and migrated


def _cache() -> None:
    cache.get("healthz")


def _storage() -> None:
    if reason := unwritable(settings.MEDIA_ROOT):
        raise OSError(reason)


PARTS: Final[dict[str, Callable[[], None]]] = {"database": _database, "cache": _cache, "storage": _storage}


@require_safe
@never_cache
def healthz(request: HttpRequest) -> JsonResponse:
    """200 when every part answers, 503 when one does not, with the parts by name; reasons go to the log alone."""
    state = {name: _answers(name, ask) for name, ask in PARTS.items()}
    return JsonResponse(state, status=200 if all(word == "ok" for word in state.values()) else 503)


def _answers(name: str, ask: Callable[[], None]) -> str:
    try:
        ask()
    except Exception:  # whatever it is, this part does not work
        log.exception("the %s does not answer", name)
        return "down"
    return "ok"
