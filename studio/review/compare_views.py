"""The page that holds two takes of one exercise against each other."""

from __future__ import annotations

import uuid

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from studio.people.access import PersonRequest, member_required
from studio.people.models import User
from studio.review import compare as comparing
from studio.review.clips_views import analysed_or_404
from studio.takes.models import Take


@member_required
@require_safe
def compare(request: PersonRequest, pk: uuid.UUID) -> HttpResponse:
    """The take beside another of the same exercise (`with`, or the one before it), and one `movement` over the last
    takes."""
    found = analysed_or_404(request.user, pk)
    others = list(comparing.offered(found, request.user).defer("report")[: comparing.MOST_OFFERED])
    other = _other(request, found, others)
    context = {"take": found, "others": others, "other": other}
    if other is not None:
        older, newer = sorted((found, other), key=lambda take: take.created_at)
        context |= {"older": older, "newer": newer, **comparing.compared(older, newer)}
        choices = comparing.movement_choices(comparing.report_of(newer))
        number = _number(request, [number for number, _ in choices])
        if number is None:
            number = comparing.usual_movement(comparing.report_of(older), comparing.report_of(newer))
        last = _last_takes(newer, request.user)
        context |= {
            "choices": choices,
            "number": number,
            "multiples": comparing.multiples(last, number) if number is not None else [],
        }
    sizes = {"lane": comparing.LANE_HIGH, "top": comparing.TOP, "high": comparing.HIGH}
    return render(request, "review/compare.html", {**context, "sizes": sizes})


def _other(request: PersonRequest, take: Take, others: list[Take]) -> Take | None:
    """The take asked for; else the one before this, or failing that the one after. Raises Http404 for any other."""
    asked = request.GET.get("with", "")
    if asked:
        chosen = next((other for other in others if str(other.pk) == asked), None)
        if chosen is None:
            raise Http404("no such take of this exercise")
        return chosen
    before = [other for other in others if other.created_at < take.created_at]
    return before[0] if before else others[-1] if others else None


def _number(request: PersonRequest, known: list[int]) -> int | None:
    asked = request.GET.get("movement", "")
    return int(asked) if asked.isdecimal() and len(asked) < 7 and int(asked) in known else None


def _last_takes(newest: Take, reader: User) -> list[Take]:
    """The last takes of the exercise up to `newest`, oldest first."""
    earlier = comparing.offered(newest, reader).filter(created_at__lt=newest.created_at)
    return [*reversed(earlier[: comparing.MOST_MULTIPLES - 1]), newest]
