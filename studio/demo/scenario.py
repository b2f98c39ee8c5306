"""Who plays in the demo studio, what is practised, and how each one plays. Every name and the place are invented."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from analysis.chanter import Note
from analysis.model_player import Stroke
from analysis.movements import Kind
from analysis.report import Flag
from analysis.rooms import Surroundings
from analysis.score import Score, parse_abc
from analysis.tone import Instrument
from studio.exercises.writing import Family

STUDIO: Final = "Kilvarrow Bay Juniors"
PASSWORD: Final = "reed-and-bag"
TUTOR: Final = ("morven", "Morven Quillfeather")
WEEKS: Final = 3

LOW_HAND: Final = frozenset({Note.LOW_G, Note.LOW_A, Note.B, Note.C, Note.D})


@dataclass(frozen=True)
class Drill:
    """An exercise of the tutor's: a family, or where `abc` is given a phrase of her own."""

    title: str
    tempo_bpm: int
    family: Literal["single-then-full", "from-short-notes", "one-finger", "chain", "phrase"]
    kind: Kind = "doubling"
    on: Note = Note.E
    approaches: tuple[Note, ...] = ()
    abc: str = ""
    instruction: str = ""
    level: Literal["first", "middle", "further"] = "middle"
    finger: Note | None = None
    repeats: int = 1
    open_to_all: bool = False

    def score(self) -> Score:
        """The drill as music."""
        if self.family == "phrase":
            return parse_abc(self.abc)
        return self._asked().score(tempo_bpm=self.tempo_bpm, title=self.title)

    def parameters(self) -> dict[str, Any]:
        """What the family was asked for, as an exercise keeps it."""
        return {} if self.family == "phrase" else self._asked().parameters()

    def _asked(self) -> Family:
        cut_share = 0.25 if self.family == "from-short-notes" else None
        return Family(
            self.family,
            self.kind,
            self.on,
            self.approaches,
            repeats=self.repeats,
            cut_share=cut_share,
            finger=self.finger,
        )


def _notes(letters: str) -> tuple[Note, ...]:
    return tuple(Note.from_abc(letter) for letter in letters)


PHRASE: Final = """X:1
T:Four bars for the doublings
M:4/4
L:1/8
Q:1/4=56
K:HP
{g}A2 {gcd}c2 {gef}e3 c | {gde}d2 {g}B2 {gBd}B4 | {g}A2 {gcd}c2 {gef}e2 {g}f2 | {gfg}f2 e2 {gAd}A4 |]
"""

DRILLS: Final[Mapping[str, Drill]] = {
    "e": Drill(
        "Doubling on E: single then full", 60, "single-then-full", on=Note.E, approaches=_notes("GABdga"),
        instruction="The single one first: the full one starts in just the same place.",
    ),
    "e-low": Drill(
        "Doubling on E from the low hand", 54, "single-then-full", on=Note.E, approaches=_notes("GABcd"),
        instruction="All fingers of the low hand lift together with the gracenote.",
    ),
    "f": Drill(
        "Doubling on F: single then full", 58, "single-then-full", on=Note.F, approaches=_notes("GAcde"),
        instruction="The second gracenote is as short as the first.",
    ),
    "b": Drill(
        "Doubling on B: single then full", 56, "single-then-full", on=Note.B, approaches=_notes("GAcef"),
        instruction="Leave B time to speak between the two gracenotes.",
    ),
    "d": Drill(
        "Doubling on D from short notes", 54, "from-short-notes", on=Note.D, approaches=_notes("GABcefga"),
        instruction="The short note is a quarter of the beat. The doubling is on the beat, not the short note.",
        level="further",
    ),
    "first": Drill(
        "High G gracenotes on low A", 46, "single-then-full", kind="gracenote", on=Note.LOW_A,
        approaches=_notes("Bcde"),
        instruction="Only the G finger moves. Short, like touching something hot.", level="first",
    ),
    "finger": Drill(
        "E gracenotes on low A, on and on", 48, "one-finger", kind="gracenote", on=Note.LOW_A, finger=Note.E,
        approaches=_notes("B"), repeats=3,
        instruction="Only the E finger moves. Slow and even, all of them alike.", level="first",
    ),
    "chain": Drill(
        "Doublings up and down the scale", 60, "chain",
        instruction="The beat does not wait for the hard ones.", level="further",
    ),
    "scale": Drill(
        "High G gracenotes up and down the scale", 52, "chain", kind="gracenote", on=Note.LOW_A,
        instruction="To warm up with, every day: all of them sound alike.", level="first", open_to_all=True,
    ),
    "phrase": Drill(
        "Four bars for the doublings", 56, "phrase", abc=PHRASE, instruction="As even as a walk.", level="further",
    ),
}  # fmt: skip


@dataclass(frozen=True)
class Habit:
    """A weakness: how often `fault` happens on movements (from `approaches`, if given), and how long it then is.

    `rates`: the share of movements, week by week.
    """

    fault: Flag
    rates: tuple[float, float, float]
    approaches: frozenset[Note] = frozenset()
    amount_ms: float | None = None


@dataclass(frozen=True)
class Session:
    """One take: how many days before the demo's today, what is played, and what of the beat is heard.

    `drill` None: whatever the week's plan names first. `heard`: whether the tutor has opened it. `spoilt`: the
    recording holds no playing. `flawless`: this once, nothing goes wrong. `asks`: the learner pins a question to it.
    `answer`: what the learner says to the tutor's first remark.
    """

    days_ago: int
    drill: str | None = None
    stroke: Stroke | Literal["count-in", "none"] = "click"
    heard: bool = True
    spoilt: bool = False
    flawless: bool = False
    asks: bool = False
    answer: str = ""


@dataclass(frozen=True)
class Player:
    """A learner: how they play, on what, where they record, and what they did in three weeks."""

    username: str
    name: str
    about: str
    seed: int
    first_plan: tuple[str, ...]
    sessions: tuple[Session, ...]
    habits: tuple[Habit, ...] = ()
    jitter_ms: float = 8.0
    offset_ms: tuple[float, float, float] = (0.0, 0.0, 0.0)
    gracenote_ms: float = 46.0
    gap_ms: float = 66.0
    instrument: Instrument = "practice chanter"
    low_a_hz: float = 236.0
    detune_cents: float = 7.0
    wobble_cents: float = 3.0
    surroundings: Surroundings = field(default_factory=Surroundings)
    codec: str = ".m4a"
    tempo_change: int = 0


PLAYERS: Final[tuple[Player, ...]] = (
    Player(
        "effie", "Effie Brackenshaw", "nearly there; plays pipes in the band hall", 11, ("e", "phrase"),
        (
            Session(19), Session(11, "chain"),
            Session(8, "phrase", answer="In the phrase there is no time to think. I will do bar 1 alone."),
            Session(3, flawless=True),
            Session(1, flawless=True, heard=False),
        ),
        habits=(Habit("beat-on-second", (0.12, 0.06, 0.0)), Habit("crossing-noise", (0.06, 0.04, 0.03), LOW_HAND)),
        jitter_ms=5.0, instrument="pipes", low_a_hz=478.0, wobble_cents=1.5, codec=".webm",
        surroundings=Surroundings(rt60_s=0.5, direct_to_reverb_db=11, snr_db=46, phone_high_hz=12_000),
    ),
    Player(
        "tam", "Tam Thistlewick", "always a little behind the beat", 12, ("e",),
        (
            Session(18, answer="I thought I was with it! Now I tap my foot as well."), Session(10, "f"), Session(4),
            Session(1, heard=False),
        ),
        habits=(Habit("heavy-gracenote", (0.05, 0.05, 0.03)),),
        jitter_ms=9.0, offset_ms=(98.0, 88.0, 78.0), low_a_hz=233.5,
        surroundings=Surroundings(rt60_s=0.25, snr_db=38, colour="hum"),
    ),
    Player(
        "struan", "Struan Puddockstane", "crossing noises when the low hand lifts", 13, ("e",),
        (
            Session(19), Session(12, answer="I did the slow ones every day before school. It comes more often now."),
            Session(5), Session(2, answer="From B it is the hardest. Is my thumb wrong?"), Session(0, heard=False),
        ),
        habits=(
            Habit("crossing-noise", (0.72, 0.55, 0.38), LOW_HAND, 29.0),
            Habit("crossing-noise", (0.06, 0.04, 0.03)),
            Habit("early", (0.06, 0.04, 0.03)),
        ),
        jitter_ms=8.0, low_a_hz=239.0, codec=".mp3",
        surroundings=Surroundings(rt60_s=0.2, snr_db=44, phone_high_hz=8_000),
    ),
    Player(
        "oona", "Oona Larksgarth", "runs the two gracenotes together", 14, ("b",),
        (Session(18), Session(9, "d", stroke="none"), Session(4), Session(2, "d", heard=False, asks=True)),
        habits=(Habit("run-together", (0.62, 0.48, 0.3)), Habit("missing-gracenote", (0.1, 0.06, 0.03))),
        jitter_ms=9.0, gap_ms=58.0, gracenote_ms=40.0, low_a_hz=231.0,
        surroundings=Surroundings(rt60_s=0.35, direct_to_reverb_db=9, snr_db=35),
    ),
    Player(
        "callum", "Callum Nettlecroft", "heavy gracenotes", 15, ("d",),
        (
            Session(17, stroke="tap"), Session(8, "b", stroke="tap"), Session(3, stroke="count-in"), Session(1),
        ),
        habits=(Habit("heavy-gracenote", (0.55, 0.42, 0.28)), Habit("late", (0.06, 0.05, 0.03))),
        jitter_ms=11.0, gracenote_ms=62.0, gap_ms=78.0, low_a_hz=243.0,
        surroundings=Surroundings(rt60_s=0.15, snr_db=42), codec=".webm",
    ),
    Player(
        "isbel", "Isbel Windlestraw", "absolute beginner, slow tempo", 16, ("first",),
        (
            Session(16), Session(10, answer="ok i will be quick with it"), Session(3, spoilt=True), Session(2),
            Session(0, "finger", heard=False, asks=True),
        ),
        habits=(
            Habit("heavy-gracenote", (0.35, 0.28, 0.2)), Habit("wrong-gracenote", (0.15, 0.1, 0.06)),
            Habit("missed", (0.14, 0.08, 0.04)), Habit("late", (0.2, 0.15, 0.1)), Habit("early", (0.1, 0.08, 0.06)),
        ),
        jitter_ms=20.0, gracenote_ms=64.0, low_a_hz=229.0, detune_cents=14.0, wobble_cents=9.0,
        surroundings=Surroundings(rt60_s=0.3, snr_db=33, phone_high_hz=7_500, peak_db=-14),
    ),
)  # fmt: skip
