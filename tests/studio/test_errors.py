"""Error pages in the app's look, and the request's number in pages, answers and log."""

from __future__ import annotations

import logging
from typing import Any

import pytest
from django.core.exceptions import PermissionDenied, RequestDataTooBig
from django.http import HttpRequest, HttpResponse
from django.test import Client
from django.urls import include, path

from studio.logs import RequestNumberFilter, logging_config, request_number


def _break(request: HttpRequest) -> HttpResponse:
    logging.getLogger("studio.takes").warning("about to break")
    raise RuntimeError("secret details")


def _forbid(request: HttpRequest) -> HttpResponse:
    raise PermissionDenied


def _overflow(request: HttpRequest) -> HttpResponse:
    raise RequestDataTooBig


urlpatterns = [
    path("broken/", _break),
    path("forbidden/", _forbid),
    path("overflow/", _overflow),
    path("", include("studio.urls")),
]
handler400 = "studio.errors.bad_request"
handler403 = "studio.errors.forbidden"
handler404 = "studio.errors.not_found"
handler500 = "studio.errors.broken"

pytestmark = [pytest.mark.urls("tests.studio.test_errors"), pytest.mark.django_db]


@pytest.fixture
def visitor() -> Client:
    return Client(raise_request_exception=False, enforce_csrf_checks=True)


@pytest.mark.parametrize(
    ("address", "status", "title"),
    [
        ("/no/such/page/", 404, "There is nothing here"),
        ("/forbidden/", 403, "This is not allowed"),
        ("/overflow/", 413, "That was too much at once"),
        ("/broken/", 500, "Something broke on our side"),
    ],
)
def test_each_error_has_a_page_with_its_number(visitor: Client, address: str, status: int, title: str) -> None:
    response = visitor.get(address)
    html = response.content.decode()
    assert response.status_code == status
    assert f"<h1>{title}</h1>" in html
    assert f"<code>{response.headers['X-Request-ID']}</code>" in html
    assert "Traceback" not in html
    assert "secret details" not in html


def test_an_unknown_host_gets_a_page_too(visitor: Client) -> None:
    response = visitor.get("/", headers={"host": "elsewhere.example"})
    assert response.status_code == 400
    assert "That could not be read" in response.content.decode()


def test_a_stale_form_gets_a_page_of_its_own(visitor: Client, tutor: Any) -> None:
    response = visitor.post("/log-in/", {"username": "isla", "password": "x"})
    assert response.status_code == 403
    assert "This form was open too long" in response.content.decode()


@pytest.mark.parametrize("address", ["/no/such/page/", "/broken/"])
def test_scripts_get_json(visitor: Client, address: str) -> None:
    response = visitor.get(address, headers={"accept": "application/json"})
    said = response.json()
    assert said["number"] == response.headers["X-Request-ID"]
    assert said["error"].endswith(".")


def test_a_broken_page_does_not_need_the_database(visitor: Client, tutor: Any, django_db_blocker: Any) -> None:
    visitor.force_login(tutor)
    with django_db_blocker.block():
        response = visitor.get("/broken/")
    assert response.status_code == 500
    assert "Something broke on our side" in response.content.decode()


def test_the_proxys_number_is_kept_and_nonsense_is_not(visitor: Client) -> None:
    kept = visitor.get("/log-in/", headers={"x-request-id": "0f3a-77aa-bb"})
    assert kept.headers["X-Request-ID"] == "0f3a-77aa-bb"
    for nonsense in ("short", "x" * 65, "spaces are odd", "new\x0bline-and-more"):
        made = visitor.get("/log-in/", headers={"x-request-id": nonsense}).headers["X-Request-ID"]
        assert made != nonsense
        assert len(made) == 12
    assert request_number() == "-"  # outside of a request


def test_log_lines_carry_the_number(visitor: Client, caplog: pytest.LogCaptureFixture) -> None:
    caplog.handler.addFilter(RequestNumberFilter())
    caplog.handler.setFormatter(logging.Formatter(logging_config()["formatters"]["line"]["format"]))
    response = visitor.get("/broken/")
    ours = [record for record in caplog.records if record.name == "studio.takes"]
    assert [record.__dict__["request_number"] for record in ours] == [response.headers["X-Request-ID"]]
    trace = next(record for record in caplog.records if record.name == "django.request")
    assert "secret details" in str(trace.exc_info)
    assert f"[{response.headers['X-Request-ID']}] Internal Server Error: /broken/" in caplog.text
