"""The first pages: a tutor's board, a learner's week; and a learner's page for the tutor."""

from __future__ import annotations

from typing import Final

from django.db.models import Max, QuerySet
from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from studio.people.access import PersonRequest, learner_or_404, learner_required, tutor_required, visible_learners
from studio.people.models import User
from studio.takes.access import visible_takes
from studio.takes.models import Take
from studio.week.models import Plan
from studio.week.progress import past_weeks, week_of, weeks_of_all
from studio.week.services import coming_plans, current_plan
from studio.week.unread import unread_notes

_WAITING_SHOWN: Final = 8
_NOTES_SHOWN: Final = 5
_NOTES_SHOWN_ON_A_PHONE: Final = 3
_TAKES_SHOWN: Final = 12


def _light(takes: QuerySet[Take]) -> QuerySet[Take]:
    """Without the large columns, which lists do not show."""
    return takes.defer("report", "abc", "recorder_settings")


@tutor_required
@never_cache
@require_safe
def board(request: PersonRequest) -> HttpResponse:
    """The tutor's first page: what waits to be heard, what was answered, and every learner's week.

    The number of queries does not depend on how many learners, plans and takes there are.
    """
    learners = list(
        visible_learners(request.user)
        .filter(left_at=None)
        .annotate(last_take_at=Max("takes__created_at"))
        .order_by("display_name")
    )
    weeks, coming = weeks_of_all(learners), coming_plans(learners)
    unheard = _light(visible_takes(request.user)).filter(state=Take.State.READY, heard_at=None)
    waiting = list(unheard.order_by("-created_at"))
    notes = list(unread_notes(request.user))
    context = {
        "rows": [(learner, weeks[learner.pk], coming.get(learner.pk)) for learner in learners],
        "waiting": waiting[:_WAITING_SHOWN],
        "waiting_count": len(waiting),
        "notes": notes[:_NOTES_SHOWN],
        "note_count": len(notes),
    }
    return render(request, "week/board.html", context)


@learner_required
@never_cache
@require_safe
def mine(request: PersonRequest) -> HttpResponse:
    """The learner's first page: what the tutor said, this week's exercises, earlier takes."""
    plan = current_plan(request.user)
    takes = _light(visible_takes(request.user)).order_by("-created_at")
    notes = list(unread_notes(request.user))
    context = {
        "week": week_of(request.user, plan),
        "coming": _coming(request.user),
        "notes": notes[:_NOTES_SHOWN_ON_A_PHONE],
        "more_notes": max(0, len(notes) - _NOTES_SHOWN_ON_A_PHONE),
        "takes": list(takes[:_TAKES_SHOWN]),
    }
    return render(request, "week/mine.html", context)


@tutor_required
@never_cache
@require_safe
def learner(request: PersonRequest, pk: int) -> HttpResponse:
    """A learner's page for the tutor: plan, takes, progress over weeks, and how they log in."""
    person = learner_or_404(request.user, pk)
    plan = current_plan(person)
    takes = _light(visible_takes(request.user)).filter(learner=person).order_by("-created_at")
    context = {
        "learner": person,
        "link_until": person.invitations.filter(used_at=None, expires_at__gt=timezone.now()).aggregate(
            until=Max("expires_at")
        )["until"],
        "week": week_of(person, plan),
        "coming": _coming(person),
        "takes": list(takes[:_TAKES_SHOWN]),
        "weeks": past_weeks(person),
    }
    return render(request, "week/learner.html", context)


def _coming(person: User) -> Plan | None:
    """The next plan that is set already."""
    return coming_plans([person]).get(person.pk)
