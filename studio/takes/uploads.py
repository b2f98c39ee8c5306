"""The cap on uploads, kept while they arrive: nobody can fill the disk with what would be refused anyway."""

from __future__ import annotations

from typing import Any

from django.core.files.uploadedfile import UploadedFile
from django.core.files.uploadhandler import FileUploadHandler, SkipFile
from django.http import HttpRequest

from studio.takes.services import MAX_UPLOAD_BYTES

_MARK = "fingerwork.upload_too_big"


def was_too_big(request: HttpRequest) -> bool:
    """Whether a file of this request was dropped because of its size."""
    return bool(request.META.get(_MARK))


class CappedUploadHandler(FileUploadHandler):
    """Stands before the handlers that store, and drops a file that grows past the cap."""

    def receive_data_chunk(self, raw_data: bytes, start: int) -> bytes | None:
        if start + len(raw_data) > MAX_UPLOAD_BYTES:
            if self.request is not None:
                self.request.META[_MARK] = True
            raise SkipFile
        return raw_data

    def file_complete(self, file_size: int) -> UploadedFile[Any] | None:
        return None
