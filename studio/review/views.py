"""The review page of a take, its music and its timeline's data."""

from __future__ import annotations

import uuid

from django.http import Http404, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import cache_control
from django.views.decorators.gzip import gzip_page
from django.views.decorators.http import require_safe

from analysis.score import ScoreError
from studio.exercises.rendered import WIDTHS, picture_answer
from studio.people.access import PersonRequest, member_required, studio_of
from studio.people.models import User
from studio.review import page, services, services_phrases
from studio.review.music_lines import lines_of
from studio.review.scripts import modules_of
from studio.takes.access import take_or_404
from studio.takes.models import Take
from studio.takes.services import may_delete


def ready_or_404(user: User, pk: uuid.UUID) -> Take:
    """An analysed take that `user` may see. Raises Http404 otherwise."""
    take = take_or_404(user, pk)
    if take.state != Take.State.READY or not take.report:
        raise Http404("not analysed yet")
    return take


# Compressed: Django masks the tokens of forms anew in each answer and pads what it compresses, so that its length
# tells nothing.
@member_required
@require_safe
@gzip_page
def take(request: PersonRequest, pk: uuid.UUID) -> HttpResponse:
    """The take as music, timeline and list, with its sound and its notes."""
    found = take_or_404(request.user, pk)
    if found.state != Take.State.READY or not found.report:
        return redirect("takes:take", found.pk)
    if request.user.is_tutor and found.heard_at is None:
        found.heard_at = timezone.now()
        Take.objects.filter(pk=found.pk, heard_at=None).update(heard_at=found.heard_at)
    notes = services.notes_of(found, request.user)
    context = {
        "take": found,
        "learner": found.learner,
        "exercise_title": found.exercise.title if found.exercise else "Free playing",
        "movements": page.movements(found, studio_of(request.user)),
        "summary": page.summary(found),
        "judged": page.stamp(found),
        "notes": notes,
        "threads": page.threads(notes),
        "may_delete": may_delete(request.user, found),
        "is_tutor": request.user.is_tutor,
        "longest_note": services.LONGEST_TEXT,
        "phrases": services_phrases.phrases_of(request.user) if request.user.is_tutor else [],
        "modules": modules_of("js/review.js"),
        "overruling": page.overruling_choices() if request.user.is_tutor else None,
        **page.addresses(found, request.user),
    }
    return render(request, "review/take.html", context)


@member_required
@require_safe
@gzip_page
def music(request: PersonRequest, pk: uuid.UUID) -> HttpResponse:
    """The music that the take was played from, drawn as SVG; `width` says for how many CSS pixels."""
    found = take_or_404(request.user, pk)
    if not found.abc:
        raise Http404("free playing")
    return picture_answer(request, found.abc, beat_points=studio_of(request.user).beat_points)


@member_required
@require_safe
@gzip_page
@cache_control(private=True, no_cache=True)
def music_lines(request: PersonRequest, pk: uuid.UUID) -> HttpResponse:
    """The same music line by line, so that a page draws of a long one what is looked at."""
    found = take_or_404(request.user, pk)
    if not found.abc:
        raise Http404("free playing")
    asked = request.GET.get("width", "")
    width = int(asked) if asked.isdecimal() and len(asked) < 6 else WIDTHS[-1]
    try:
        return JsonResponse(lines_of(found.abc, width_px=width, beat_points=studio_of(request.user).beat_points))
    except ScoreError as error:
        return HttpResponse(str(error), status=422, content_type="text/plain; charset=utf-8")


@member_required
@require_safe
@gzip_page
@cache_control(private=True, no_cache=True)
def timeline(request: PersonRequest, pk: uuid.UUID) -> JsonResponse:
    """The timeline's figure and beats."""
    return JsonResponse(page.timeline_data(ready_or_404(request.user, pk), request.user))
