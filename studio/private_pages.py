"""Pages that depend on who asks are for nobody else: no cache between us and them keeps one."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.utils.cache import has_vary_header, patch_cache_control


class PrivatePagesMiddleware:
    """Marks as private what varies by cookie and says nothing of caches itself. It stands outside of the sessions'
    middleware, which tells that a page varies."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        if not response.has_header("Cache-Control") and has_vary_header(response, "Cookie"):
            patch_cache_control(response, private=True)
        return response
