"""The demo studio: its people play as they are described, and what is said of them fits what was found."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from analysis.families import TEMPO_BPM
from analysis.report import FLAGS, MovementReport
from analysis.rooms import ENCODINGS
from analysis.score import parse_abc, to_abc
from studio.demo import builder, scenario, words
from studio.demo.playing import Playing, performed, play
from studio.demo.pool import Pool
from studio.demo.scenario import DRILLS, PLAYERS, Player, Session

NAMES = {player.username: player for player in PLAYERS}


def playing(player: Player, session: Session, path: Path, *, week: int = 0) -> Playing:
    drill = DRILLS[session.drill or player.first_plan[0]]
    return Playing(player, session, week, to_abc(drill.score()), drill.tempo_bpm, path)


def test_the_scenario_holds_together() -> None:
    assert len(NAMES) == len(PLAYERS) == 6
    assert [name for name, _, _ in builder.LOGINS] == [scenario.TUTOR[0], *NAMES]
    for player in PLAYERS:
        assert player.codec in ENCODINGS
        days = [session.days_ago for session in player.sessions]
        assert len(set(days)) == len(days)
        assert all(0 <= day < 7 * scenario.WEEKS for day in days)
        assert {session.drill or player.first_plan[0] for session in player.sessions} <= set(DRILLS)
    for drill in DRILLS.values():
        score = drill.score()
        assert parse_abc(drill.abc or to_abc(score)).themes == score.themes
        assert len(score.movements) >= 8
        assert TEMPO_BPM[0] <= drill.tempo_bpm <= TEMPO_BPM[1]
        assert 15 < float(score.beats) * 60 / drill.tempo_bpm < 35
    sessions = [session for player in PLAYERS for session in player.sessions]
    assert sum(not session.heard for session in sessions) >= 4
    assert sum(session.spoilt for session in sessions) == 1


def test_a_take_sounds_the_same_at_every_build(tmp_path: Path) -> None:
    player = replace(NAMES["callum"], codec=".flac")
    first = play(playing(player, player.sessions[0], tmp_path / "one.flac"))
    second = play(playing(player, player.sessions[0], tmp_path / "two.flac"))
    assert first.read_bytes() == second.read_bytes()


@pytest.mark.parametrize(
    ("username", "fault"),
    [
        ("struan", "crossing-noise"),
        ("oona", "run-together"),
        ("callum", "heavy-gracenote"),
        ("isbel", "heavy-gracenote"),
    ],
)
def test_everyone_has_their_own_weakness_and_it_gets_better(username: str, fault: str, tmp_path: Path) -> None:
    player = NAMES[username]
    counts = []
    for week in range(3):
        found: Counter[str] = Counter()
        for day in range(8):
            session = replace(player.sessions[0], days_ago=day)
            performance = performed(
                playing(player, session, tmp_path / "x", week=week), DRILLS[player.first_plan[0]].score()
            )
            found.update(code for movement in performance.movements for code in movement.faults)
        assert found.most_common(1)[0][0] == fault
        counts.append(found[fault])
    assert counts[0] > counts[2]


def test_one_is_always_late_and_one_can_play(tmp_path: Path) -> None:
    for username, low, high in (("tam", 60, 130), ("effie", -20, 20)):
        player = NAMES[username]
        performance = performed(playing(player, player.sessions[0], tmp_path / "x"), DRILLS["e"].score())
        offsets = sorted(movement.offset_ms or 0.0 for movement in performance.movements)
        assert low < offsets[len(offsets) // 2] < high


def movement(**values: Any) -> MovementReport:
    given: dict[str, Any] = {
        "index": 3, "kind": "doubling", "form": "full", "on": "E", "from": "low A", "bar": 2, "beat": 4.0,
        "start_s": 5.0, "end_s": 5.2, "beat_s": 5.05, "beat_offset_ms": 74.4, "gap_ms": 12.0,
        "gracenotes": [{"note": "high G", "start_s": 5.0, "length_ms": 51.0}],
        "crossing_noises": [], "flags": [], "confidence": 0.9, **values,
    }  # fmt: skip
    return given  # type: ignore[return-value]


@pytest.mark.parametrize("flag", FLAGS)
@pytest.mark.parametrize("turn", range(3))
def test_every_fault_has_words_with_its_measures(flag: str, turn: int) -> None:
    noises = [{"note": "F", "start_s": 5.1, "length_ms": 28.3}] if flag == "crossing-noise" else []
    text = words.remark(movement(flags=[flag], crossing_noises=noises), turn)
    assert text[0].isupper()
    assert text.rstrip('"').endswith((".", "!", "?"))
    assert "None" not in text
    assert "{" not in text
    if flag in ("late", "early"):
        assert "74 ms" in text
    if flag == "crossing-noise":
        assert "28 ms" in text
        assert "a F" not in text


@pytest.mark.parametrize(("note", "said"), [("low A", "low A"), ("E", "E "), ("C", "C")])
def test_a_noise_is_told_by_what_it_is(note: str, said: str) -> None:
    noise = {"note": note, "start_s": 5.1, "length_ms": 20.0}
    texts = {words.remark(movement(flags=["crossing-noise"], crossing_noises=[noise]), turn) for turn in range(6)}
    assert len(texts) >= 2
    assert all(said in text and "20 ms" in text for text in texts)


def test_words_without_measures() -> None:
    bare = movement(flags=["missed"], gracenotes=[], gap_ms=None, beat_offset_ms=None, start_s=None)
    assert "low A" in words.remark(bare, 0)
    assert words.praise(bare, 2)
    with pytest.raises(ValueError, match="no fault"):
        words.remark(movement(), 0)
    assert words.plan_note(0, 0, None).startswith("Slowly")
    assert "7 of 11" in words.plan_note(7, 11, "late")


def test_jobs_run_in_processes_of_their_own() -> None:
    with Pool(1) as pool:
        assert dict(pool.each(abs, [-1, 2, -3])) == {0: 1, 1: 2, 2: 3}


@pytest.fixture
def small_cast(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two learners with a take a week, one of them spoilt."""
    oona, isbel = NAMES["oona"], NAMES["isbel"]
    cast = (
        replace(oona, sessions=(Session(18), Session(9, answer="I will."), Session(2, heard=False, asks=True))),
        replace(isbel, sessions=(Session(16), Session(3, spoilt=True))),
    )
    for module in (builder, scenario):
        monkeypatch.setattr(module, "PLAYERS", cast)


@pytest.mark.django_db(transaction=True)
def test_weeks_follow_from_what_the_analysis_found(small_cast: None) -> None:
    from studio.people.models import User
    from studio.review.models import PinnedNote
    from studio.takes.models import Take

    told: list[tuple[str, float]] = []
    studio = builder.build_demo(progress=lambda task, share: told.append((task, share)), processes=0)
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert studio.exercises.count() == len(DRILLS)

    takes = {take.created_at: take for take in Take.objects.order_by("created_at")}
    states = Counter(take.state for take in takes.values())
    assert states == {Take.State.READY: 4, Take.State.FAILED: 1}
    failed = Take.objects.get(state=Take.State.FAILED)
    assert failed.failure.endswith(".")
    assert failed.heard_at is None

    oona = User.objects.get(username="oona")
    plans = list(oona.plans.order_by("starts_on"))
    assert len(plans) == 3
    ready = list(oona.takes.order_by("created_at"))
    for plan, take in zip(plans[1:], ready, strict=False):
        assert f"{take.clean_count} of {take.movement_count}" in plan.note
    for take in ready:
        plan = oona.plans.filter(starts_on__lte=take.created_at.date()).order_by("-starts_on").first()
        assert plan is not None
        assert plan.exercises.filter(exercise=take.exercise, tempo_bpm=take.tempo_bpm).exists()

    for note in PinnedNote.objects.filter(movement_index__isnull=False):
        assert note.author.is_tutor
        assert note.take.movements.filter(index=note.movement_index).exists()
        assert note.created_at >= note.take.created_at
    heard = [take for take in ready if take.heard_at]
    assert all(take.pinned_notes.exists() for take in heard)
    (answer,) = PinnedNote.objects.filter(answer_to__isnull=False)
    assert answer.author == oona
    assert answer.answer_to is not None
    assert answer.take.movements.get(index=answer.answer_to.movement_index).flags
    question = PinnedNote.objects.get(start_s__isnull=False)
    assert question.take.heard_at is None
    flagged = Counter(flag for take in ready for row in take.movements.all() for flag in row.flags)
    assert flagged.most_common(1)[0][0] == "run-together"
