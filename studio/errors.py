"""Pages for what went wrong: what it is, what would do, and the number under which it is logged. Scripts get JSON."""

from __future__ import annotations

from typing import Final

from django.core.exceptions import RequestDataTooBig, TooManyFieldsSent, TooManyFilesSent
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.template.loader import render_to_string

from studio.logs import request_number

_TEMPLATE: Final = "errors/error.html"
_TOO_MUCH = (RequestDataTooBig, TooManyFieldsSent, TooManyFilesSent)


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    """400, or 413 for a form that is too large."""
    if isinstance(exception, _TOO_MUCH):
        return _page(request, 413, "That was too much at once", "Send fewer or smaller things in one go.")
    return _page(request, 400, "That could not be read", "Go back, load the page again, and try once more.")


def forbidden(request: HttpRequest, exception: Exception) -> HttpResponse:
    """403."""
    return _page(request, 403, "This is not allowed", "Log in as somebody who may do this, or ask your tutor.")


def form_expired(request: HttpRequest, reason: str = "") -> HttpResponse:
    """403 for a form whose hidden token does not fit (cross-site request forgery)."""
    return _page(
        request,
        403,
        "This form was open too long",
        "Nothing was saved. Go back, load the page again, and send it once more; cookies must be allowed for that.",
    )


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    """404."""
    return _page(request, 404, "There is nothing here", "The address may be mistyped, or the page is not yours to see.")


def broken(request: HttpRequest) -> HttpResponse:
    """500. Drawn without the request's user, since the database itself may be what broke."""
    title, advice = "Something broke on our side", "Try again in a minute. If it stays, tell who runs this studio."
    if _wants_json(request):
        return _json(500, f"{title}. {advice}")
    number = request_number()
    return HttpResponse(render_to_string(_TEMPLATE, {"title": title, "advice": advice, "number": number}), status=500)


def _page(request: HttpRequest, status: int, title: str, advice: str) -> HttpResponse:
    if _wants_json(request):
        return _json(status, f"{title}. {advice}")
    return render(request, _TEMPLATE, {"title": title, "advice": advice, "number": request_number()}, status=status)


def _wants_json(request: HttpRequest) -> bool:
    return str(request.headers.get("Accept", "")).startswith("application/json")


def _json(status: int, sentence: str) -> JsonResponse:
    return JsonResponse({"error": sentence, "number": request_number()}, status=status)
