"""What the review page shows of a take: its movements and summary in words, its music, and the timeline's data."""

from __future__ import annotations

from typing import Any, TypedDict, cast

from django.urls import reverse
from django.utils import timezone

from analysis import comparison
from analysis.chanter import LABELS
from analysis.movements import KINDS
from analysis.report import Flag, MovementReport, Report
from analysis.score import ScoreError, parse_abc
from studio.people.models import Studio, User
from studio.review import beat, overruling, services, timeline, wording
from studio.review.compare import offered
from studio.review.services import NoteData
from studio.takes.beats import change_of
from studio.takes.models import Take
from studio.takes.reports import studio_tolerances


class FlagData(TypedDict):
    """A flag with its word."""

    code: str
    word: str


class MovementData(TypedDict):
    """One movement as list, music and timeline show it. `written` is its number in the music, None in free playing."""

    index: int
    written: int | None
    name: str
    bar: int | None
    beat: float | None
    start_s: float | None
    end_s: float | None
    approach: str
    verdict: str
    verdict_word: str
    flags: list[FlagData]
    sentences: list[str]
    # The tutor's word: flags struck, flags of `flags` that only the tutor said, and all of it in sentences. Empty
    # where nobody overruled anything; then `ruled` is False.
    ruled: bool
    struck: list[FlagData]
    added: list[str]
    said: list[str]
    # Where its beat lies, and whether that can be corrected.
    beat_s: float | None
    kind: str
    form: str
    on: str


def report_of(take: Take) -> Report:
    """The stored report of a ready take."""
    return cast(Report, take.report)


def stamp(take: Take) -> str:
    """Another one each time that what the report says was changed."""
    return take.judged_at.isoformat() if take.judged_at else ""


def movements(take: Take, studio: Studio) -> list[MovementData]:
    """Every movement of the take in words."""
    report = report_of(take)
    standard = wording.Standard(report["beat"]["source"], studio_tolerances(studio), report["notes"])
    return [_movement(entry, standard) for entry in report["movements"]]


def _movement(entry: MovementReport, standard: wording.Standard) -> MovementData:
    verdict = wording.verdict(entry)
    flags = [] if verdict == "unsure" else entry["flags"]
    said = overruling.words_on(entry)
    return {
        "index": entry["index"],
        "written": entry.get("written_index", entry["index"] if entry["bar"] is not None else None),
        "name": wording.movement_name(entry),
        "bar": entry["bar"],
        "beat": entry["beat"],
        "start_s": entry["start_s"],
        "end_s": entry["end_s"],
        "approach": entry["from"] or "start",
        "verdict": verdict,
        "verdict_word": wording.VERDICT_WORDS[verdict],
        "flags": _flags(flags),
        "sentences": _sentences(entry, said.added, standard),
        "ruled": "overruled" in entry,
        "struck": _flags(said.struck),
        "added": list(said.added),
        "said": [*said.sentences, *_own_view(entry, said.struck, standard)],
        "beat_s": entry["beat_s"] if entry["beat_offset_ms"] is not None else None,
        "kind": entry["kind"],
        "form": entry["form"],
        "on": entry["on"],
    }


def _flags(flags: list[Flag]) -> list[FlagData]:
    return [{"code": flag, "word": wording.FLAG_WORDS[flag]} for flag in flags]


def _sentences(entry: MovementReport, added: list[Flag], standard: wording.Standard) -> list[str]:
    """What was measured. A flag that only the tutor gave has no measure to be told with it."""
    if not added:
        return wording.sentences(entry, standard)
    measured = entry.copy()
    measured["flags"] = [flag for flag in entry["flags"] if flag not in added]
    told = wording.sentences(measured, standard)
    return told if measured["flags"] else told[1:]  # without "Clean."


def _own_view(entry: MovementReport, struck: list[Flag], standard: wording.Standard) -> list[str]:
    """What the analysis had measured of flags that the tutor struck."""
    measured = entry.copy()
    measured["flags"] = struck
    return [f"Its own view: {sentence}" for sentence in wording.fault_sentences(measured, standard)]


class ChoicesData(TypedDict):
    """What a tutor chooses from to correct a movement: codes with their words."""

    flags: list[FlagData]
    kinds: list[str]
    forms: list[tuple[str, str]]
    notes: list[str]


def overruling_choices() -> ChoicesData:
    """All flags, kinds, forms and notes that there are."""
    return {
        "flags": [{"code": flag, "word": word} for flag, word in wording.FLAG_WORDS.items()],
        "kinds": list(KINDS),
        "forms": [(form, overruling.FORM_WORDS.get(form, form)) for form in overruling.FORMS],
        "notes": list(LABELS),
    }


def summary(take: Take) -> dict[str, Any]:
    """The take's counts, beat and tuning in words, the rows by the note approached from, and what is compared."""
    report = report_of(take)
    counts = report["summary"]["by_approach"]
    rows = [
        {
            "approach": note,
            "clean": counts[note]["clean"],
            "movements": counts[note]["movements"],
            "flags": [
                f"{wording.FLAG_WORDS[flag]} {number}"
                for flag, number in sorted(counts[note]["flags"].items())
                if flag in wording.FLAG_WORDS
            ],
        }
        for note in (*LABELS, "start")
        if note in counts
    ]
    tempo = report["beat"]["tempo_bpm"]
    return {
        "clean": report["summary"]["clean"],
        "movements": report["summary"]["movements"],
        "words": wording.summary_words(report),
        "beat": beat.words(take, change_of(take)),
        "tempo": None if tempo is None else round(tempo),
        "by_approach": rows,
        **_compared(report),
        "instrument": report["instrument"]["kind"],
        "low_a_hz": report["instrument"]["low_a_hz"],
    }


def _compared(report: Report) -> dict[str, Any]:
    """Doublings beside single gracenotes, and cut notes by the note they are."""
    found = comparison.of(report)
    cuts: dict[str, list[str]] = {note: [] for note in found["dot_cuts_by_approach"]}
    for cut in found["dot_cuts"]:
        cuts[cut["note"]].append(wording.cut_words(cut))
    on = {pair["on"] for pair in found["pairs"]}
    return {
        "pairs_on": on.pop() if len(on) == 1 else "",
        "pairs": [
            {
                "on": pair["on"],
                "approach": pair["from"],
                "single_ms": round(pair["single_length_ms"]),
                "doubling_ms": round(pair["doubling_length_ms"]),
                "words": wording.pair_words(pair),
            }
            for pair in found["pairs"]
        ],
        "cuts": [{"approach": note, "words": words} for note, words in cuts.items()],
        "cuts_written": wording.written_cut_words(found["dot_cuts"]),
    }


def timeline_data(take: Take, reader: User) -> dict[str, Any]:
    """All that the timeline needs beside what the page itself brings, in one answer."""
    report = report_of(take)
    return {
        "figure": timeline.figure(report, services.notes_of(take, reader)),
        "duration_s": report["recording"]["duration_s"],
        "beats_s": [round(beat_s, 4) for beat_s in report["beat"]["beats_s"]],
    }


def addresses(take: Take, reader: User) -> dict[str, Any]:
    """The addresses that the page and its scripts use, and what the link to the learner's plan says."""
    found: dict[str, Any] = {
        "timeline_url": reverse("review:timeline", args=[take.pk]),
        "notes_url": reverse("review:notes", args=[take.pk]),
        "read_url": reverse("review:read", args=[take.pk]),
        "sound_url": reverse("takes:sound", args=[take.pk]),
        "annotations_url": reverse("review:annotations", args=[take.pk]),
        "clip_url": reverse("review:clip", args=[take.pk]),
        "sounds_url": reverse("review:sounds", args=[take.pk, 0]),
        "loudness_url": reverse("review:loudness", args=[take.pk]),
        "pitch_url": reverse("review:pitch", args=[take.pk]),
    }
    if offered(take, reader).exists():
        found["compare_url"] = reverse("review:compare", args=[take.pk])
    if _can_be_drawn(take.abc):
        found["music_url"] = reverse("review:music", args=[take.pk])
        found["lines_url"] = reverse("review:music-lines", args=[take.pk])
    if reader.is_tutor:
        found["beat"] = beat.choices(take, change_of(take))
        found["record_url"] = reverse("review:record", args=[take.pk])
        found["phrases_url"] = reverse("review:phrases")
        found["ruling_url"] = reverse("review:ruling", args=[take.pk, 0])
        # Plans are studio.week's, reached by name: they build on reviews.
        coming = take.learner.plans.filter(starts_on__gt=timezone.localdate()).order_by("starts_on").first()
        starts = f"&starts={coming.starts_on.isoformat()}" if coming else ""
        found["plan_url"] = f"{reverse('week:plan', args=[take.learner_id])}?take={take.pk}{starts}"
        found["plan_words"] = "Change next week" if coming else "Set next week"
    return found


def _can_be_drawn(abc: str) -> bool:
    """False for free playing, and for music that a later reader of ABC refuses."""
    try:
        return bool(abc) and bool(parse_abc(abc).themes)
    except ScoreError:
        return False


def threads(notes: list[NoteData]) -> list[dict[str, Any]]:
    """Notes with their answers under them, in the order written."""
    answers: dict[str, list[NoteData]] = {}
    for note in notes:
        if note["answer_to"]:
            answers.setdefault(note["answer_to"], []).append(note)
    return [{"note": note, "answers": answers.get(note["id"], [])} for note in notes if not note["answer_to"]]
