"""Stored sound as an HTTP answer: whole or one range of it, private, or handed to the proxy.

Browsers seek in media by asking for byte ranges; Django answers none itself. Terms and rules: RFC 9110, sections 8.8.3
(entity tags), 13.1.2 (If-None-Match), 13.1.5 (If-Range), 14 (range requests) and 15.3.7, 15.5.17 (206, 416).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import IO, Final, Literal
from urllib.parse import quote

from django.conf import settings
from django.core.files.storage import Storage, default_storage
from django.http import (
    Http404,
    HttpRequest,
    HttpResponse,
    HttpResponseBase,
    HttpResponseNotAllowed,
    StreamingHttpResponse,
)

_BLOCK: Final = 64 * 1024
_RANGE: Final = re.compile(r"bytes\s*=\s*(\d{0,19})\s*-\s*(\d{0,19})\s*", re.ASCII | re.IGNORECASE)


@dataclass(frozen=True)
class Span:
    """Bytes `first` to `last`, both included."""

    first: int
    last: int

    @property
    def length(self) -> int:
        return self.last - self.first + 1


def wanted_span(header: str, size: int) -> Span | Literal["whole", "none"]:
    """What a Range header asks of `size` bytes: one span; "none" where no byte of it exists.

    "whole" where the header is to be ignored: another unit, several ranges, not well formed.
    """
    match = _RANGE.fullmatch(header.strip())
    if match is None or match.groups() == ("", ""):
        return "whole"
    first, last = match.groups()
    if first == "":  # the last so many bytes
        length = min(int(last), size)
        return Span(size - length, size - 1) if length else "none"
    if last and int(last) < int(first):
        return "whole"
    if int(first) >= size:
        return "none"
    return Span(int(first), min(int(last), size - 1) if last else size - 1)


def serve_stored(
    request: HttpRequest, name: str, *, content_type: str, storage: Storage = default_storage
) -> HttpResponseBase:
    """The stored file `name` for the one person who asks; the caller has checked that they may have it.

    Stored sound is never changed under its name, so the name and the size make the entity tag. Where
    settings.SENDFILE_LOCATION is set, the proxy in front sends the bytes and minds the ranges. Raises Http404 when the
    file is gone.
    """
    if request.method not in ("GET", "HEAD"):
        return HttpResponseNotAllowed(["GET", "HEAD"])
    if settings.SENDFILE_LOCATION:
        response = HttpResponse(content_type=content_type)
        response["X-Accel-Redirect"] = f"{settings.SENDFILE_LOCATION.rstrip('/')}/{quote(name)}"
        return _private(response)
    try:
        size = storage.size(name)
        file = storage.open(name, "rb")
    except FileNotFoundError:
        raise Http404("no such sound") from None
    return serve_file(
        request, file, size=size, etag=f'"{quote(name, safe="/.-_")}-{size:x}"', content_type=content_type
    )


def serve_file(request: HttpRequest, file: IO[bytes], *, size: int, etag: str, content_type: str) -> HttpResponseBase:
    """`file`, seekable and of `size` bytes, whole or in the one range asked for; it is closed with the response.

    `etag` is a strong entity tag with its quotes: it must change whenever the bytes do.
    """
    response: HttpResponseBase
    if _matches(request.headers.get("If-None-Match", ""), etag):
        file.close()
        response = HttpResponse(status=304)
        response["ETag"] = etag
        return _private(response)
    span = _span_of(request, size, etag)
    if span == "none":
        file.close()
        response = HttpResponse(status=416)
        response["Content-Range"] = f"bytes */{size}"
        return _private(response)
    part = Span(0, size - 1) if span == "whole" else span
    if request.method == "HEAD":
        file.close()
        response = HttpResponse(content_type=content_type)
    else:
        response = StreamingHttpResponse(_Part(file, part), content_type=content_type)
    if span != "whole":
        response.status_code = 206
        response["Content-Range"] = f"bytes {part.first}-{part.last}/{size}"
    response["Content-Length"] = str(part.length)
    response["ETag"] = etag
    response["Accept-Ranges"] = "bytes"
    return _private(response)


def _span_of(request: HttpRequest, size: int, etag: str) -> Span | Literal["whole", "none"]:
    header = request.headers.get("Range", "")
    # Ranges are defined for GET only. With If-Range they count only while the bytes are those that the asker has a part
    # of; a date there never matches, since none is ever sent.
    if not header or request.method != "GET" or request.headers.get("If-Range", etag).strip() != etag:
        return "whole"
    return wanted_span(header, size)


def _matches(header: str, etag: str) -> bool:
    tags = [tag.strip().removeprefix("W/") for tag in header.split(",")]
    return etag in tags or "*" in tags


class _Part(Iterator[bytes]):
    """The bytes of `span` in blocks. The response closes it, read to the end or not; a generator not yet begun would
    leave its file open then."""

    def __init__(self, file: IO[bytes], span: Span) -> None:
        self._file = file
        self._left = span.length
        file.seek(span.first)

    def __next__(self) -> bytes:
        block = self._file.read(min(_BLOCK, self._left))
        if not block:
            raise StopIteration
        self._left -= len(block)
        return block

    def close(self) -> None:
        self._file.close()


def _private(response: HttpResponseBase) -> HttpResponseBase:
    """For this person's own browser only, asked for anew each time, since the next person at it may be another one."""
    response["Cache-Control"] = "private, no-cache"
    response["Vary"] = "Cookie"
    response["X-Content-Type-Options"] = "nosniff"
    response["Content-Disposition"] = "inline"
    response["Cross-Origin-Resource-Policy"] = "same-origin"
    return response
