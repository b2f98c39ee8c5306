"""The limits of uploads, kept while they arrive: nobody can fill the disk with what would be refused anyway."""

from __future__ import annotations

from typing import Any

from django.core.files.uploadedfile import UploadedFile
from django.core.files.uploadhandler import FileUploadHandler, SkipFile, StopUpload
from django.http import HttpRequest
from django.urls import Resolver404, resolve

from studio.people.models import User
from studio.takes.services import MAX_UPLOAD_BYTES

_MARK = "fingerwork.upload_too_big"


def was_too_big(request: HttpRequest) -> bool:
    """Whether a file of this request was dropped because of its size."""
    return bool(request.META.get(_MARK))


def _may_send(request: HttpRequest) -> bool:
    """Whether this is a learner with a take or a tutor with an answer. Forms are read before any view can ask that."""
    user = getattr(request, "user", None)
    if not isinstance(user, User):
        return False
    try:
        address = resolve(request.path_info).view_name
    except Resolver404:
        return False
    return (user.is_learner and address == "takes:new") or (user.is_tutor and address == "review:record")


class CappedUploadHandler(FileUploadHandler):
    """Stands before the handlers that store: reads no file but a take or an answer, and drops one that grows past the
    cap."""

    def new_file(self, *args: Any, **kwargs: Any) -> None:
        super().new_file(*args, **kwargs)
        if self.request is None or not _may_send(self.request):
            raise StopUpload(connection_reset=True)  # what follows is not read at all

    def receive_data_chunk(self, raw_data: bytes, start: int) -> bytes | None:
        if start + len(raw_data) > MAX_UPLOAD_BYTES:
            if self.request is not None:
                self.request.META[_MARK] = True
            raise SkipFile
        return raw_data

    def file_complete(self, file_size: int) -> UploadedFile[Any] | None:
        return None
