"""The first page: each role's own."""

from django.http import HttpRequest, HttpResponse


def home(request: HttpRequest) -> HttpResponse:
    raise NotImplementedError
