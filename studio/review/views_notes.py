"""Pinned notes as JSON for the page's scripts, with recorded answers and a tutor's quick phrases."""

from __future__ import annotations

import uuid
from typing import Final

from django.core.files.uploadedfile import UploadedFile
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import render
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from studio import ranges
from studio.people.access import PersonRequest, member_required, tutor_required
from studio.people.models import User
from studio.review import answers, answers_beside, page, services, services_phrases
from studio.review.models import PinnedNote
from studio.review.sent import body_of, ids_of, json_object, refused, target_of, text_of
from studio.review.services import NoteError
from studio.takes.access import visible_takes
from studio.takes.forms import settings_of
from studio.takes.models import Take
from studio.takes.uploads import was_too_big

_NO_SOUND: Final = "No recording came with the answer. Choose a file, or record one."


def noted_or_404(user: User, pk: uuid.UUID) -> Take:
    """A ready take without its report, which is large while every open page asks for notes every few seconds."""
    found = visible_takes(user).defer("report").filter(pk=pk, state=Take.State.READY, report__isnull=False).first()
    if found is None:
        raise Http404("not analysed yet")
    return found


@member_required
@require_http_methods(["GET", "HEAD", "POST"])
@cache_control(private=True, no_store=True)
def notes(request: PersonRequest, pk: uuid.UUID) -> JsonResponse:
    """GET: the take's notes. POST: pin one, or answer one."""
    found = noted_or_404(request.user, pk)
    if request.method != "POST":
        return JsonResponse({"notes": services.notes_of(found, request.user), "judged": page.stamp(found)})
    try:
        sent = body_of(request)
        target = target_of(found, sent)
        pinned = services.pin(
            found,
            request.user,
            text_of(sent.get("text")),
            movement_indexes=target.movement_indexes,
            start_s=target.start_s,
            end_s=target.end_s,
            answer_to=target.answer_to,
        )
    except NoteError as error:
        return refused(error)
    return JsonResponse({"note": services.note_data(pinned, request.user, read=True)}, status=201)


def _own_note_or_404(user: User, pk: uuid.UUID) -> PinnedNote:
    """A note that `user` wrote on a take still open to them."""
    takes = visible_takes(user).values("pk")
    try:
        return PinnedNote.objects.select_related("author", "recording").get(pk=pk, author=user, take__in=takes)
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
        services.edit(found, text_of(body_of(request).get("text")))
    except NoteError as error:
        return refused(error)
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
    """Mark notes of the take as read: those whose ids are sent, or all. With `unread`, those sent as new again."""
    found = noted_or_404(request.user, pk)
    try:
        sent = body_of(request)
        ids = None if sent.get("ids") is None else ids_of(sent["ids"])
    except NoteError as error:
        return refused(error)
    if sent.get("unread") is True:
        return JsonResponse({"unread": services.mark_unread(found, request.user, ids or [])})
    return JsonResponse({"read": services.mark_read(found, request.user, ids)})


@tutor_required
@require_POST
def record(request: PersonRequest, pk: uuid.UUID) -> JsonResponse:
    """Pin a recorded answer: a form with the sound, words if there are any, and the target as JSON."""
    found = noted_or_404(request.user, pk)
    try:
        target = target_of(found, json_object(request.POST.get("target", "")))
        pinned = answers.record(
            found,
            request.user,
            _sound(request),
            target=target,
            text=request.POST.get("text", ""),
            whole=request.POST.get("whole") == "yes" and bool(found.abc),
            recorder_settings=settings_of(request.POST.get("recorder_settings", "")),
        )
    except NoteError as error:
        return refused(error)
    told = services.note_data(pinned, request.user, read=True)
    # The page's uploader takes an address for its sign that the sound has arrived.
    return JsonResponse({"note": told, "address": request.path}, status=201)


def _sound(request: HttpRequest) -> UploadedFile[bytes]:
    for file in request.FILES.getlist("sound"):
        return file
    raise NoteError(answers.TOO_BIG if was_too_big(request) else _NO_SOUND)


@member_required
@require_safe
@cache_control(private=True, no_cache=True)
def answer(request: PersonRequest, pk: uuid.UUID) -> HttpResponse:
    """A recorded answer under the learner's playing: both drawn to one scale, with the measures side by side."""
    found = answers.answer_or_404(request.user, pk)
    beside = answers_beside.of(found)
    if beside is None:
        raise Http404("nothing was measured in it")
    return render(request, "review/answer.html", {"note": found, "take": found.take, "beside": beside})


@member_required
@require_safe
def answer_sound(request: PersonRequest, pk: uuid.UUID) -> HttpResponseBase:
    """The sound of a recorded answer."""
    found = answers.answer_or_404(request.user, pk)
    recording = found.recording
    if recording is None or not recording.audio:
        raise Http404("nothing to be heard yet")
    return ranges.serve_stored(request, recording.audio, content_type="audio/flac")


@tutor_required
@require_POST
def phrases(request: PersonRequest) -> JsonResponse:
    """Keep a quick phrase; all of the tutor's own come back."""
    try:
        services_phrases.keep(request.user, text_of(body_of(request).get("text")))
    except NoteError as error:
        return refused(error)
    return JsonResponse({"phrases": services_phrases.phrases_of(request.user)}, status=201)


@tutor_required
@require_http_methods(["DELETE"])
def phrase(request: PersonRequest, pk: int) -> JsonResponse:
    """Forget one of the tutor's own quick phrases."""
    if not services_phrases.forget(request.user, pk):
        raise Http404("no such phrase")
    return JsonResponse({"phrases": services_phrases.phrases_of(request.user)})
