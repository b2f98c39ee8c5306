"""The studio's settings."""

from __future__ import annotations

from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import redirect, render

from studio.people.access import PersonRequest, studio_of, tutor_required
from studio.people.models import Studio
from studio.people.signals import judging_changed
from studio.people.studio_forms import LEVELS, StudioForm


@tutor_required
def settings_page(request: PersonRequest) -> HttpResponse:
    """Shows and saves the settings; a save judges all stored takes anew and says what came of it."""
    studio = studio_of(request.user)
    form = StudioForm(request.POST or None, studio=studio)
    if request.method == "POST" and form.is_valid():
        messages.success(request, _saved(form, studio))
        return redirect("people:studio")
    return render(request, "people/studio.html", {"form": form, "levels": LEVELS})


def _saved(form: StudioForm, studio: Studio) -> str:
    """Save, have everything judged anew, and what to say about it."""
    before = (studio.level, studio.tolerances)
    form.apply(studio)
    with transaction.atomic():
        studio.save(update_fields=["name", "level", "tuning", "tolerances", "beat_points"])
        if (studio.level, studio.tolerances) == before:
            return "Saved."
        changed = sum(int(count or 0) for _, count in judging_changed.send(Studio, studio=studio))
    if changed == 0:
        return "Saved. All takes were judged anew; none came out differently."
    return f"Saved. All takes were judged anew; {changed} came out differently."
