"""The limits of uploads, kept while they arrive: nobody can fill the disk with what would be refused anyway."""

from __future__ import annotations

from typing import Any, Final

from django.core.files.uploadedfile import UploadedFile
from django.core.files.uploadhandler import FileUploadHandler, SkipFile, StopUpload
from django.http import HttpRequest
from django.urls import Resolver404, resolve

from studio.exercises.importing import MAX_BYTES as MAX_MUSIC_BYTES
from studio.people.models import User
from studio.takes.services import MAX_UPLOAD_BYTES
from studio.upload_mark import mark_too_big
from studio.upload_mark import was_too_big as was_too_big

#: Three minutes in whatever format.
MAX_ANSWER_BYTES: Final = 60 * 1024 * 1024


def _cap(request: HttpRequest) -> int:
    """How many bytes a file may have: a learner's take, a tutor's answer or written music. Forms are read before any
    view can ask who sends them; 0 for everybody and everything else."""
    user = getattr(request, "user", None)
    if not isinstance(user, User):
        return 0
    try:
        address = resolve(request.path_info).view_name
    except Resolver404:
        return 0
    if user.is_learner:
        return MAX_UPLOAD_BYTES if address == "takes:new" else 0
    caps = {"review:record": MAX_ANSWER_BYTES, "exercises:import": MAX_MUSIC_BYTES}
    return caps.get(address, 0) if user.is_tutor else 0


class CappedUploadHandler(FileUploadHandler):
    """Stands before the handlers that store: reads no file but a take, an answer or written music, and drops one that
    grows past its cap."""

    _most = 0

    def new_file(self, *args: Any, **kwargs: Any) -> None:
        super().new_file(*args, **kwargs)
        self._most = _cap(self.request) if self.request is not None else 0
        if not self._most:
            raise StopUpload(connection_reset=True)  # what follows is not read at all

    def receive_data_chunk(self, raw_data: bytes, start: int) -> bytes | None:
        if start + len(raw_data) > self._most:
            if self.request is not None:
                mark_too_big(self.request)
            raise SkipFile
        return raw_data

    def file_complete(self, file_size: int) -> UploadedFile[Any] | None:
        return None
