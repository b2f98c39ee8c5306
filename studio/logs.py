"""Every request has a short number; whatever is logged while it is answered carries it, and so do the error pages."""

from __future__ import annotations

import logging
import re
import secrets
from collections.abc import Callable
from contextvars import ContextVar
from typing import Any, Final

from django.http import HttpRequest, HttpResponseBase

#: The number of the request that is being answered; "-" outside of one, as in the worker.
current_request: ContextVar[str] = ContextVar("current_request", default="-")

_GIVEN: Final = re.compile(r"[A-Za-z0-9-]{8,64}", re.ASCII)


def request_number() -> str:
    """The number of the request that is being answered."""
    return current_request.get()


class RequestNumberMiddleware:
    """Numbers each request, by the proxy's X-Request-ID where that is usable, and says the number in the answer."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        given = str(request.headers.get("X-Request-ID", ""))
        number = given if _GIVEN.fullmatch(given) else secrets.token_hex(6)
        token = current_request.set(number)
        try:
            response = self.get_response(request)
        finally:
            current_request.reset(token)
        response["X-Request-ID"] = number
        return response


class RequestNumberFilter(logging.Filter):
    """Gives every record the number of its request."""

    def filter(self, record: logging.LogRecord) -> bool:
        record.request_number = request_number()
        return True


def logging_config(level: str = "INFO") -> dict[str, Any]:
    """Django's LOGGING: everything to standard error, one line a record before its trace."""
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "filters": {"request_number": {"()": "studio.logs.RequestNumberFilter"}},
        "formatters": {"line": {"format": "%(asctime)s %(levelname)s %(name)s [%(request_number)s] %(message)s"}},
        "handlers": {
            "stderr": {
                "class": "logging.StreamHandler",
                "formatter": "line",
                "filters": ["request_number"],
                "level": level,
            }
        },
        "root": {"handlers": ["stderr"], "level": "WARNING"},
        "loggers": {
            "studio": {"level": level},
            # Django's own handlers would print some records twice; pages that do not exist are no news.
            "django": {"handlers": [], "level": "WARNING", "propagate": True},
            "django.request": {"level": "ERROR"},
            "django.server": {"handlers": [], "level": "WARNING", "propagate": True},
        },
    }
