"""The review page of a take, its timeline's data, and its pinned notes as JSON."""

from __future__ import annotations

import json
import uuid
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import cache_control
from django.views.decorators.gzip import gzip_page
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from studio.exercises.rendered import picture_answer
from studio.people.access import PersonRequest, member_required, studio_of
from studio.people.models import User
from studio.review import page, services
from studio.review.models import PinnedNote
from studio.review.services import NoteError
from studio.takes.access import take_or_404, visible_takes
from studio.takes.models import Take
from studio.takes.services import may_delete

_MOST_BODY = 20_000


def _ready_or_404(user: User, pk: uuid.UUID) -> Take:
    take = take_or_404(user, pk)
    if take.state != Take.State.READY or not take.report:
        raise Http404("not analysed yet")
    return take


def _noted_or_404(user: User, pk: uuid.UUID) -> Take:
    """A ready take without its report, which is large while every open page asks for notes every few seconds."""
    found = visible_takes(user).defer("report").filter(pk=pk, state=Take.State.READY, report__isnull=False).first()
    if found is None:
        raise Http404("not analysed yet")
    return found


@member_required
@require_safe
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
        "notes": notes,
        "threads": page.threads(notes),
        "may_delete": may_delete(request.user, found),
        "is_tutor": request.user.is_tutor,
        "longest_note": services.LONGEST_TEXT,
        **page.addresses(found, request.user),
    }
    return render(request, "review/take.html", context)


@member_required
@require_safe
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
def timeline(request: PersonRequest, pk: uuid.UUID) -> JsonResponse:
    """The timeline's figure, the movements and the notes."""
    found = _ready_or_404(request.user, pk)
    return JsonResponse(page.payload(found, request.user, studio_of(request.user)))


def _sent(request: HttpRequest) -> dict[str, Any]:
    """The JSON object that was sent. Raises NoteError for anything else."""
    if len(request.body) > _MOST_BODY:
        raise NoteError("That is more than can be kept in one note.")
    try:
        data = json.loads(request.body or b"{}")
    except (ValueError, RecursionError):  # the latter for brackets within brackets within brackets
        data = None
    if not isinstance(data, dict):
        raise NoteError("What was sent could not be read; please load the page again.")
    return data


def _number(value: Any) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or value != value or abs(value) > 1e6:
        return None
    return float(value)


def _refused(error: NoteError) -> JsonResponse:
    return JsonResponse({"error": str(error)}, status=400)


@member_required
@require_http_methods(["GET", "HEAD", "POST"])
@cache_control(private=True, no_store=True)
def notes(request: PersonRequest, pk: uuid.UUID) -> JsonResponse:
    """GET: the take's notes. POST: pin one, or answer one."""
    found = _noted_or_404(request.user, pk)
    if request.method != "POST":
        return JsonResponse({"notes": services.notes_of(found, request.user)})
    try:
        pinned = _pin(found, request.user, _sent(request))
    except NoteError as error:
        return _refused(error)
    return JsonResponse({"note": services.note_data(pinned, request.user, read=True)}, status=201)


def _pin(found: Take, author: User, sent: dict[str, Any]) -> PinnedNote:
    text = sent.get("text")
    index = sent.get("movement_index")
    return services.pin(
        found,
        author,
        text if isinstance(text, str) else "",
        movement_index=index if isinstance(index, int) and not isinstance(index, bool) else None,
        start_s=_number(sent.get("start_s")),
        end_s=_number(sent.get("end_s")),
        answer_to=_answered(found, sent.get("answer_to")),
    )


def _answered(found: Take, value: Any) -> PinnedNote | None:
    if value is None:
        return None
    try:
        return PinnedNote.objects.select_related("answer_to").get(take=found, pk=uuid.UUID(str(value)))
    except (ValueError, PinnedNote.DoesNotExist):
        raise NoteError("The note you answer is no longer there; please write yours anew.") from None


def _own_note_or_404(user: User, pk: uuid.UUID) -> PinnedNote:
    """A note that `user` wrote on a take still open to them."""
    takes = visible_takes(user).values("pk")
    try:
        return PinnedNote.objects.select_related("author").get(pk=pk, author=user, take__in=takes)
    except PinnedNote.DoesNotExist:
        raise Http404("no such note") from None


@member_required
@require_http_methods(["POST", "DELETE"])
def note(request: PersonRequest, pk: uuid.UUID) -> JsonResponse:
    """POST: edit one's own note. DELETE: take it off the page."""
    found = _own_note_or_404(request.user, pk)
    if request.method == "DELETE":
        services.delete(found)
        return JsonResponse({"deleted": str(found.pk)})
    try:
        text = _sent(request).get("text")
        services.edit(found, text if isinstance(text, str) else "")
    except NoteError as error:
        return _refused(error)
    return JsonResponse({"note": services.note_data(found, request.user, read=True)})


@member_required
@require_POST
def restore(request: PersonRequest, pk: uuid.UUID) -> JsonResponse:
    """Bring one's own deleted note back."""
    found = _own_note_or_404(request.user, pk)
    services.restore(found)
    return JsonResponse({"note": services.note_data(found, request.user, read=True)})


@member_required
@require_POST
def read(request: PersonRequest, pk: uuid.UUID) -> JsonResponse:
    """Mark notes of the take as read: those whose ids are sent, or all."""
    found = _noted_or_404(request.user, pk)
    try:
        sent = _sent(request).get("ids")
        ids = None if sent is None else [uuid.UUID(str(value)) for value in sent]
    except (NoteError, ValueError, TypeError):
        return _refused(NoteError("What was sent could not be read; please load the page again."))
    return JsonResponse({"read": services.mark_read(found, request.user, ids)})
