"""The report's types: the one thing that the screens, the tests and the exports read. Its JSON Schema stands beside
this file.

Beyond the fixed keys a report carries what a later judgement needs (`measures` in each movement), so that a change of
tolerance never decodes audio again, and what is compared across the take (`comparison`, `steadiness`, cents from both
tables, offsets by approach). Reports stored before a key was added lack it: such keys are `NotRequired`.
"""

from __future__ import annotations

from typing import Final, Literal, NotRequired, TypedDict

from analysis.movements import Form, Kind

SCHEMA: Final = 1

BeatSource = Literal["click", "tap", "count-in", "fitted"]
Role = Literal["theme", "gracenote", "crossing", "unwritten"]
Flag = Literal[
    "late", "early", "beat-on-second", "run-together", "missing-gracenote", "wrong-gracenote", "heavy-gracenote",
    "crossing-noise", "uneven", "missed",
]  # fmt: skip
FLAGS: Final[tuple[Flag, ...]] = (
    "late", "early", "beat-on-second", "run-together", "missing-gracenote", "wrong-gracenote", "heavy-gracenote",
    "crossing-noise", "uneven", "missed",
)  # fmt: skip


class Recording(TypedDict):
    duration_s: float
    sample_rate_hz: int
    sha256: str


class NoteTuning(TypedDict):
    """A held note. `cents` from the chosen table, `older_cents` and `harmonic_cents` from each of the published two."""

    hz: float
    cents: float
    wobble_cents: float | None
    older_cents: NotRequired[float]
    harmonic_cents: NotRequired[float]


class Steadiness(TypedDict):
    """How far the pitch of held notes wavers, in cents: over the take, and of the note that wavers most."""

    wobble_cents: float
    worst: str
    worst_cents: float


class Instrument(TypedDict):
    kind: Literal["practice chanter", "pipes"]
    low_a_hz: float
    notes: dict[str, NoteTuning]
    steadiness: NotRequired[Steadiness | None]


class Beat(TypedDict):
    source: BeatSource
    tempo_bpm: float | None
    drift_bpm_per_min: float | None
    beats_s: list[float]


class SoundedNote(TypedDict):
    start_s: float
    end_s: float
    note: str
    role: Role
    confidence: float


class ShortNote(TypedDict):
    note: str
    start_s: float
    length_ms: float


class Measures(TypedDict):
    """What judgement reads beside the fixed keys. `written`: the gracenotes as written; `aligned`: for each of them the
    sounded note's name, start and length, or None where nothing sounded; `parts_ms`: lengths of the parts of a
    movement that must be even; `second_offset_ms`: the second gracenote's close against the beat; `noises`: every
    unwritten sound, however short; `played`: whether the movement is there at all."""

    written: list[str]
    aligned: list[ShortNote | None]
    parts_ms: list[float]
    first_offset_ms: float | None
    second_offset_ms: float | None
    beat_length_ms: float | None
    noises: list[ShortNote]
    played: bool
    beat_point: str


class Overruled(TypedDict):
    """What the analysis itself says of a movement that a tutor spoke about; its other keys hold the tutor's word."""

    kind: Kind
    form: Form
    on: str
    beat_s: float | None
    beat_offset_ms: float | None
    first_offset_ms: float | None
    second_offset_ms: float | None
    flags: list[Flag]
    confidence: float


MovementReport = TypedDict(
    "MovementReport",
    {
        "index": int,
        # Which movement of the score it is: the same one may be played twice. None in free playing.
        "written_index": NotRequired[int | None],
        "kind": Kind,
        "form": Form,
        "on": str,
        "from": str | None,
        "bar": int | None,
        "beat": float | None,
        "start_s": float | None,
        "end_s": float | None,
        "beat_s": float | None,
        "beat_offset_ms": float | None,
        "gap_ms": float | None,
        "gracenotes": list[ShortNote],
        "crossing_noises": list[ShortNote],
        "flags": list[Flag],
        "confidence": float,
        "measures": NotRequired[Measures],
        "overruled": NotRequired[Overruled],
    },
)


Pair = TypedDict(
    "Pair",
    {
        # A single gracenote and the first gracenote of a doubling on the same note from the same approach; `single` and
        # `doubling` are indices of movements. Offsets are where that gracenote meets the beat (as doublings of this
        # take are measured), None where no beat is known. Differences: the doubling's less the single's.
        "on": str,
        "from": str,
        "gracenote": str,
        "single": int,
        "doubling": int,
        "single_length_ms": float,
        "doubling_length_ms": float,
        "length_difference_ms": float,
        "single_offset_ms": float | None,
        "doubling_offset_ms": float | None,
        "offset_difference_ms": float | None,
    },
)


class DotCut(TypedDict):
    """The short theme note of a dot-cut figure, as it sounded before the movement of index `movement`.

    `share`: its length as a share of the beat, None where no beat is known; `written_share`: as it is written, None in
    free playing, where a short note after a long one is taken for one.
    """

    movement: int
    note: str
    start_s: float
    length_ms: float
    share: float | None
    written_share: float | None


class DotCutSummary(TypedDict):
    notes: int
    length_median_ms: float
    share_median: float | None


class Comparison(TypedDict):
    """What is read across movements: pairs in the order of their doublings, cut notes in the order played."""

    pairs: list[Pair]
    dot_cuts: list[DotCut]
    dot_cuts_by_approach: dict[str, DotCutSummary]


class ApproachSummary(TypedDict):
    movements: int
    clean: int
    flags: dict[str, int]
    offset_median_ms: NotRequired[float | None]
    offset_spread_ms: NotRequired[float | None]


class Summary(TypedDict):
    movements: int
    clean: int
    offset_median_ms: float | None
    offset_spread_ms: float | None
    by_approach: dict[str, ApproachSummary]


class Report(TypedDict):
    schema: int
    recording: Recording
    instrument: Instrument
    beat: Beat
    notes: list[SoundedNote]
    movements: list[MovementReport]
    summary: Summary
    comparison: NotRequired[Comparison]
