"""A tutor changes the beat that a take is measured against."""

from __future__ import annotations

import uuid

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from analysis.beat_grid import GRID_SOURCES, MOST_SHIFT_MS, GridError, GridSource
from studio.people.access import PersonRequest, tutor_required
from studio.review.clips_views import analysed_or_404
from studio.takes.beats import change_beat


@tutor_required
@require_POST
def beat(request: PersonRequest, pk: uuid.UUID) -> HttpResponse:
    """Choose another beat or move it; everything is judged by it at once."""
    found = analysed_or_404(request.user, pk)
    before = found.clean_count
    try:
        source, shift_ms = _sent(request)
        report = change_beat(found, source=source, shift_ms=shift_ms, by=request.user)
    except GridError as error:
        messages.error(request, str(error))
    else:
        now = report["summary"]["clean"]
        messages.success(
            request, f"Measured by that beat: {now} of {report['summary']['movements']} clean, {before} before."
        )
    return redirect("review:take", found.pk)


def _sent(request: HttpRequest) -> tuple[GridSource, float]:
    """What the form says. Raises GridError with a plain sentence."""
    source = request.POST.get("source", "")
    if source not in GRID_SOURCES:
        raise GridError("Choose one of the beats that are offered.")
    try:
        shift_ms = float(request.POST.get("shift_ms", "") or 0)
    except ValueError:
        shift_ms = float("nan")
    if not abs(shift_ms) <= MOST_SHIFT_MS:
        raise GridError(f"The beat is moved by a number of milliseconds, up to {MOST_SHIFT_MS:.0f} either way.")
    return source, shift_ms
