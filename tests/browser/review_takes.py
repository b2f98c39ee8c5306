"""Run as a program on the data folder that the environment names, after ``outside.py populate``: analysed takes with
sound, for tests and benchmarks of the review room; prints their keys as JSON.

review_takes.py recorded NUMBER     the same recorded take so often, a day apart, the first the newest
review_takes.py long MOVEMENTS      one made take of three minutes with so many movements
"""

# ruff: noqa: E402  (Django is set up before anything of it is imported)

from __future__ import annotations

import io
import json
import sys
from datetime import timedelta
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

import django

django.setup()

import numpy as np
import soundfile
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.utils import timezone

from analysis.judgement import judge, tolerances
from analysis.sound import RATE_HZ, transcode
from studio.exercises.models import Exercise
from studio.people.models import User
from studio.takes.models import Movement, Take
from studio.takes.reports import movement_rows

RECORDED = ROOT / "tests" / "data" / "takes" / "pairs-e-room-907.m4a"
REPORT = ROOT / "tests" / "data" / "golden" / "pairs-e-room-907.json"
LONG_S = 180.0


def store(report: Any, abc: str, flac: bytes, *, days_ago: int = 0) -> str:
    """A ready take of the learner's with this report and sound; its key."""
    judged = judge(report, tolerances())
    when = timezone.now() - timedelta(days=days_ago, minutes=5)
    exercise = Exercise.objects.get()
    take = Take(
        learner=User.objects.get(role="learner"), exercise=exercise, abc=abc, tempo_bpm=60, created_at=when,
        queued_at=when, ready_at=when, state=Take.State.READY, report=judged,
        duration_s=judged["recording"]["duration_s"], movement_count=judged["summary"]["movements"],
        clean_count=judged["summary"]["clean"], original_name="take.flac", original_bytes=len(flac),
    )  # fmt: skip
    take.original.save("original", ContentFile(flac), save=False)
    take.audio = default_storage.save(f"takes/{take.pk}/sound.flac", ContentFile(flac))
    take.save(force_insert=True)
    Movement.objects.bulk_create(movement_rows(take, judged))
    return str(take.pk)


def recorded(number: int) -> list[str]:
    target = Path(default_storage.path("transcoded.flac"))
    transcode(RECORDED, target)
    flac = target.read_bytes()
    target.unlink()
    report = json.loads(REPORT.read_text(encoding="utf-8"))
    abc = RECORDED.with_suffix(".abc").read_text(encoding="utf-8")
    return [store(report, abc, flac, days_ago=days) for days in range(number)]


def long(movements: int) -> list[str]:
    samples = 0.1 * np.sin(2 * np.pi * 236.0 * np.arange(round(LONG_S * RATE_HZ)) / RATE_HZ)
    flac = io.BytesIO()
    soundfile.write(flac, samples.astype(np.float32), RATE_HZ, format="FLAC", subtype="PCM_16")
    bars = " | ".join("A {gef}e A {gef}e" for _ in range(movements // 2))
    abc = f"X:1\nT:Long\nM:4/4\nL:1/4\nQ:1/4=120\nK:HP\n{bars} |]\n"
    return [store(long_report(movements), abc, flac.getvalue())]


def long_report(movements: int) -> dict[str, Any]:
    """Doublings on E from low A, one after the other, every fifth late."""
    slot = LONG_S / (movements + 2)
    report = json.loads(REPORT.read_text(encoding="utf-8"))
    pattern = next(entry for entry in report["movements"] if entry["kind"] == "doubling" and entry["form"] == "full")
    report["recording"]["duration_s"] = LONG_S
    report["beat"] = {**report["beat"], "beats_s": [slot / 2 * beat for beat in range(2 * movements + 4)]}
    report["notes"], report["movements"] = [], []
    for index in range(movements):
        late = 0.09 if index % 5 == 4 else 0.0
        beat = slot * (index + 1.5)
        places = np.array([slot * (index + 1), beat - 0.04, beat, beat + 0.06, beat + 0.1, slot * (index + 2)]) + late
        names = (("low A", "theme"), ("high G", "gracenote"), ("E", "theme"), ("F", "gracenote"), ("E", "theme"))
        for (note, role), start, end in zip(names, places[:-1], places[1:], strict=True):
            report["notes"].append({"start_s": start, "end_s": end, "note": note, "role": role, "confidence": 0.95})
        entry = json.loads(json.dumps(pattern))
        entry.update(
            index=index, written_index=index, on="E", bar=index // 2 + 1, beat=2.0 + 2 * (index % 2), start_s=places[1],
            end_s=places[4], beat_s=beat, beat_offset_ms=1000 * late, gap_ms=60.0, **{"from": "low A"},
        )  # fmt: skip
        entry["measures"].update(first_offset_ms=1000 * late, second_offset_ms=None, beat_length_ms=500 * slot)
        report["movements"].append(entry)
    report.pop("comparison", None)
    return report


if __name__ == "__main__":
    command, count = sys.argv[1:]
    print(json.dumps({"recorded": recorded, "long": long}[command](int(count))))
