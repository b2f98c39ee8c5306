"""The tutor's word on single movements, how often it agrees with the analysis, and all of it as CSV."""

from __future__ import annotations

import uuid
from typing import Any

from django.http import HttpResponse, JsonResponse, StreamingHttpResponse
from django.shortcuts import render
from django.template.loader import render_to_string
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from studio.people.access import PersonRequest, studio_of, tutor_required
from studio.review import overruling, overruling_export, page
from studio.review.overruling import Ruled, RulingError
from studio.review.sent import body_of, number_of, refused
from studio.review.services import NoteError
from studio.review.views import ready_or_404


@tutor_required
@require_http_methods(["POST", "DELETE"])
def ruling(request: PersonRequest, pk: uuid.UUID, index: int) -> JsonResponse:
    """POST: overrule the analysis on one movement. DELETE: go back to its own view. What changed comes back."""
    found = ready_or_404(request.user, pk)
    before = page.stamp(found)
    try:
        if request.method == "DELETE":
            overruling.take_back(found, index)
        else:
            overruling.overrule(found, index, _said(body_of(request)), request.user)
    except (RulingError, NoteError) as error:
        return refused(error)
    movement = next(entry for entry in page.movements(found, studio_of(request.user)) if entry["index"] == index)
    summary = page.summary(found)
    told = {
        "movement": movement,
        "row": render_to_string("review/partials/movement_row.html", {"movement": movement}),
        "approaches": render_to_string("review/partials/approaches.html", {"summary": summary}),
        "clean": summary["clean"],
        "movements": summary["movements"],
        "words": summary["words"],
        "judged": {"before": before, "now": page.stamp(found)},
    }
    return JsonResponse(told)


def _said(sent: dict[str, Any]) -> Ruled:
    flags, name = sent.get("flags") or {}, sent.get("name")
    if not isinstance(flags, dict) or not all(value is None or isinstance(value, bool) for value in flags.values()):
        raise RulingError("A fault is so, is not so, or is left to the analysis.")
    if name is not None and not (isinstance(name, list) and len(name) == 3 and all(isinstance(p, str) for p in name)):
        raise RulingError("A movement's name is its kind, its form and the note it is on.")
    return Ruled(
        flags=flags,
        name=(name[0], name[1], name[2]) if name is not None else None,
        beat_s=number_of(sent.get("beat_s")),
        heard=sent.get("heard") is True,
    )


@tutor_required
@never_cache
@require_safe
def agreement(request: PersonRequest) -> HttpResponse:
    """How often the tutor and the analysis agree, fault by fault: by this, tolerances get set."""
    found = overruling.agreement(request.user)
    context = {
        "rows": [row for row in found if row.of],
        "never": [row.word for row in found if not row.of],
        "studio": studio_of(request.user),
    }
    return render(request, "review/agreement.html", context)


@tutor_required
@never_cache
@require_safe
def measures(request: PersonRequest) -> StreamingHttpResponse:
    """Every movement of every heard take with its measures, flags and the tutor's word, as CSV."""
    answer = StreamingHttpResponse(overruling_export.lines(request.user), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="movements-{timezone.localdate():%Y-%m-%d}.csv"'
    return answer
