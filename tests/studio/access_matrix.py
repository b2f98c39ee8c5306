"""Who may do what: one row for each address and method. test_permissions.py fails when an address has none.

The five people: the learner's tutor, the learner, another learner of the same studio, the tutor of another studio, and
nobody (not logged in). An expectation is a status, or LOG_IN for being sent to log in. The names in `args` are things
of the learner, made by `world` in the test: learner, take, exercise (which is set for the learner), note (on the take,
by the tutor), token (of an open join link of the learner); entry is one of the starter library's, the same for all.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

PEOPLE: Final = ("tutor", "learner", "other learner", "stranger tutor", "nobody")
LOG_IN: Final = "log-in"

Expected = int | str


@dataclass(frozen=True)
class Row:
    """An address by its name, and what each of PEOPLE gets."""

    name: str
    expected: tuple[Expected, Expected, Expected, Expected, Expected]
    method: str = "get"
    args: tuple[str, ...] = ()
    query: str = ""
    data: Mapping[str, Any] = field(default_factory=dict)
    content_type: str = ""

    def __str__(self) -> str:
        return f"{self.method} {self.name}{self.query}"


EVERYBODY: Final = (200, 200, 200, 200, 200)
MEMBERS: Final = (200, 200, 200, 200, LOG_IN)
TUTORS: Final = (200, 404, 404, 200, LOG_IN)
TUTORS_DO: Final = (302, 404, 404, 302, LOG_IN)
LEARNERS: Final = (404, 200, 200, 404, LOG_IN)
#: Something of the learner that the tutor may see, or do something with, and nobody else.
OWN_TUTOR: Final = (200, 404, 404, 404, LOG_IN)
OWN_TUTOR_DOES: Final = (302, 404, 404, 404, LOG_IN)
#: Something that the learner and the tutor may see.
BOTH: Final = (200, 200, 404, 404, LOG_IN)
BOTH_GO_ON: Final = (302, 302, 404, 404, LOG_IN)

PEOPLE_ROWS: Final = (
    Row("home", (302, 302, 302, 302, LOG_IN)),
    Row("health", EVERYBODY),
    Row("people:log-in", (302, 302, 302, 302, 200)),
    Row("people:log-out", (302, 302, 302, 302, LOG_IN), "post"),
    Row("people:set-up", (LOG_IN, LOG_IN, LOG_IN, LOG_IN, LOG_IN)),  # there is a studio already
    Row("people:join", EVERYBODY, args=("token",)),  # whoever holds the link
    Row("people:account", MEMBERS),
    Row("people:studio", TUTORS),
    Row("people:learners", TUTORS),
    Row("people:learners", TUTORS, "post", data={"display_name": "Nessa"}),
    Row("people:learner", OWN_TUTOR, args=("learner",)),
    Row("people:rename", OWN_TUTOR, args=("learner",)),
    Row("people:rename", OWN_TUTOR_DOES, "post", args=("learner",), data={"display_name": "Nessa"}),
    Row("people:invite", OWN_TUTOR, "post", args=("learner",)),
    Row("people:end", OWN_TUTOR_DOES, "post", args=("learner",)),
    Row("people:bring-back", OWN_TUTOR_DOES, "post", args=("learner",)),
)

SHEET: Final = "?exercise={exercise}&learner={learner}&starts_on=2026-11-26&paper=a4"
EXERCISE_ROWS: Final = (
    Row("exercises:list", MEMBERS),
    Row("exercises:new", TUTORS),
    Row("exercises:new-phrase", TUTORS),
    Row("exercises:import", TUTORS),
    Row("exercises:import", TUTORS, "post"),  # nothing is sent
    Row("exercises:preview", TUTORS, "post"),
    Row("exercises:show", BOTH, args=("exercise",)),
    Row("exercises:edit", OWN_TUTOR, args=("exercise",)),
    Row("exercises:put-away", OWN_TUTOR_DOES, "post", args=("exercise",)),
    Row("exercises:bring-back", OWN_TUTOR_DOES, "post", args=("exercise",)),
    Row("exercises:music", BOTH, args=("exercise",)),
    Row("exercises:model", BOTH, args=("exercise",)),
    Row("exercises:listen", BOTH, args=("exercise",)),
    Row("exercises:listen-sound", BOTH, args=("exercise",)),
    Row("exercises:abc", BOTH, args=("exercise",)),
    Row("exercises:musicxml", BOTH, args=("exercise",)),
    Row("exercises:mei", BOTH, args=("exercise",)),
    Row("exercises:midi", BOTH, args=("exercise",)),
    Row("exercises:pdf", BOTH, args=("exercise",)),
    Row("exercises:sheets", TUTORS),
    Row("exercises:sheet", (200, 404, 404, 400, LOG_IN), query=SHEET),  # not among the stranger's exercises
    Row("exercises:copy", OWN_TUTOR_DOES, "post", args=("exercise",)),
    Row("exercises:open", OWN_TUTOR_DOES, "post", args=("exercise",)),
    Row("exercises:close", OWN_TUTOR_DOES, "post", args=("exercise",)),
    Row("exercises:customs", TUTORS_DO, "post", data={"grip_from_d": "D"}),
    Row("exercises:library", TUTORS),
    Row("exercises:library-entry", TUTORS, args=("entry",)),
    Row("exercises:library-music", TUTORS, args=("entry",)),
    Row("exercises:library-model", TUTORS, args=("entry",)),
    Row("exercises:library-copy", TUTORS_DO, "post", args=("entry",)),
)

TAKE_ROWS: Final = (
    Row("takes:list", MEMBERS),
    Row("takes:new", LEARNERS),
    Row("takes:new", (404, 400, 400, 404, LOG_IN), "post"),  # nothing is sent
    Row("takes:take", BOTH_GO_ON, args=("take",)),
    Row("takes:status", BOTH, args=("take",)),
    Row("takes:sound", BOTH, args=("take",)),
    Row("takes:retry", BOTH_GO_ON, "post", args=("take",)),
    Row("takes:delete", BOTH, args=("take",)),
    Row("takes:delete", BOTH_GO_ON, "post", args=("take",)),
)

JSON: Final = "application/json"
NEW_NOTE: Final = {"text": "Listen here.", "start_s": 1.0}
REVIEW_ROWS: Final = (
    Row("review:take", BOTH, args=("take",)),
    Row("review:music", BOTH, args=("take",)),
    Row("review:music-lines", BOTH, args=("take",)),
    Row("review:timeline", BOTH, args=("take",)),
    Row("review:compare", BOTH, args=("take",)),
    Row("review:beat", OWN_TUTOR_DOES, "post", args=("take",), data={"source": "heard", "shift_ms": "20"}),
    Row("review:clip", BOTH, args=("take",), query="?start=0.1&end=0.9"),
    Row("review:model-clip", BOTH, args=("take", "movement")),
    Row("review:sounds", BOTH, args=("take", "movement")),
    Row("review:loudness", BOTH, args=("take",)),
    Row("review:pitch", BOTH, args=("take",), query="?start=0.1&end=0.9"),
    Row("review:notes", BOTH, args=("take",)),
    Row("review:notes", (201, 201, 404, 404, LOG_IN), "post", args=("take",), data=NEW_NOTE, content_type=JSON),
    Row("review:read", BOTH, "post", args=("take",), data={}, content_type=JSON),
    # The note is the tutor's: nobody else edits it, takes it away or brings it back.
    Row("review:note", OWN_TUTOR, "post", args=("note",), data={"text": "Again, slowly."}, content_type=JSON),
    Row("review:note", OWN_TUTOR, "delete", args=("note",)),
    Row("review:restore", OWN_TUTOR, "post", args=("note",), data={}, content_type=JSON),
    Row("review:annotations", BOTH, args=("take",)),
    Row("review:annotation", BOTH, args=("note",)),
    Row("review:record", (400, 404, 404, 404, LOG_IN), "post", args=("take",)),  # nothing is sent
    Row("review:answer", BOTH, args=("answer",)),
    Row("review:answer-sound", BOTH, args=("answer",)),
    Row("review:phrases", (201, 404, 404, 201, LOG_IN), "post", data={"text": "Slower."}, content_type=JSON),
    Row("review:phrase", OWN_TUTOR, "delete", args=("phrase",)),
    Row("review:ruling", OWN_TUTOR, "post", args=("take", "movement"), data={"heard": True}, content_type=JSON),
    Row("review:ruling", OWN_TUTOR, "delete", args=("take", "movement")),
    Row("review:agreement", TUTORS),
    Row("review:measures", TUTORS),
)

WEEK_ROWS: Final = (
    Row("week:board", TUTORS),
    Row("week:mine", LEARNERS),
    Row("week:plan", OWN_TUTOR, args=("learner",)),
    Row("week:plan", OWN_TUTOR, args=("learner",), query="?take={take}"),
    Row("week:plan", OWN_TUTOR, "post", args=("learner",), data={"do": "add"}),
)

ROWS: Final = (*PEOPLE_ROWS, *EXERCISE_ROWS, *TAKE_ROWS, *REVIEW_ROWS, *WEEK_ROWS)
