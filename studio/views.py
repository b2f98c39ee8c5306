"""The first page: each role's own."""

from django.http import HttpRequest, HttpResponseRedirect
from django.shortcuts import redirect

from studio.people.models import Studio, User


def home(request: HttpRequest) -> HttpResponseRedirect:
    """Sends a tutor to the board, a learner to their week, and nobody to log in, or to set up a new installation."""
    user = request.user
    if isinstance(user, User) and user.is_tutor:
        return redirect("week:board")
    if isinstance(user, User) and user.is_learner:
        return redirect("week:mine")
    return redirect("people:log-in" if Studio.objects.exists() else "people:set-up")
