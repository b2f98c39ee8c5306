"""Slows down the guessing of passwords: after a few wrong tries a user name rests for a while at that address.

Counted in Django's cache by user name and address together, so that nobody can lock somebody else out from elsewhere.
Two tries at the very same moment may count as one; the limit bounds guessing, it need not be exact.
"""

from __future__ import annotations

import hashlib
from typing import Final

from django.conf import settings
from django.core.cache import cache
from django.http import HttpRequest

TRIES: Final = 5
REST_S: Final = 15 * 60


def address_of(request: HttpRequest) -> str:
    """The asker's address. Behind our proxy it is the last one in X-Forwarded-For; what stands before it is hearsay."""
    forwarded = str(request.headers.get("X-Forwarded-For", "")).rpartition(",")[2].strip()
    return forwarded if settings.HTTPS and forwarded else str(request.META.get("REMOTE_ADDR", ""))


def _key(request: HttpRequest, username: str) -> str:
    whole = f"{username.strip().lower()}\n{address_of(request)}"
    return f"log-in-tries:{hashlib.sha256(whole.encode()).hexdigest()}"


def is_resting(request: HttpRequest, username: str) -> bool:
    """Whether there were too many wrong tries of `username` from this address."""
    return int(cache.get(_key(request, username), 0)) >= TRIES


def count_wrong_try(request: HttpRequest, username: str) -> None:
    """Remember a wrong try; the time of rest begins with the last one."""
    key = _key(request, username)
    cache.set(key, int(cache.get(key, 0)) + 1, REST_S)


def forget_tries(request: HttpRequest, username: str) -> None:
    """Begin anew after a right one."""
    cache.delete(_key(request, username))
