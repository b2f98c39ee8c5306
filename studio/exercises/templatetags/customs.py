"""A studio's customs on a page of another feature, which need not know of exercises."""

from __future__ import annotations

from typing import Any

from django import template

from studio.exercises.forms import CustomsForm
from studio.exercises.models import customs_of
from studio.people.access import PersonRequest, studio_of

register = template.Library()


@register.inclusion_tag("exercises/partials/customs.html", takes_context=True)
def customs_form(context: dict[str, Any]) -> dict[str, Any]:
    """The form of the studio's customs, with its own button."""
    request: PersonRequest = context["request"]
    return {
        "form": CustomsForm(instance=customs_of(studio_of(request.user))),
        "csrf_token": context["csrf_token"],
    }
