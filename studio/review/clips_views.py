"""What the review page's player asks for: clips of a take, models of its movements, loudness, and the pitch of a
stretch."""

from __future__ import annotations

import uuid
from typing import Any, cast
from urllib.parse import urlencode

from django.core.cache import cache
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBadRequest, HttpResponseBase, JsonResponse
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import cache_control
from django.views.decorators.gzip import gzip_page
from django.views.decorators.http import require_safe

from studio import ranges
from studio.people.access import PersonRequest, member_required
from studio.people.models import User
from studio.review import clips
from studio.review.clips import ClipError
from studio.takes.access import take_or_404
from studio.takes.models import Take

_KEEP_PITCH_S = 3 * 24 * 3600


def analysed_or_404(user: User, pk: uuid.UUID) -> Take:
    """An analysed take that `user` may see, with its sound. Raises Http404 otherwise."""
    found = take_or_404(user, pk)
    if found.state != Take.State.READY or not found.report or not found.audio:
        raise Http404("nothing to be heard yet")
    return found


def _number(text: str, what: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not abs(value) < 1e6:
        raise ClipError(f"The {what} is {text[:20]!r}; a number of seconds is needed.")
    return value


def _slower(request: HttpRequest) -> int:
    asked = request.GET.get("slower", "1")
    if asked not in {str(factor) for factor in clips.SLOWER}:
        choices = ", ".join(str(factor) for factor in clips.SLOWER)
        raise ClipError(f"The sound can be {choices} times slower, not {asked[:20]!r}.")
    return int(asked)


def _span(request: HttpRequest, take: Take) -> clips.Span:
    """The stretch between `start` and `end`, or that of the `movement`."""
    asked = request.GET.get("movement", "")
    if asked:
        if not asked.isdecimal() or len(asked) > 6:
            raise ClipError(f"The movement is {asked[:20]!r}; its number is needed, counted from 0.")
        return clips.span_of(take, int(asked))
    start = _number(request.GET.get("start", ""), "start")
    return clips.checked(take, start, _number(request.GET.get("end", ""), "end"))


def _refused(error: ClipError) -> HttpResponse:
    return HttpResponseBadRequest(str(error), content_type="text/plain; charset=utf-8")


@member_required
@require_safe
def clip(request: PersonRequest, pk: uuid.UUID) -> HttpResponseBase:
    """A stretch of the take, or one movement with a little before and after, `slower` times slower, its pitch kept."""
    found = analysed_or_404(request.user, pk)
    try:
        name = clips.own_clip(found, _span(request, found), _slower(request))
    except ClipError as error:
        return _refused(error)
    except FileNotFoundError:
        raise Http404("the sound is gone") from None
    return ranges.serve_stored(request, name, content_type="audio/flac")


@member_required
@require_safe
def model_clip(request: PersonRequest, pk: uuid.UUID, index: int) -> HttpResponseBase:
    """The same movement played clean, at the take's tempo and pitch."""
    found = analysed_or_404(request.user, pk)
    try:
        name = clips.model_clip(found, index, _slower(request))
    except ClipError as error:
        return _refused(error)
    return ranges.serve_stored(request, name, content_type="audio/flac")


@member_required
@require_safe
@cache_control(private=True, no_cache=True)
def sounds(request: PersonRequest, pk: uuid.UUID, index: int) -> JsonResponse:
    """Which sounds there are of a movement: its own, a model, and the last clean one that the learner played."""
    found = analysed_or_404(request.user, pk)
    try:
        entry = clips.movement_of(found, index)
        span = clips.span_of(found, index) if entry["start_s"] is not None else None
    except ClipError as error:
        return JsonResponse({"error": str(error)}, status=404)
    model = reverse("review:model-clip", args=[pk, index]) if clips.has_model(found, entry) else None
    return JsonResponse(
        {
            "own": None if span is None else f"{reverse('review:clip', args=[pk])}?movement={index}",
            "start_s": span.start_s if span else None,
            "end_s": span.end_s if span else None,
            "model": None if model is None else f"{model}?",
            "clean": _clean(found, entry),
        }
    )


def _clean(take: Take, entry: Any) -> dict[str, str] | None:
    clean = clips.last_clean(take, entry)
    if clean is None:
        return None
    when = timezone.localtime(clean.take.created_at).strftime("%-d %b")
    here = "earlier or later in this take" if clean.take_id == take.pk else when
    same = clean.approach == (entry["from"] or "")
    return {
        "address": f"{reverse('review:clip', args=[clean.take_id])}?{urlencode({'movement': clean.index})}",
        "words": here if same else f"{here}, from {clean.approach or 'the start'}",
    }


@member_required
@require_safe
@cache_control(private=True, no_cache=True)
def loudness(request: PersonRequest, pk: uuid.UUID) -> JsonResponse:
    """What the whole take's sound is to be multiplied by, so that it is as loud as its clips and as other takes."""
    found = analysed_or_404(request.user, pk)
    try:
        return JsonResponse({"gain": round(clips.loudness_gain(found), 3)})
    except FileNotFoundError:
        raise Http404("the sound is gone") from None


@member_required
@require_safe
@gzip_page
@cache_control(private=True, no_cache=True)
def pitch(request: PersonRequest, pk: uuid.UUID) -> HttpResponse:
    """How the pitch moves between `start` and `end`: times, hertz, and cents from each note's own place."""
    found = analysed_or_404(request.user, pk)
    try:
        start = _number(request.GET.get("start", ""), "start")
        span = clips.checked(found, start, _number(request.GET.get("end", ""), "end"))
        return JsonResponse(_pitch(found, span))
    except ClipError as error:
        return _refused(error)
    except FileNotFoundError:
        raise Http404("the sound is gone") from None


def _pitch(take: Take, span: clips.Span) -> dict[str, Any]:
    key = f"pitch:{take.pk}:{span.start_s}:{span.end_s}"
    found = cache.get(key)
    if found is None:
        found = clips.pitch_of(take, span)
        cache.set(key, found, _KEEP_PITCH_S)
    return cast(dict[str, Any], found)
