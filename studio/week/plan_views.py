"""Setting a learner's week, with what went wrong beside it."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Any

from django.contrib import messages
from django.db.models import Q
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import formats, timezone
from django.utils.dateparse import parse_date
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from studio.exercises.access import visible_exercises
from studio.exercises.models import Exercise
from studio.people.access import PersonRequest, learner_or_404, tutor_required
from studio.people.models import User
from studio.takes.access import take_or_404
from studio.takes.models import Take
from studio.week import suggestions
from studio.week.forms import PlanForm, Rows, raw_rows, row_of_suggestion, rows_of_plan, rows_sent, rows_shown
from studio.week.models import Plan
from studio.week.progress import WeekProgress, week_of
from studio.week.services import PlanClash, current_plan, next_start, plan_end, set_plan
from studio.week.suggestions import Suggestion


@dataclass(frozen=True)
class _Page:
    """What the page is about: whose week, from which day, and the take beside it."""

    learner: User
    tutor: User
    current: Plan | None
    starts_on: date
    take: Take | None

    @cached_property
    def plan(self) -> Plan | None:
        """What is stored for that day."""
        return Plan.objects.filter(learner=self.learner, starts_on=self.starts_on).first()

    @cached_property
    def before(self) -> WeekProgress | None:
        """The week whose exercises could be carried over: that of the plan before this day."""
        earlier = Plan.objects.filter(learner=self.learner, starts_on__lt=self.starts_on).order_by("-starts_on").first()
        return week_of(self.learner, earlier, until=plan_end(earlier)) if earlier is not None else None

    @cached_property
    def exercises(self) -> dict[int, Exercise]:
        """Those that can be set: all in use, and what the plan holds already."""
        held = Q(settings__plan=self.plan) if self.plan is not None else Q(pk=None)
        offered = visible_exercises(self.tutor).filter(Q(put_away_at=None) | held).distinct().order_by("title", "pk")
        return {exercise.pk: exercise for exercise in offered}

    def address(self, **more: object) -> str:
        """This page, kept where it is."""
        given = {"starts": self.starts_on.isoformat(), "take": self.take.pk if self.take else None, **more}
        query = "&".join(f"{name}={value}" for name, value in given.items() if value)
        return f"{reverse('week:plan', args=[self.learner.pk])}?{query}"


@tutor_required
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def plan(request: PersonRequest, pk: int) -> HttpResponse:
    """Set a week's exercises.

    In the address: `starts`, the plan's first day; `take`, one to be seen beside it; `add`, an exercise to begin with.
    The form's `do` says what is wanted: save, delete, or the page again with rows added (add, carry, take).
    """
    page = _page(request, pk)
    if request.method != "POST":
        rows = rows_of_plan(page.plan) if page.plan is not None else []
        added = page.exercises.get(_number(request.GET.get("add")))
        if added is not None and all(row["exercise"] != added.pk for row in rows):
            rows.append({"exercise": added.pk, "tempo_bpm": added.tempo_bpm, "clean_days": 3})
        return _shown(request, page, _unsent(page), rows)
    wanted = request.POST.get("do", "save")
    if wanted == "save":
        return _save(request, page)
    if wanted == "delete" and page.plan is not None:
        page.plan.delete()
        messages.success(request, f"The plan from {_day(page.starts_on)} is taken back.")
        return redirect("people:learner", pk)
    rows = raw_rows(request.POST)
    rows += _more_rows(page, wanted, rows_shown(rows, page.exercises))
    return _shown(request, page, PlanForm(initial=request.POST.dict()), rows)


def _page(request: PersonRequest, pk: int) -> _Page:
    learner = learner_or_404(request.user, pk)
    current = current_plan(learner)
    asked = _date(request.GET.get("starts", ""))
    take = None
    if "take" in request.GET:
        try:
            take = take_or_404(request.user, uuid.UUID(request.GET["take"]))
        except ValueError:
            raise Http404("no such take") from None
        if take.learner_id != learner.pk:
            raise Http404("a take of somebody else")
    return _Page(learner, request.user, current, asked or next_start(current, timezone.localdate()), take)


def _unsent(page: _Page) -> PlanForm:
    note = page.plan.note if page.plan is not None else ""
    return PlanForm(initial={"starts_on": page.starts_on, "note": note})


def _more_rows(page: _Page, wanted: str, held: Rows) -> list[dict[str, Any]]:
    """What is wanted beside the rows that are `held` already."""
    if wanted == "carry":
        return [row_of_suggestion(suggestion) for suggestion in _to_carry(page, held)]
    if wanted == "take" and page.take is not None:
        suggestion = suggestions.from_take(page.take)
        if suggestion is not None and not held.holds(suggestion.exercise, suggestion.tempo_bpm):
            return [row_of_suggestion(suggestion)]
    return []


def _to_carry(page: _Page, held: Rows) -> list[Suggestion]:
    carried = suggestions.carried_over(page.before) if page.before is not None else []
    return [suggestion for suggestion in carried if not held.holds(suggestion.exercise)]


def _save(request: PersonRequest, page: _Page) -> HttpResponse:
    form = PlanForm(request.POST)
    rows = rows_sent(request.POST, page.exercises)
    if not (form.is_valid() and rows.is_valid()):
        return _render(request, page, form, rows)
    chosen, note = rows.rows(), form.cleaned_data["note"].strip()
    starts_on = form.cleaned_data["starts_on"]
    if not chosen and not note:
        form.add_error(None, "Set at least one exercise, or write a note over the week.")
        return _render(request, page, form, rows)
    try:
        set_plan(page.learner, starts_on=starts_on, rows=chosen, note=note, by=request.user, plan=page.plan)
    except PlanClash:
        form.add_error("starts_on", f"There is another plan from {_day(starts_on)}. Choose another day, or change it.")
        return _render(request, page, form, rows)
    messages.success(request, f"{page.learner}’s week from {_day(starts_on)} is set.")
    return redirect("people:learner", page.learner.pk)


def _shown(request: PersonRequest, page: _Page, form: PlanForm, rows: list[dict[str, Any]]) -> HttpResponse:
    return _render(request, page, form, rows_shown(rows, page.exercises))


def _render(request: PersonRequest, page: _Page, form: PlanForm, rows: Rows) -> HttpResponse:
    take = page.take
    next_day = next_start(page.current, timezone.localdate())
    context = {
        "page": page,
        "learner": page.learner,
        "added": page.exercises.get(_number(request.GET.get("add"))),  # goes along to another week
        "form": form,
        "rows": rows,
        "tempos": {str(pk): exercise.tempo_bpm for pk, exercise in page.exercises.items()},
        "days": [(page.current.starts_on, "this week"), (next_day, "next week")] if page.current else [],
        "carried": _to_carry(page, rows),
    }
    if take is not None:
        suggestion = suggestions.from_take(take)
        context |= {
            "take": take,
            "approaches": suggestions.approaches_of(take),
            "suggestion": suggestion,
            "suggestion_held": suggestion is not None and rows.holds(suggestion.exercise, suggestion.tempo_bpm),
            "narrower": suggestions.address_of_narrower(take, then=page.address()),
        }
    return render(request, "week/plan.html", context)


def _date(text: str) -> date | None:
    try:
        return parse_date(text)
    except ValueError:
        return None


def _day(day: date) -> str:
    return formats.date_format(day, "l j F")


def _number(text: str | None) -> int:
    return int(text) if text is not None and text.isdecimal() and len(text) < 10 else 0
