"""What a page's script sent, read without trust."""

from __future__ import annotations

import json
import uuid
from collections.abc import Mapping
from typing import Any, Final

from django.http import HttpRequest, JsonResponse

from studio.review.models import PinnedNote
from studio.review.services import NoteError, Target
from studio.takes.models import Take

_MOST_BODY: Final = 20_000
_UNREADABLE: Final = "What was sent could not be read; please load the page again."


def json_object(text: bytes | str) -> dict[str, Any]:
    """The JSON object that was sent; nothing sent is an empty one. Raises NoteError for anything else."""
    if len(text) > _MOST_BODY:
        raise NoteError("That is more than can be kept in one note.")
    try:
        data = json.loads(text or "{}")
    except (ValueError, RecursionError):  # the latter for brackets within brackets within brackets
        data = None
    if not isinstance(data, dict):
        raise NoteError(_UNREADABLE)
    return data


def body_of(request: HttpRequest) -> dict[str, Any]:
    """The JSON object in the request's body. Raises NoteError."""
    return json_object(request.body)


def text_of(value: Any) -> str:
    """A text, empty for anything else."""
    return value if isinstance(value, str) else ""


def number_of(value: Any) -> float | None:
    """A finite number of reasonable size, None for anything else."""
    if isinstance(value, bool) or not isinstance(value, int | float) or value != value or abs(value) > 1e6:
        return None
    return float(value)


def ids_of(values: Any) -> list[uuid.UUID]:
    """Keys of notes. Raises NoteError."""
    try:
        return [uuid.UUID(str(value)) for value in values]
    except (ValueError, TypeError):
        raise NoteError(_UNREADABLE) from None


def target_of(take: Take, sent: Mapping[str, Any]) -> Target:
    """What of `take` the note is to be pinned to. Raises NoteError."""
    indexes = sent.get("movement_indexes") or []
    if sent.get("movement_index") is not None:
        indexes = [sent["movement_index"]]
    if not isinstance(indexes, list) or any(isinstance(i, bool) or not isinstance(i, int) for i in indexes):
        raise NoteError("Choose a movement or a spot of the take that the note belongs to.")
    return Target(
        indexes, number_of(sent.get("start_s")), number_of(sent.get("end_s")), _answered(take, sent.get("answer_to"))
    )


def _answered(take: Take, value: Any) -> PinnedNote | None:
    if value is None:
        return None
    try:
        return PinnedNote.objects.select_related("answer_to").get(take=take, pk=uuid.UUID(str(value)))
    except (ValueError, PinnedNote.DoesNotExist):
        raise NoteError("The note you answer is no longer there; please write yours anew.") from None


def refused(error: ValueError) -> JsonResponse:
    """The sentence of a refusal, for the script to show."""
    return JsonResponse({"error": str(error)}, status=400)
