"""Builds the demo studio: people and exercises, then week by week plans, takes, their analysis, and what is said.

Plans and notes are not written beforehand: they are chosen from what the analysis has stored, as a tutor would.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from django.contrib.auth.hashers import make_password
from django.core.files.base import ContentFile
from django.utils import timezone

from analysis.score import to_abc
from studio.demo.playing import Playing, play
from studio.demo.pool import Pool
from studio.demo.scenario import DRILLS, PASSWORD, PLAYERS, STUDIO, TUTOR, WEEKS, Player, Session
from studio.demo.tutoring import comment, decide, keep_phrases, write_plan
from studio.exercises.models import Exercise
from studio.people.models import Studio, User
from studio.takes.models import Take
from studio.takes.services import create_take

#: Told a task's name and the share of the whole that is done, 0 to 1.
Progress = Callable[[str, float], None]

#: User name, password, and who that is, for the command to print.
LOGINS: Final[tuple[tuple[str, str, str], ...]] = (
    (TUTOR[0], PASSWORD, f"{TUTOR[1]}, tutor"),
    *((player.username, PASSWORD, f"{player.name}, learner: {player.about}") for player in PLAYERS),
)

#: What a browser says of its microphone.
_RECORDER: Final = {
    "echoCancellation": False,
    "noiseSuppression": False,
    "autoGainControl": False,
    "channelCount": 1,
    "sampleRate": 48_000,
}


@dataclass(frozen=True)
class _Sent:
    """A take on its way: who sent it, when, and the file it is played into."""

    player: Player
    session: Session
    when: datetime
    playing: Playing
    exercise: Exercise


def build_demo(*, progress: Progress | None = None, processes: int = 2) -> Studio:
    """Build the studio in an empty database; the same at every build but for dates, which end today.

    `processes` share the playing and the analysis; 0 does everything in this one. Raises what the analysis raises.
    """
    builder = _Builder(progress or (lambda task, share: None))
    with Pool(processes) as pool, tempfile.TemporaryDirectory(prefix="demo-") as folder:
        for week in range(WEEKS):
            builder.week(week, pool, Path(folder))
    builder.tell("the demo studio is ready", 1.0)
    return builder.studio


class _Builder:
    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self._steps = 2 * sum(len(player.sessions) for player in PLAYERS)
        self._done = 0
        self.now = timezone.now()
        self.tell("people and exercises", 0.0)
        self.studio = Studio.objects.create(name=STUDIO)
        password = make_password(PASSWORD)  # hashing is slow on purpose; once is enough for made-up people
        self.tutor = self._person(TUTOR[0], TUTOR[1], User.Role.TUTOR, password)
        self.learners = {
            player.username: self._person(player.username, player.name, User.Role.LEARNER, password)
            for player in PLAYERS
        }
        keep_phrases(self.tutor)
        self.exercises = {name: self._exercise(name) for name in DRILLS}

    def tell(self, task: str, share: float) -> None:
        self._progress(task, share)

    def _step(self, task: str) -> None:
        self._done += 1
        self.tell(task, min(0.99, self._done / self._steps))

    def _person(self, username: str, name: str, role: User.Role, password: str) -> User:
        return User.objects.create(
            username=username, display_name=name, role=role, studio=self.studio, password=password
        )

    def _exercise(self, name: str) -> Exercise:
        drill = DRILLS[name]
        exercise = Exercise.objects.create(
            studio=self.studio,
            title=drill.title,
            family=drill.family,
            parameters=drill.parameters(),
            abc=drill.abc or to_abc(drill.score()),
            tempo_bpm=drill.tempo_bpm,
            instruction=drill.instruction,
            level=drill.level,
            open_to_all=drill.open_to_all,
            created_by=self.tutor,
        )
        Exercise.objects.filter(pk=exercise.pk).update(created_at=self.now - timedelta(days=7 * WEEKS + 2))
        return exercise

    def week(self, week: int, pool: Pool, folder: Path) -> None:
        """One week: what is set, then what is played, analysed and talked over."""
        sent: list[_Sent] = []
        for player in PLAYERS:
            sessions = [session for session in player.sessions if _week_of(session) == week]
            decision = decide(player, self.learners[player.username], sessions)
            plan_start = timezone.localdate(self.now) - timedelta(days=7 * (WEEKS - week) - 1)
            write_plan(self.learners[player.username], self.tutor, plan_start, decision, self.exercises)
            for session in sessions:
                name = session.drill or decision.drills[0].name
                exercise = self.exercises[name]
                tempo = next((d.tempo_bpm for d in decision.drills if d.name == name), exercise.tempo_bpm)
                path = folder / f"{player.username}-{session.days_ago}{player.codec}"
                playing = Playing(player, session, week, exercise.abc, tempo, path)
                sent.append(_Sent(player, session, self._when(player, session), playing, exercise))
        takes = self._send(sent, pool, week)
        for one, take in takes:
            comment(take, one.player, one.session, self.tutor, self.now)

    def _when(self, player: Player, session: Session) -> datetime:
        """After school, each at their own time; today's a little while ago."""
        if session.days_ago == 0:
            return self.now - timedelta(minutes=25 + player.seed)
        day = timezone.localtime(self.now) - timedelta(days=session.days_ago)
        return day.replace(hour=16 + player.seed % 4, minute=(player.seed * 17 + session.days_ago * 7) % 60, second=12)

    def _send(self, sent: Sequence[_Sent], pool: Pool, week: int) -> list[tuple[_Sent, Take]]:
        """Play, send in and analyse; takes in the order in which they were sent."""
        takes: dict[int, Take] = {}
        analysing = []
        for number, _ in pool.each(play, [one.playing for one in sent]):
            self._step(f"week {week + 1}: playing the takes")
            takes[number] = self._create(sent[number])
            analysing.append(pool.analyse(takes[number].pk))
        for job in analysing:
            job()
            self._step(f"week {week + 1}: analysing the takes")
        for number, one in enumerate(sent):
            self._date(takes[number], one)
        return [(one, takes[number]) for number, one in enumerate(sent)]

    def _create(self, one: _Sent) -> Take:
        recorded_here = one.player.codec in (".m4a", ".webm")
        upload = ContentFile(one.playing.path.read_bytes(), name=f"recording{one.player.codec}")
        one.playing.path.unlink()
        return create_take(
            learner=self.learners[one.player.username],
            exercise=one.exercise,
            upload=upload,
            recorder_settings=_RECORDER if recorded_here else None,
            tempo_bpm=one.playing.tempo_bpm,
            recorded_at=one.when,
        )

    def _date(self, take: Take, one: _Sent) -> None:
        """Let the take have been analysed when it was sent, and heard the evening after."""
        take.refresh_from_db()
        heard = min(one.when + timedelta(hours=26), self.now - timedelta(minutes=3)) if one.session.heard else None
        ready = take.state == Take.State.READY
        Take.objects.filter(pk=take.pk).update(
            queued_at=one.when,
            ready_at=one.when + timedelta(seconds=9) if ready else None,
            heard_at=heard if ready else None,
        )
        take.refresh_from_db()


def _week_of(session: Session) -> int:
    return WEEKS - 1 - session.days_ago // 7
