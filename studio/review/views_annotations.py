"""Pinned notes as W3C Web Annotations in JSON-LD: all of a take, and one alone, for whoever may see the take."""

import uuid
from typing import Any

from django.http import Http404, JsonResponse
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_safe

from studio.people.access import PersonRequest, member_required
from studio.review import annotations
from studio.review.services import visible_notes
from studio.review.views_notes import noted_or_404
from studio.takes.access import visible_takes


def _answer(data: dict[str, Any]) -> JsonResponse:
    answer = JsonResponse(data, content_type=annotations.MEDIA_TYPE, json_dumps_params={"ensure_ascii": False})
    answer["Link"] = '<http://www.w3.org/ns/ldp#Resource>; rel="type"'
    answer["Allow"] = "GET, HEAD"
    return answer


@member_required
@require_safe
@cache_control(private=True, no_cache=True)
def collection(request: PersonRequest, pk: uuid.UUID) -> JsonResponse:
    """All annotations of a take, oldest first, as a collection; with ``?page=0`` its only page alone."""
    take = noted_or_404(request.user, pk)
    made = annotations.page_of if "page" in request.GET else annotations.collection_of
    return _answer(made(take, list(visible_notes(take)), request.build_absolute_uri))


@member_required
@require_safe
@cache_control(private=True, no_cache=True)
def single(request: PersonRequest, pk: uuid.UUID) -> JsonResponse:
    """One annotation at its own address."""
    take = visible_takes(request.user).defer("report").filter(pinned_notes=pk).first()
    note = visible_notes(take).filter(pk=pk).first() if take is not None else None
    if take is None or note is None:
        raise Http404("no such note")
    return _answer(annotations.annotation(note, take, request.build_absolute_uri))
