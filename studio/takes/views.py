"""Sending a take, waiting for it, hearing it, and the list of takes."""

from __future__ import annotations

import uuid
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_http_methods, require_POST, require_safe

from studio import ranges
from studio.exercises.set_for import tempos_set_for
from studio.exercises.titles import option_labels
from studio.people.access import PersonRequest, learner_required, member_required
from studio.people.models import User
from studio.takes import services, words
from studio.takes.access import take_or_404, visible_takes
from studio.takes.forms import TEMPO, TakeForm, offered_exercises
from studio.takes.models import Take
from studio.takes.services import MAX_UPLOAD_BYTES, UploadError

_PAGE = 30


@member_required
@require_GET
def list_takes(request: PersonRequest) -> HttpResponse:
    """All takes the person may hear, newest first."""
    page = Paginator(visible_takes(request.user).defer("report"), _PAGE).get_page(request.GET.get("page"))
    return render(request, "takes/list.html", {"page": page, "takes": page.object_list})


@learner_required
@require_http_methods(["GET", "HEAD", "POST"])
def new(request: PersonRequest) -> HttpResponse:
    """The page on which a learner records or sends a take; a POST makes it, and answers a script in JSON."""
    learner = request.user
    if request.method != "POST":
        return _new_page(request, learner, "")
    form = TakeForm(request, learner)
    error = "" if form.is_valid() else form.first_error()
    if not error:
        try:
            take = _create(learner, form.cleaned_data)
        except UploadError as refusal:
            error = str(refusal)
    if error:
        return JsonResponse({"error": error}, status=400) if _by_script(request) else _new_page(request, learner, error)
    address = reverse("takes:take", args=[take.pk])
    return JsonResponse({"address": address}, status=201) if _by_script(request) else redirect(address)


def _create(learner: User, sent: dict[str, Any]) -> Take:
    return services.create_take(
        learner=learner,
        exercise=sent["exercise"],
        upload=sent["sound"],
        recorder_settings=sent["recorder_settings"],
        tempo_bpm=sent["tempo_bpm"],
    )


def _by_script(request: HttpRequest) -> bool:
    return request.headers.get("Accept", "").startswith("application/json")


def _new_page(request: HttpRequest, learner: User, error: str) -> HttpResponse:
    asked = request.POST if request.method == "POST" else request.GET
    exercises = list(offered_exercises(learner, asked.get("exercise", "")))
    wanted = asked["exercise"] if "exercise" in asked else _played_last(learner)
    chosen = next((entry for entry in exercises if str(entry.pk) == wanted), None)
    tempo = request.POST.get("tempo_bpm", "") if request.method == "POST" else _asked_tempo(request)
    labels, tempos = option_labels(exercises), tempos_set_for(learner)
    options = [(entry, labels[entry.pk], tempos.get(entry.pk) or entry.tempo_bpm) for entry in exercises]
    usual = next((usual for entry, _, usual in options if entry == chosen), "")
    context = {
        "exercises": exercises,
        "options": options,
        "chosen": chosen,
        "tempo": tempo or (usual if request.method != "POST" else ""),
        "error": error,
        "first_take": not Take.objects.filter(learner=learner).exists(),
        "max_bytes": MAX_UPLOAD_BYTES,
        "slowest": TEMPO[0],
        "fastest": TEMPO[1],
    }
    return render(request, "takes/new.html", context, status=400 if error else 200)


def _asked_tempo(request: HttpRequest) -> str:
    """The tempo that the address names, where a take can have it; an address can be typed, and links grow old."""
    try:
        tempo = int(request.GET.get("tempo", ""))
    except ValueError:
        return ""
    slowest, fastest = TEMPO
    return str(tempo) if slowest <= tempo <= fastest else ""


def _played_last(learner: User) -> str:
    """The key of the exercise that the learner sent a take of last, or nothing."""
    return str(Take.objects.filter(learner=learner).values_list("exercise", flat=True).first() or "")


@member_required
@never_cache
@require_safe
def take(request: PersonRequest, pk: uuid.UUID) -> HttpResponse:
    """Where a take is waited for; a ready one is shown on its review page."""
    found = take_or_404(request.user, pk)
    if found.state == Take.State.READY:
        return redirect("review:take", found.pk)
    person = request.user
    context = {
        "take": found,
        "status": words.status(found),
        "unreadable": words.is_unreadable(found),
        "stages": words.STAGES,
        "may_delete": services.may_delete(person, found),
        "is_own": found.learner_id == person.pk,
    }
    return render(request, "takes/take.html", context)


@member_required
@never_cache
@require_safe
def status(request: PersonRequest, pk: uuid.UUID) -> JsonResponse:
    """The take's state, for the page that waits."""
    return JsonResponse(words.status(take_or_404(request.user, pk)))


@member_required
@require_safe
def sound(request: PersonRequest, pk: uuid.UUID) -> HttpResponseBase:
    """The take's sound: the very samples that were analysed."""
    found = take_or_404(request.user, pk)
    if not found.audio:
        raise Http404("nothing to be heard yet")
    return ranges.serve_stored(request, found.audio, content_type="audio/flac")


@member_required
@require_POST
def retry(request: PersonRequest, pk: uuid.UUID) -> HttpResponse:
    """Have a failed take analysed once more."""
    found = take_or_404(request.user, pk)
    services.retry_take(found)
    return redirect("takes:take", found.pk)


@member_required
@require_http_methods(["GET", "HEAD", "POST"])
def delete(request: PersonRequest, pk: uuid.UUID) -> HttpResponse:
    """Asks, then deletes the take for good."""
    found = take_or_404(request.user, pk)
    person = request.user
    if request.method == "POST" and services.delete_take(person, found):
        messages.success(request, "The take is deleted.")
        return redirect("home")
    allowed = services.may_delete(person, take_or_404(request.user, pk))
    return render(request, "takes/delete.html", {"take": found, "allowed": allowed}, status=200 if allowed else 403)
