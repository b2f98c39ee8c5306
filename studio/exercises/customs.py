"""Saving what a studio writes where teachers differ; its form stands on the studio's page (templatetags/customs.py)."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponseRedirect
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from studio.exercises.forms import CustomsForm
from studio.exercises.models import customs_of
from studio.people.access import PersonRequest, studio_of, tutor_required


@tutor_required
@require_POST
def save(request: PersonRequest) -> HttpResponseRedirect:
    """New exercises follow it from now on."""
    form = CustomsForm(request.POST, instance=customs_of(studio_of(request.user)))
    if form.is_valid():
        form.save()
        messages.success(request, "Saved. New exercises are written so; those you have stay as they are.")
    else:
        messages.error(request, "Nothing is saved: choose what a grip from D is from the list.")
    return redirect("people:studio")
