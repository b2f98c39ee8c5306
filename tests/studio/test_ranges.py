"""Byte ranges: RFC 9110, sections 13 and 14, as media players use them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.conf import LazySettings
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.http import Http404, HttpResponseBase, StreamingHttpResponse
from django.test import Client, RequestFactory
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st

from studio.ranges import Span, serve_stored, wanted_span

pytestmark = pytest.mark.django_db  # a response that is closed looks after database connections
SOUND = bytes(range(256)) * 4


@pytest.mark.parametrize(
    ("header", "expected"),
    [
        ("bytes=0-0", Span(0, 0)),
        ("bytes=0-", Span(0, 999)),
        ("bytes=990-", Span(990, 999)),
        ("bytes=10-19", Span(10, 19)),
        ("bytes=10-5000", Span(10, 999)),
        ("bytes=-1", Span(999, 999)),
        ("bytes=-5000", Span(0, 999)),
        ("BYTES = 0 - 9 ", Span(0, 9)),
        ("bytes=1000-", "none"),
        ("bytes=1000-2000", "none"),
        ("bytes=-0", "none"),
        ("bytes=9-3", "whole"),
        ("bytes=-", "whole"),
        ("bytes=", "whole"),
        ("bytes=a-b", "whole"),
        ("bytes=0-1,5-6", "whole"),
        ("seconds=0-1", "whole"),
        ("bytes=１-２", "whole"),
        ("bytes=" + "9" * 40 + "-", "whole"),
    ],
)
def test_what_a_range_asks_for(header: str, expected: object) -> None:
    assert wanted_span(header, 1000) == expected


@given(size=st.integers(0, 10_000), first=st.integers(0, 20_000), last=st.integers(0, 20_000))
def test_a_span_lies_within_the_file(size: int, first: int, last: int) -> None:
    for header in (f"bytes={first}-{last}", f"bytes={first}-", f"bytes=-{last}"):
        span = wanted_span(header, size)
        if isinstance(span, Span):
            assert 0 <= span.first <= span.last < size


@pytest.fixture
def name() -> str:
    return default_storage.save("takes/x/sound.flac", ContentFile(SOUND))


def _get(name: str, *, method: str = "get", **headers: str) -> HttpResponseBase:
    request = getattr(RequestFactory(), method)(
        "/", headers={key.replace("_", "-"): value for key, value in headers.items()}
    )
    return serve_stored(request, name, content_type="audio/flac")


def _body(response: Any) -> bytes:
    body = b"".join(response.streaming_content) if isinstance(response, StreamingHttpResponse) else response.content
    response.close()
    return body


def _etag(name: str) -> str:
    response = _get(name)
    response.close()
    return response["ETag"]


def test_whole(name: str) -> None:
    response = _get(name)
    assert response.status_code == 200
    assert response["Content-Length"] == str(len(SOUND))
    assert response["Accept-Ranges"] == "bytes"
    assert response["Content-Type"] == "audio/flac"
    assert not response.has_header("Content-Range")
    assert _body(response) == SOUND


def test_only_this_persons_browser_may_keep_it(name: str) -> None:
    for response in (
        _get(name),
        _get(name, range="bytes=0-3"),
        _get(name, range="bytes=5000-"),
        _get(name, method="head"),
    ):
        assert response["Cache-Control"] == "private, no-cache"
        assert response["Vary"] == "Cookie"
        assert response["X-Content-Type-Options"] == "nosniff"
        response.close()


def test_part(name: str) -> None:
    response = _get(name, range="bytes=250-259")
    assert response.status_code == 206
    assert response["Content-Range"] == f"bytes 250-259/{len(SOUND)}"
    assert response["Content-Length"] == "10"
    assert _body(response) == SOUND[250:260]


def test_part_larger_than_a_block() -> None:
    sound = bytes(range(251)) * 1000
    response = _get(default_storage.save("takes/x/long.flac", ContentFile(sound)), range="bytes=100-200099")
    assert _body(response) == sound[100:200_100]


def test_no_such_part(name: str) -> None:
    response = _get(name, range=f"bytes={len(SOUND)}-")
    assert response.status_code == 416
    assert response["Content-Range"] == f"bytes */{len(SOUND)}"
    assert _body(response) == b""


def test_head_tells_the_size_and_sends_nothing(name: str) -> None:
    response = _get(name, method="head", range="bytes=0-3")
    assert response.status_code == 200
    assert response["Content-Length"] == str(len(SOUND))
    assert _body(response) == b""


def test_if_range(name: str) -> None:
    etag = _etag(name)
    answers = {etag: 206, '"another"': 200, f"W/{etag}": 200, "Sat, 29 Oct 1994 19:43:31 GMT": 200}
    for header, status in answers.items():
        response = _get(name, range="bytes=0-3", if_range=header)
        assert response.status_code == status
        assert _body(response) == (SOUND[:4] if status == 206 else SOUND)


def test_not_modified(name: str) -> None:
    etag = _etag(name)
    for header in (etag, f"W/{etag}", f'"other", {etag}', "*"):
        response = _get(name, if_none_match=header)
        assert response.status_code == 304
        assert response["ETag"] == etag
        assert _body(response) == b""
    assert _body(_get(name, if_none_match='"other"')) == SOUND


def test_files_are_closed(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    opened = []
    real = default_storage.open

    def note(*args: Any) -> Any:
        opened.append(real(*args))
        return opened[-1]

    monkeypatch.setattr(default_storage, "open", note)
    for headers in ({}, {"range": "bytes=0-3"}, {"range": "bytes=9999-"}, {"if_none_match": "*"}):
        _body(_get(name, **headers))
    _body(_get(name, method="head"))
    assert len(opened) == 5
    assert all(file.closed for file in opened)


def test_other_methods_are_refused(name: str) -> None:
    response = _get(name, method="post")
    assert response.status_code == 405
    assert response["Allow"] == "GET, HEAD"


def test_a_lost_file_is_not_found() -> None:
    with pytest.raises(Http404):
        _get("takes/x/gone.flac")


def test_a_proxy_sends_it_where_one_is_set(settings: LazySettings) -> None:
    settings.SENDFILE_LOCATION = "/protected/"
    response = _get("takes/x/ä b.flac", range="bytes=0-3")
    assert response.status_code == 200
    assert response["X-Accel-Redirect"] == "/protected/takes/x/%C3%A4%20b.flac"
    assert response["Content-Type"] == "audio/flac"
    assert response["Cache-Control"] == "private, no-cache"
    assert _body(response) == b""


def test_a_takes_sound(ready_take: Any, learner: Any, client_for: Callable[[Any], Client], small_flac: bytes) -> None:
    client = client_for(learner)
    address = reverse("takes:sound", args=[ready_take.pk])
    response = client.get(address, headers={"range": "bytes=4-103"})
    assert response.status_code == 206
    assert b"".join(response.streaming_content) == small_flac[4:104]  # type: ignore[attr-defined]
    assert "private" in response["Cache-Control"]
    assert "Cookie" in response["Vary"]


def test_a_take_without_sound_yet(ready_take: Any, learner: Any, client_for: Callable[[Any], Client]) -> None:
    type(ready_take).objects.update(audio="")
    assert client_for(learner).get(reverse("takes:sound", args=[ready_take.pk])).status_code == 404
