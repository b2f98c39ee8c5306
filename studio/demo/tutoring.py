"""What the demo's tutor does: sets each week from the results of the last, and pins notes where fingers failed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from django.utils import timezone

from analysis.report import Flag, MovementReport, Report
from studio.demo import words
from studio.demo.scenario import DRILLS, LOW_HAND, Player, Session
from studio.exercises.models import Exercise
from studio.people.access import studio_of
from studio.people.models import User
from studio.review.models import NoteRead, PinnedNote, QuickPhrase
from studio.review.overruling import Ruled, overrule
from studio.takes.models import Movement, Take
from studio.takes.reports import studio_tolerances
from studio.week.models import Plan, SetExercise

#: Up by so much when nearly all was clean, down when it fell apart (common practice).
TEMPO_STEP: Final = 4
GOOD_SHARE: Final = 0.85
BAD_SHARE: Final = 0.5
SLOWEST_BPM: Final = 40
#: Notes on many movements at once are for the last days: more would be a crowd.
_RECENT: Final = 8
#: What a tutor's ear lets pass, as a share of the limit.
_JUST_BEYOND: Final = 1.15
_LOW_HAND: Final = frozenset(note.label for note in LOW_HAND)


@dataclass(frozen=True)
class SetDrill:
    """A drill of a week's plan."""

    name: str
    tempo_bpm: int
    note: str = ""


@dataclass(frozen=True)
class Decision:
    """A week's plan."""

    drills: tuple[SetDrill, ...]
    note: str


def decide(player: Player, learner: User, sessions: Sequence[Session]) -> Decision:
    """What is set for a week: at first what the scenario says, then what the week before asks for.

    Drills that the scenario has the learner play in `sessions`, the week's takes, are set as well.
    """
    before = _last_plan(learner)
    names = [session.drill for session in sessions if session.drill]
    if before is None:
        names = [*player.first_plan, *names]
        drills = {name: SetDrill(name, DRILLS[name].tempo_bpm) for name in names}
        return Decision(tuple(drills.values()), words.plan_note(0, 0, None))
    takes = learner.takes.filter(created_at__date__gte=before.starts_on, state=Take.State.READY)
    movements = list(Movement.objects.filter(take__in=takes))
    clean = sum(movement.clean for movement in movements)
    fault = _main_fault(movements)
    main = _next_drill(before.exercises.all()[0], movements, fault)
    drills = {main.name: main} | {name: SetDrill(name, DRILLS[name].tempo_bpm) for name in names if name != main.name}
    return Decision(tuple(drills.values()), words.plan_note(clean, len(movements), fault))


def _last_plan(learner: User) -> Plan | None:
    return learner.plans.order_by("-starts_on").first()


def _main_fault(movements: Sequence[Movement]) -> Flag | None:
    counts = Counter(flag for movement in movements for flag in movement.flags)
    return counts.most_common(1)[0][0] if counts else None


def _next_drill(last: SetExercise, movements: Sequence[Movement], fault: Flag | None) -> SetDrill:
    """The last drill faster, slower or as it was; from the low hand only, where the trouble is there."""
    name = next(name for name, drill in DRILLS.items() if drill.title == last.exercise.title)
    share = sum(movement.clean for movement in movements) / len(movements) if movements else 0.0
    faulty = [movement for movement in movements if fault in movement.flags]
    low = sum(movement.approach in _LOW_HAND for movement in faulty)
    if name == "e" and fault == "crossing-noise" and share < GOOD_SHARE and low > 0.7 * len(faulty):
        slower = max(SLOWEST_BPM, last.tempo_bpm - TEMPO_STEP)
        return SetDrill("e-low", slower, f"Only these notes this week: {low} of {len(faulty)} noises came from them.")
    if share >= GOOD_SHARE:
        return SetDrill(name, last.tempo_bpm + TEMPO_STEP, f"Up from {last.tempo_bpm}.")
    if share < BAD_SHARE and last.tempo_bpm - TEMPO_STEP >= SLOWEST_BPM:
        return SetDrill(name, last.tempo_bpm - TEMPO_STEP, f"Down from {last.tempo_bpm}. Clean first, then fast.")
    return SetDrill(name, last.tempo_bpm)


def write_plan(
    learner: User, tutor: User, starts_on: date, decision: Decision, exercises: Mapping[str, Exercise]
) -> Plan:
    """Store a decision as the learner's plan from `starts_on`."""
    plan = Plan.objects.create(learner=learner, starts_on=starts_on, note=decision.note, created_by=tutor)
    for position, drill in enumerate(decision.drills):
        SetExercise.objects.create(
            plan=plan,
            exercise=exercises[drill.name],
            position=position,
            tempo_bpm=drill.tempo_bpm,
            clean_days=3 if position == 0 else 2,
            note=drill.note,
        )
    written = timezone.make_aware(datetime.combine(starts_on, datetime.min.time())) + timedelta(hours=11)
    Plan.objects.filter(pk=plan.pk).update(created_at=min(written, timezone.now()))
    return plan


def comment(take: Take, player: Player, session: Session, tutor: User, now: datetime) -> None:
    """Pin what the tutor says of a heard take, and what the learner answers; older notes have been read."""
    if take.state != Take.State.READY or take.report is None:
        return
    report: Report = take.report
    if session.asks:
        _ask(take, report)
    if take.heard_at is None:
        return
    remarks: list[PinnedNote] = []
    said = _remarks(report, turn=session.days_ago + player.seed)
    for number, (movement, text) in enumerate(said):
        when = min(take.heard_at + timedelta(minutes=2 + 2 * number), now)
        note = _pin(take, tutor, text, when, movement=movement)
        if session.days_ago > 3:
            _read(note, take.learner, take.heard_at + timedelta(hours=19))
        if movement["flags"]:
            remarks.append(note)
    if session.days_ago < _RECENT:
        _remark_on_many(take, report, tutor, min(take.heard_at + timedelta(minutes=9), now))
    _overrule(take, report, tutor, spared={movement["index"] for movement, _ in said})
    if session.answer and remarks:
        when = min(take.heard_at + timedelta(hours=20), now - timedelta(minutes=20))
        answer = _pin(take, take.learner, session.answer, when, answer_to=remarks[0])
        if session.days_ago > 6:
            _read(answer, tutor, when + timedelta(hours=2))


def _remarks(report: Report, *, turn: int) -> list[tuple[MovementReport, str]]:
    """Up to four movements worth a word, in the take's order: the worst of the commonest faults, and a good one."""
    by_fault: dict[Flag, list[MovementReport]] = {}
    for movement in report["movements"]:
        fault = words.first_fault(movement)
        if fault:
            by_fault.setdefault(fault, []).append(movement)
    chosen: list[tuple[MovementReport, str]] = []
    for place, (_, movements) in enumerate(sorted(by_fault.items(), key=lambda item: -len(item[1]))[:2]):
        worst = sorted(movements, key=_badness, reverse=True)[: 2 - place]
        chosen += [(movement, words.remark(movement, turn + number)) for number, movement in enumerate(worst)]
    clean = [movement for movement in report["movements"] if not movement["flags"] and movement["gracenotes"]]
    if clean:
        best = min(clean, key=lambda movement: abs(movement["beat_offset_ms"] or 0.0))
        chosen.append((best, words.praise(best, turn)))
    return sorted(chosen, key=lambda item: item[0]["index"])


def _remark_on_many(take: Take, report: Report, tutor: User, when: datetime) -> None:
    """One note on all movements from a note that failed more than once in the same way."""
    faulty: dict[tuple[Flag, str], list[int]] = {}
    for movement in report["movements"]:
        fault = words.first_fault(movement)
        if fault and movement["from"]:
            faulty.setdefault((fault, movement["from"]), []).append(movement["index"])
    for (_, approach), indexes in faulty.items():
        every = [movement["index"] for movement in report["movements"] if movement["from"] == approach]
        if len(indexes) > 1 and indexes == every:
            note = _pin(take, tutor, words.ALL_FROM.format(approach=approach), when, movement=None)
            PinnedNote.objects.filter(pk=note.pk).update(
                movement_index=every[0], movement_indexes=every, place=f"all {len(every)} from {approach}"
            )
            return


def _overrule(take: Take, report: Report, tutor: User, *, spared: set[int]) -> None:
    """The tutor's ear lets pass what lies only just beyond the limit."""
    limits = studio_tolerances(studio_of(tutor))
    for movement in report["movements"]:
        offset, measures = movement["beat_offset_ms"], movement.get("measures")
        if movement["flags"] not in (["late"], ["early"]) or offset is None or measures is None:
            continue
        near = abs(offset) < _JUST_BEYOND * limits.offset_ms(measures["beat_length_ms"])
        if near and movement["index"] not in spared:
            overrule(take, movement["index"], Ruled(flags={movement["flags"][0]: False}), tutor)
            return


def keep_phrases(tutor: User) -> None:
    """What the demo's tutor says so often that it is kept."""
    QuickPhrase.objects.bulk_create(QuickPhrase(tutor=tutor, text=text) for text in words.PHRASES)


def _badness(movement: MovementReport) -> float:
    """How far from clean, in ms; only for choosing among movements with one fault."""
    fault = words.first_fault(movement)
    if fault == "crossing-noise":
        return max((noise["length_ms"] for noise in movement["crossing_noises"]), default=0.0)
    if fault == "heavy-gracenote":
        return max((grace["length_ms"] for grace in movement["gracenotes"]), default=0.0)
    if fault == "run-together":
        return -(movement["gap_ms"] or 0.0)
    return abs(movement["beat_offset_ms"] or 0.0)


def _ask(take: Take, report: Report) -> None:
    """The learner points at the first place that went wrong, if any did, and asks."""
    movement = next((movement for movement in report["movements"] if movement["flags"]), None)
    if movement is None or movement["start_s"] is None:
        return
    start, end = movement["start_s"], movement["end_s"] or movement["start_s"]
    _pin(take, take.learner, words.QUESTION, take.created_at + timedelta(minutes=4), spot=(start - 0.5, end + 0.5))


def _pin(
    take: Take,
    author: User,
    text: str,
    when: datetime,
    *,
    movement: MovementReport | None = None,
    spot: tuple[float, float] | None = None,
    answer_to: PinnedNote | None = None,
) -> PinnedNote:
    note = PinnedNote.objects.create(
        take=take,
        author=author,
        text=text,
        answer_to=answer_to,
        movement_index=movement["index"] if movement else None,
        start_s=spot[0] if spot else None,
        end_s=spot[1] if spot else None,
    )
    PinnedNote.objects.filter(pk=note.pk).update(created_at=when)
    note.refresh_from_db()
    return note


def _read(note: PinnedNote, reader: User, when: datetime) -> None:
    read = NoteRead.objects.create(note=note, reader=reader)
    NoteRead.objects.filter(pk=read.pk).update(read_at=when)
