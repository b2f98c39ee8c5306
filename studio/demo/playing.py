"""Takes of the demo, as sound files. No database: this runs in processes of its own."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from analysis import rooms
from analysis.faults import Fault, possible
from analysis.model_player import Manner, Performance, Voice, perform, render
from analysis.score import Score, WrittenMovement, parse_abc
from studio.demo.scenario import Player, Session

RATE_HZ: Final = 48_000


@dataclass(frozen=True)
class Playing:
    """One take to be played: what, by whom, in which week (0 to 2), and where the file goes."""

    player: Player
    session: Session
    week: int
    abc: str
    tempo_bpm: int
    path: Path

    @property
    def seed(self) -> int:
        """Its own, the same at every build."""
        return self.player.seed * 1000 + self.session.days_ago


def play(playing: Playing) -> Path:
    """Write the take's sound file."""
    player, seed = playing.player, playing.seed
    if playing.session.spoilt:
        samples = _quiet_room(seed)
    else:
        score = parse_abc(playing.abc)
        # The instrument is the player's own: its seed is the player's, so that it sounds alike in every take.
        deviations = np.random.default_rng([player.seed, 3]).normal(0, player.detune_cents, 9)
        voice = Voice(
            instrument=player.instrument,
            low_a_hz=player.low_a_hz,
            detune_cents=tuple(float(value) for value in deviations),
            wobble_cents=player.wobble_cents,
            seed=player.seed,
        )
        rendering = render(
            score,
            performance=performed(playing, score),
            voice=voice,
            rate_hz=RATE_HZ,
            stroke="tap" if playing.session.stroke == "tap" else "click",
            stroke_level=0.35,
        )
        samples = rooms.record(rendering.samples, RATE_HZ, player.surroundings, seed=seed)
    return rooms.encode(samples, RATE_HZ, playing.path)


def performed(playing: Playing, score: Score) -> Performance:
    """The take as it is fingered, with the player's habits."""
    player, session = playing.player, playing.session
    random = np.random.default_rng([playing.seed, 5])
    faults: dict[int, Fault] = {}
    if not session.flawless:
        for movement in score.movements:
            fault = _fault(player, playing.week, movement, random)
            if fault:
                faults[movement.index] = fault
    manner = Manner(
        tempo_bpm=float(playing.tempo_bpm),
        count_in=0 if session.stroke == "none" else 4,
        clicks=session.stroke in ("click", "tap"),
        gracenote_ms=player.gracenote_ms,
        gap_ms=player.gap_ms,
        jitter_ms=min(player.jitter_ms, 6.0) if session.flawless else player.jitter_ms,
        offset_ms=0.0 if session.flawless else player.offset_ms[playing.week],
        lead_s=0.6,
        tail_s=0.8,
        seed=playing.seed,
    )
    return perform(score, manner, faults=faults)


def _fault(player: Player, week: int, movement: WrittenMovement, random: np.random.Generator) -> Fault | None:
    for habit in player.habits:
        drawn = float(random.random())  # drawn for every habit, so that one habit does not move the others' dice
        fits = not habit.approaches or movement.approach in habit.approaches
        if fits and habit.fault in possible(movement) and drawn < habit.rates[week]:
            return Fault(habit.fault, habit.amount_ms)
    return None


def _quiet_room(seed: int) -> rooms.Floats:
    """Twelve seconds in which nobody plays: a room's hiss and a chair."""
    random = np.random.default_rng([seed, 9])
    samples = (0.002 * random.normal(0, 1, 12 * RATE_HZ)).astype(np.float32)
    time = np.arange(RATE_HZ // 5) / RATE_HZ
    for start_s in (1.5, 7.9):
        knock = 0.05 * np.exp(-time / 0.03) * random.normal(0, 1, time.size)
        start = round(start_s * RATE_HZ)
        samples[start : start + knock.size] += knock.astype(np.float32)
    return rooms.phone(samples, RATE_HZ)
