"""How well the analysis hears: made takes and the development takes, scored against exact truth, as a table.

    python -m tests.benchmarks.accuracy                    # the development takes and 40 made takes kept for reporting
    python -m tests.benchmarks.accuracy --seeds 0 40       # seeds below 5000 are for tuning, from 5000 on for reporting
    python -m tests.benchmarks.accuracy --noises           # how long a crossing noise has to be to be heard
    python -m tests.benchmarks.accuracy --free --baselines # without the score; beside Praat and pYIN on the same takes

Baselines: a Praat autocorrelation pitch track (parselmouth) and librosa's pYIN, each labelled with the nearest note of
the take's own tuning and cut into notes of at least 15 ms; both are given the true tuning, which the analysis has to
find.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import numpy as np

from analysis.api import analyse
from analysis.chanter import LABELS, Note, hertz
from analysis.score import parse_abc
from analysis.sound import SoundError, read
from tests.benchmarks import made_takes
from tests.benchmarks.scoring import Events, Score, load_truth, match_notes, score

DEVELOPMENT: Final = Path(__file__).parents[1] / "data" / "takes"
REPORTING_SEEDS: Final = (5000, 5040)
TONES: Final = {"ours": "our synthesizer", made_takes.OTHER: "another synthesizer"}


@dataclass(frozen=True)
class Result:
    """One take's score and what was asked about it."""

    name: str
    conditions: dict[str, str]
    score: Score
    heard: str | None
    source: str
    baselines: dict[str, float]


def conditions(made: dict[str, Any]) -> dict[str, str]:
    """The conditions a made take is counted under."""
    return {
        "instrument": made["instrument"],
        "tone": TONES.get(made["tone"], "recorded reeds"),
        "movement": made["drill"].partition(":")[0],
        "room": "dry (under 0.2 s)"
        if made["rt60_s"] < 0.2
        else "room to 0.4 s"
        if made["rt60_s"] < 0.4
        else "room to 0.6 s",
        "noise": "noise 15-22 dB below"
        if made["snr_db"] < 22
        else "noise 22-30 dB below"
        if made["snr_db"] < 30
        else "noise over 30 dB below",
        "recording": "clipped" if made["peak_db"] > 0 else "8 bits" if made["bits"] == 8 else "plain recording",
        "codec": made["codec"],
        "beat": made["beat"],
        "mishap": made["mishap"] or "no mishap",
        "talk": f"talk: {made['talk'] or 'none'}",
        "tempo": f"tempo {'to 60' if made['tempo_bpm'] < 60 else 'to 90' if made['tempo_bpm'] < 90 else 'to 120'}",
    }


def measure(order: tuple[Path, bool, bool]) -> Result:
    """The score of the take whose truth file is given; with or without its written music, with or without baselines."""
    path, free, with_baselines = order
    truth = load_truth(path)
    audio = path.parent / truth["audio"]
    written = parse_abc(path.with_suffix(".abc").read_text())
    made = conditions(truth["made"]) if "made" in truth else {}
    try:
        report: dict[str, Any] = dict(analyse(audio, None if free else written))
    except SoundError as error:
        lost = Score(f1=[0.0], movements=len(truth["moves"]), wrong=[str(error)])
        return Result(truth["name"], made, lost, truth["heard"], "none", {})
    marked = score(report, truth, free=free)
    if report["beat"]["source"] not in ("click", "tap", "count-in"):
        marked.offset_ms = []
    compared = baselines(audio, truth) if with_baselines else {}
    return Result(truth["name"], made, marked, truth["heard"], report["beat"]["source"], compared)


def baselines(audio: Path, truth: dict[str, Any]) -> dict[str, float]:
    """Note F1 of a Praat and a pYIN pitch track with nearest-note labels."""
    import librosa
    import parselmouth

    samples = read(audio).samples
    low_a = truth["low_a"]
    praat = parselmouth.Sound(samples.astype(float), 48_000).to_pitch_ac(
        time_step=0.002, pitch_floor=0.75 * low_a, pitch_ceiling=2.6 * low_a
    )
    slow = librosa.resample(samples, orig_sr=48_000, target_sr=16_000)
    yin, _, _ = librosa.pyin(slow, fmin=0.75 * low_a, fmax=2.6 * low_a, sr=16_000, frame_length=1024, hop_length=32)
    tracks = {
        "Praat": (praat.xs(), praat.selected_array["frequency"]),
        "pYIN": (np.arange(yin.size) * 0.002, np.nan_to_num(yin)),
    }
    true: Events = [(n["start"], n["end"], n["note"]) for n in truth["notes"]]
    result = {}
    for name, (times, hz) in tracks.items():
        heard = _notes(times, hz, low_a)
        result[name] = 2.0 * len(match_notes(heard, true)) / max(1, len(heard) + len(true))
    return result


def _notes(times: np.ndarray, hz: np.ndarray, low_a_hz: float) -> list[tuple[float, float, str]]:
    table = np.log2([hertz(note, low_a_hz) for note in Note])
    sounding = hz > 0
    nearest = np.abs(np.log2(np.where(sounding, hz, 1.0))[:, None] - table[None, :]).argmin(axis=1)
    labels = np.where(sounding, nearest, -1)
    edges = np.concatenate([[0], np.flatnonzero(np.diff(labels)) + 1, [labels.size]])
    return [
        (float(times[a]), float(times[b - 1]), LABELS[labels[a]])
        for a, b in pairwise(edges)
        if labels[a] >= 0 and times[b - 1] - times[a] >= 0.015
    ]


def _rate(right: int, others: int) -> str:
    return f"{right / (right + others):6.1%}" if right + others else "     –"


def row(name: str, results: Iterable[Result]) -> str:
    """One line of the table."""
    chosen = list(results)
    total = Score()
    for result in chosen:
        total.add(result.score)
    right, many, left = total.flags
    noise, extra, lost = total.noises
    off = np.abs(total.offset_ms) if total.offset_ms else np.array([])
    beat = f"{np.median(off):5.1f} {np.percentile(off, 95):5.1f}" if off.size else "    –     –"
    onset = f"{np.median(total.onset_ms):5.2f}" if total.onset_ms else "    –"
    return (
        f"{name:26.26} {len(chosen):3d}  {np.mean(total.f1):.3f} {min(total.f1):.3f}  {onset}  "
        f"{_rate(total.found, total.movements - total.found)}  {_rate(noise, extra)} {_rate(noise, lost)}  "
        f"{_rate(right, many)} {_rate(right, left)}  {beat}"
    )


HEADER: Final = (
    "                               notes F1     onset  moves   noises         flags          beat offset\n"
    "                         takes  mean  worst    ms  found   prec.  recall  prec.  recall  median  95 %"
)


def table(results: list[Result], *, say: Callable[[str], None] = print) -> None:
    """Print the results: the development takes, all made takes, and these by condition."""
    say(HEADER)
    development = [r for r in results if not r.conditions]
    for result in development:
        say(row(result.name, [result]))
    made = [r for r in results if r.conditions]
    if made:
        say(row("all made takes", made))
        for condition in made[0].conditions:
            for value in sorted({r.conditions[condition] for r in made}):
                say(row(f"  {value}", [r for r in made if r.conditions[condition] == value]))
    compared = [r for r in results if r.baselines]
    for name in compared[0].baselines if compared else ():
        say(f"{name + ', note F1':30} mean {np.mean([r.baselines[name] for r in compared]):.3f}")


#: Lengths of crossing noises in ms that takes are made with for their own table.
NOISE_LENGTHS_MS: Final = (8, 12, 16, 20, 28, 40)


def noise_table(seeds: range, folder: Path, *, say: Callable[[str], None] = print) -> None:
    """Print how many crossing noises of each length are heard, how many of those flagged were played, and how well the
    notes of these takes are heard; the same seeds for every length."""
    say("crossing noises            heard of   rate   precision   notes F1")
    for length_ms in NOISE_LENGTHS_MS:
        paths = []
        for seed in seeds:
            made = replace(
                made_takes.drawn(seed), faults=("crossing-noise",), fault_rate=0.5, crossing_ms=float(length_ms)
            )
            path = folder / f"noises-{length_ms}-{seed}.json"
            paths.append(path if path.exists() else made_takes.write(made, folder, path.stem))
        with ProcessPoolExecutor(max_workers=2) as pool:
            results = list(pool.map(measure, [(path, False, False) for path in paths]))
        total = Score()
        for result in results:
            total.add(result.score)
        heard = sum(is_heard for _, is_heard in total.heard_noises)
        right, many, _ = total.noises
        say(
            f"  of {length_ms:2d} ms             {heard:4d} {len(total.heard_noises):4d}  "
            f"{heard / max(1, len(total.heard_noises)):6.1%}     {_rate(right, many)}      {np.mean(total.f1):.3f}"
        )


def main(arguments: list[str] | None = None) -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description="Score the analysis on takes with exact truth.")
    parser.add_argument("--seeds", type=int, nargs=2, default=REPORTING_SEEDS, metavar=("FIRST", "STOP"))
    parser.add_argument("--free", action="store_true", help="without the written music")
    parser.add_argument("--wide", action="store_true", help="takes from the whole range, every movement and mishap")
    parser.add_argument("--another", action="store_true", help="all takes by the other synthesizer")
    parser.add_argument("--baselines", action="store_true", help="beside Praat and pYIN")
    parser.add_argument("--wrong", action="store_true", help="list what was heard wrong")
    parser.add_argument("--noises", action="store_true", help="only crossing noises, by their length")
    parser.add_argument("--folder", type=Path, help="keep the made takes here")
    given = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as temporary:
        folder = given.folder or Path(temporary)
        if given.noises:
            print(f"{date.today()}, seeds {given.seeds[0]} to {given.seeds[1] - 1}")
            noise_table(range(*given.seeds), folder)
            return
        paths = sorted(DEVELOPMENT.glob("*.json"))
        for seed in range(*given.seeds):
            made = made_takes.wide(seed) if given.wide else made_takes.drawn(seed)
            if given.another:
                made = replace(made, tone=made_takes.OTHER)
            name = f"{'another-' if given.another else ''}{'wide' if given.wide else 'take'}-{seed}"
            path = folder / f"{name}.json"
            paths.append(path if path.exists() else made_takes.write(made, folder, name))
            print(f"\rmade {len(paths)} takes", end="", file=sys.stderr, flush=True)
        print(file=sys.stderr)
        with ProcessPoolExecutor(max_workers=2) as pool:
            results = list(pool.map(measure, [(path, given.free, given.baselines) for path in paths]))
    music = "without the written music" if given.free else "with the written music"
    kind = ("wide takes, " if given.wide else "") + ("by the other synthesizer, " if given.another else "")
    print(f"{date.today()}, {kind}seeds {given.seeds[0]} to {given.seeds[1] - 1}, {music}")
    table(results)
    if given.wrong:
        for result in results:
            made = " ".join(result.conditions.values())
            for line in result.score.wrong:
                print(f"{result.name} ({made}; {result.heard} heard as {result.source}): {line}")


if __name__ == "__main__":
    main()
