"""Logging in and out, setting up, joining, and the tutor's list of learners."""

from __future__ import annotations

import segno
from django.conf import settings
from django.contrib import messages
from django.contrib.auth import login, update_session_auth_hash
from django.contrib.auth.views import LoginView
from django.db.models import DateTimeField, OuterRef, QuerySet, Subquery
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST

from studio.people import services
from studio.people.access import (
    PersonRequest,
    learner_or_404,
    member_required,
    studio_of,
    tutor_required,
    visible_learners,
)
from studio.people.forms import USERNAME_TAKEN, JoinForm, LearnerForm, LogInForm, OtherPasswordForm, SetUpForm
from studio.people.models import Invitation, Studio, User

_BACKEND = "django.contrib.auth.backends.ModelBackend"
_LOOPBACK = ("localhost", "127.0.0.1", "[::1]")


class LogIn(LoginView):
    """By user name and password; leads on to the page that was asked for."""

    template_name = "people/log_in.html"
    authentication_form = LogInForm
    redirect_authenticated_user = True

    def get(self, request: HttpRequest, *args: str, **kwargs: str) -> HttpResponse:
        if not Studio.objects.exists():
            return redirect("people:set-up")
        return super().get(request, *args, **kwargs)

    def form_invalid(self, form: LogInForm) -> HttpResponse:  # type: ignore[override]  # it is this form always
        response = super().form_invalid(form)
        if form.has_error("__all__", code="resting"):
            response.status_code = 429
        return response


@never_cache
@sensitive_post_parameters("password", "password_again")
def set_up(request: HttpRequest) -> HttpResponse:
    """The first page of a new installation: creates the studio and its tutor, while there is none."""
    if Studio.objects.exists():
        return redirect("people:log-in")
    form = SetUpForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        try:
            tutor = services.create_studio(
                studio_name=data["studio_name"],
                display_name=data["display_name"],
                username=data["username"],
                password=data["password"],
            )
        except services.AlreadySetUp:
            return redirect("people:log-in")
        login(request, tutor, backend=_BACKEND)
        return redirect("home")
    return render(request, "people/set_up.html", {"form": form})


@never_cache
@sensitive_post_parameters("password", "password_again")
def join(request: HttpRequest, token: str) -> HttpResponse:
    """Where a join link leads: the learner chooses a user name and a password."""
    invitation = services.open_invitation(token)
    if invitation is None:
        return render(request, "people/link_spent.html", status=404)
    learner = invitation.learner
    initial = {"username": learner.username} if services.has_joined(learner) else {}
    form = JoinForm(request.POST or None, person=learner, initial=initial)
    if request.method == "POST" and form.is_valid():
        try:
            learner = services.join(
                invitation, username=form.cleaned_data["username"], password=form.cleaned_data["password"]
            )
        except services.LinkSpent:
            return render(request, "people/link_spent.html", status=404)
        except services.UsernameTaken:
            form.add_error("username", USERNAME_TAKEN)
        else:
            login(request, learner, backend=_BACKEND)
            messages.success(request, f"Welcome, {learner}. Next time log in with the user name {learner.username}.")
            return redirect("home")
    return render(request, "people/join.html", {"form": form, "learner": learner})


@member_required
@never_cache
@sensitive_post_parameters()
def account(request: PersonRequest) -> HttpResponse:
    """One's own log-in: what it is called, and another password."""
    form = OtherPasswordForm(request.user, request.POST or None)
    if request.method == "POST" and form.is_valid():
        update_session_auth_hash(request, form.save())
        messages.success(request, "Your password is changed. Other devices have been logged out.")
        return redirect("people:account")
    return render(request, "people/account.html", {"form": form})


def _with_links(people: QuerySet[User]) -> QuerySet[User]:
    """Each with `link_until`: when their open join link runs out, or None."""
    open_links = Invitation.objects.filter(learner=OuterRef("pk"), used_at=None, expires_at__gt=timezone.now())
    return people.annotate(link_until=Subquery(open_links.values("expires_at")[:1], output_field=DateTimeField()))


@tutor_required
def learners(request: PersonRequest) -> HttpResponse:
    """All learners of the studio, with how they log in; adds one by name."""
    form = LearnerForm(request.POST or None, studio=studio_of(request.user))
    if request.method == "POST" and form.is_valid():
        learner = services.add_learner(studio_of(request.user), form.cleaned_data["display_name"])
        return _show_link(request, learner)
    people = list(_with_links(visible_learners(request.user)).order_by("display_name"))
    here = [person for person in people if person.left_at is None]
    left = [person for person in people if person.left_at is not None]
    return render(request, "people/learners.html", {"form": form, "learners": here, "left": left})


@tutor_required
@require_POST
def invite(request: PersonRequest, pk: int) -> HttpResponse:
    """A fresh join link; the ones before it die."""
    learner = learner_or_404(request.user, pk)
    if learner.left_at is not None:
        messages.error(request, f"{learner}’s log-in has ended. Bring it back first.")
        return redirect("people:learner", pk=pk)
    return _show_link(request, learner)


@never_cache
def _show_link(request: PersonRequest, learner: User) -> HttpResponse:
    """The page with a fresh link. It is the one time that the token is known, so the page is the answer itself."""
    remade = learner.invitations.exists()
    invitation, token = services.invite(learner, by=request.user)
    address = public_address(request, reverse("people:join", args=[token]))
    context = {
        "learner": learner,
        "joined": services.has_joined(learner),
        "remade": remade,
        "link": address,
        "qr": qr_code(address),
        "until": invitation.expires_at,
        "only_here": request.get_host().rpartition(":")[0] in _LOOPBACK and not settings.SITE_URL,
    }
    return render(request, "people/invited.html", context)


def public_address(request: HttpRequest, path: str) -> str:
    """`path` as an address that works from another device: on paper, or in a message."""
    return f"{settings.SITE_URL}{path}" if settings.SITE_URL else request.build_absolute_uri(path)


def qr_code(text: str) -> SafeString:
    """`text` as a QR code (ISO/IEC 18004): SVG for the inside of a page, black on white in any colour scheme."""
    code = segno.make(text, error="m", micro=False)
    return mark_safe(code.svg_inline(omitsize=True, border=4, dark="#000", light="#fff", svgclass="qr-code"))


@tutor_required
def rename(request: PersonRequest, pk: int) -> HttpResponse:
    """Another name for a learner."""
    learner = learner_or_404(request.user, pk)
    initial = {"display_name": learner.display_name}
    form = LearnerForm(request.POST or None, initial=initial, studio=studio_of(request.user), learner=learner)
    if request.method == "POST" and form.is_valid():
        learner.display_name = form.cleaned_data["display_name"]
        learner.save(update_fields=["display_name"])
        return redirect("people:learner", pk=pk)
    return render(request, "people/rename.html", {"form": form, "learner": learner})


@tutor_required
@require_POST
def end(request: PersonRequest, pk: int) -> HttpResponseRedirect:
    """The learner has left."""
    learner = learner_or_404(request.user, pk)
    services.end_log_in(learner)
    messages.success(
        request, f"{learner} can no longer log in. The takes stay; you can bring the log-in back any time."
    )
    return redirect("people:learner", pk=pk)


@tutor_required
@require_POST
def bring_back(request: PersonRequest, pk: int) -> HttpResponseRedirect:
    """The learner is here again."""
    learner = learner_or_404(request.user, pk)
    services.bring_back(learner)
    messages.success(request, f"{learner} can log in again.")
    return redirect("people:learner", pk=pk)
