"""What the upload handler (studio.takes.uploads) tells the views of every feature about a file that it dropped."""

from __future__ import annotations

from typing import Final

from django.http import HttpRequest

_MARK: Final = "fingerwork.upload_too_big"


def mark_too_big(request: HttpRequest) -> None:
    """Remember that a file of this request was dropped because of its size."""
    request.META[_MARK] = True


def was_too_big(request: HttpRequest) -> bool:
    """Whether a file of this request was dropped because of its size."""
    return bool(request.META.get(_MARK))
