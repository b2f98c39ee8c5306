"""A take's state in words, for the page that waits, for lists, and for its JSON."""

from __future__ import annotations

from typing import Final, TypedDict

from django.urls import reverse

from studio.takes.models import Take
from studio.takes.services import STORING, place_in_queue

#: The stages in their order: analysis.api.STAGES (a test holds them together), then ours.
STAGES: Final = ("reading the file", "finding the beat", "finding the notes", "reading the movements", STORING)


#: How the sentences of analysis.sound about such files begin (a test holds them together).
_UNREADABLE: Final = (
    "This is not a sound file",
    "This file has no sound in it",
    "The sound in this file is coded",
    "This file unpacks to more",
    "This file is damaged",
    "No sound could be read from this file",
)


class Status(TypedDict):
    """What the waiting page is told.

    `stage` counts from 0 in STAGES, None outside the analysis; `address` is where to go when the take is ready.
    """

    state: str
    words: str
    stage: int | None
    failure: str
    address: str


def status(take: Take) -> Status:
    """The take's state as the waiting page shows it."""
    return {
        "state": take.state,
        "words": in_words(take),
        "stage": _stage(take),
        "failure": take.failure,
        "address": reverse("review:take", args=[take.pk]) if take.state == Take.State.READY else "",
    }


def is_unreadable(take: Take) -> bool:
    """Whether the take failed because its file is none that can be read: no other room and no second try helps that."""
    return take.state == Take.State.FAILED and not take.audio and take.failure.startswith(_UNREADABLE)


def in_words(take: Take) -> str:
    """One short sentence on where the take is."""
    if take.state == Take.State.QUEUED:
        before = place_in_queue(take) - 1
        again = " It broke off once and is tried again." if take.attempts else ""
        if before == 0:
            return "Waiting; it is next." + again
        return f"Waiting; {before} {'take is' if before == 1 else 'takes are'} before it." + again
    if take.state == Take.State.ANALYSING:
        return f"Being analysed: {take.stage or STAGES[0]}."
    if take.state == Take.State.READY:
        return "Ready."
    return "It could not be analysed."


def _stage(take: Take) -> int | None:
    if take.state != Take.State.ANALYSING:
        return None
    return STAGES.index(take.stage) if take.stage in STAGES else 0
