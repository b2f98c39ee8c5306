"""Write made takes with their exact truth: audio, ABC and JSON, for tuning and for measuring the analysis.

    python -m tests.benchmarks.made_takes FOLDER --count 20 --seed 1

Every choice that is not given is drawn from the seed: the drill, the tempo, the instrument, its tuning and its tone,
the room, the noise, the microphone, the codec, what of the beat is heard, and which faults are played. The JSON holds
`notes` (start, end, note, role), `moves` (item, kind, on, frm, beat_s, onset_s, offset_ms, gap_ms, grace_ms, crossing,
faults), `beats`, and under `made` every choice. Times count from the first decoded sample.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict, dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any, Final, get_args

import numpy as np

from analysis import rooms
from analysis.chanter import ABC_LETTERS, Note, table_cents
from analysis.families import CUT_SHARES, from_short_notes, single_then_full
from analysis.faults import Fault, possible
from analysis.model_player import Manner, Performance, PlayedMovement, Stroke, Voice, perform, strokes
from analysis.movements import KINDS, SPELLINGS, Form, Kind, spelling
from analysis.report import Flag
from analysis.score import Score, parse_abc, to_abc
from analysis.tone import Floats, add_drones, sound, splice
from tests.benchmarks import mishaps, other_tone, sound_font

RATE_HZ: Final = 48_000
BEATS: Final = ("click", "tap", "count-in", "none")
#: How long somebody talks before and after the playing.
TALK_S: Final = 2.5
#: F and high G may lie as close as this.
_LEAST_F_TO_HIGH_G_CENTS: Final = 70.0
#: The tone that :mod:`tests.benchmarks.other_tone` makes.
OTHER: Final = "another"
FAMILIES: Final = ("single-then-full", "from-short-notes")
CODECS: Final = (".m4a", ".webm", ".mp3", ".wav", ".flac")
HELP: Final = {
    "drill": "a movement and the ABC letter of its note, such as doubling:e or gracenote:B",
    "abc": "music to play instead of a drill",
    "fault_rate": "the share of movements with a fault",
    "faults": "flag codes to draw faults from; none given: any",
    "crossing_ms": "the length of every crossing noise in ms; 0: drawn from a believable range",
}
#: How the truth files shorten the flag codes.
SHORT_FAULTS: Final[dict[Flag, str]] = {
    "crossing-noise": "crossing",
    "heavy-gracenote": "heavy",
    "missing-gracenote": "missing",
    "wrong-gracenote": "wrong",
}


@dataclass(frozen=True)
class Made:
    """How one take is made. `fault_rate` is the share of movements with a fault, drawn from `faults` (empty: any)."""

    seed: int = 0
    drill: str = "doubling:e"
    family: str = "single-then-full"
    abc: str = ""
    tempo_bpm: float = 60.0
    low_a_hz: float = 236.0
    instrument: str = "practice chanter"
    tone: str = "ours"
    tuning: str = "harmonic"
    detune_cents: float = 8.0
    wobble_cents: float = 4.0
    rt60_s: float = 0.3
    direct_to_reverb_db: float = 8.0
    snr_db: float = 40.0
    colour: str = "pink"
    phone: bool = True
    peak_db: float = -6.0
    codec: str = ".m4a"
    beat: str = "click"
    beat_level: float = 0.4
    jitter_ms: float = 8.0
    drift_bpm_per_min: float = 0.0
    gracenote_ms: float = 45.0
    gap_ms: float = 65.0
    fault_rate: float = 0.35
    faults: tuple[str, ...] = ()
    crossing_ms: float = 0.0
    lead_s: float = 0.5
    drones: bool = True
    f_to_high_g_cents: float = 0.0
    mishap: str = ""
    talk: str = ""
    dips_db: float = 0.0
    bits: int = 16
    bit_rate: int = 0
    form: str = ""


def drawn(seed: int) -> Made:
    """A varied take for `seed`: mostly what learners send, now and then something harder."""
    random = np.random.default_rng([seed, 41])

    def one(*choices: Any, p: tuple[float, ...] | None = None) -> Any:
        return choices[int(random.choice(len(choices), p=p))]

    pipes = random.random() < 0.2
    beat = one(*BEATS, p=(0.4, 0.2, 0.2, 0.2))
    recorded = random.random() < 0.7
    return Made(
        seed=seed,
        drill=_possible(one("doubling", "gracenote", p=(0.8, 0.2)), one(*"GABcdefga")),
        family=one(*FAMILIES, p=(0.65, 0.35)),
        tempo_bpm=float(random.integers(48, 76)),
        low_a_hz=float(random.uniform(466, 486) if pipes else random.uniform(228, 246)),
        instrument="pipes" if pipes else "practice chanter",
        tone=one(*sound_font.PROGRAMS) if recorded else "ours",
        tuning=one("harmonic", "older"),
        detune_cents=float(random.uniform(0, 18)),
        wobble_cents=float(random.uniform(1, 8)),
        rt60_s=float(random.uniform(0, 0.6)),
        direct_to_reverb_db=float(random.uniform(3, 14)),
        snr_db=float(random.uniform(22, 55)),
        colour=one("white", "pink", "hum"),
        phone=bool(random.random() < 0.8),
        peak_db=float(random.uniform(-24, -1)),
        codec=one(*CODECS),
        beat=beat,
        beat_level=float(random.uniform(0.15, 0.7)),
        jitter_ms=float(random.uniform(2, 14)),
        drift_bpm_per_min=float(random.normal(0, 2)) if beat == "none" else 0.0,
        gracenote_ms=float(random.uniform(36, 58)),
        gap_ms=float(random.uniform(48, 90)),
        fault_rate=float(random.uniform(0.1, 0.6)),
        lead_s=float(random.uniform(0.3, 2.0)),
    )


def wide(seed: int) -> Made:
    """A take from the whole range that the analysis is made for, every movement, every mishap: harder than most."""
    random = np.random.default_rng([seed, 59])

    def one(*choices: Any, p: tuple[float, ...] | None = None) -> Any:
        return choices[int(random.choice(len(choices), p=p))]

    def now_and_then(share: float, value: Any, otherwise: Any) -> Any:
        return value if random.random() < share else otherwise

    kind = one(*(entry for entry in KINDS if any(s.kind == entry for s in SPELLINGS)))
    spelt = sorted({entry.on for entry in SPELLINGS if entry.kind == kind})
    pipes = random.random() < 0.3
    beat = one(*BEATS, p=(0.35, 0.25, 0.2, 0.2))
    tempo = float(np.exp(random.uniform(np.log(40), np.log(120))))
    codec, bit_rate = one((".m4a", 64_000), (".webm", 24_000), (".mp3", 96_000), (".wav", 0), (".flac", 0))
    clipped = random.random() < 0.15
    family = one(*FAMILIES, p=(0.65, 0.35))
    # Long movements need their time: nobody plays a crunluath after a short note at 120.
    if kind in ("crunluath", "taorluath", "birl", "grip", "throw on D", "tachum"):
        tempo = min(tempo, 84.0 if family == "single-then-full" else 60.0)
    return Made(
        seed=seed,
        drill=f"{kind}:{ABC_LETTERS[one(*spelt)]}",
        form=one("", "heavy", "with-gracenote") if kind in ("throw on D", "birl") else "",
        family=family,
        tempo_bpm=tempo,
        low_a_hz=float(random.uniform(440, 500) if pipes else random.uniform(215, 260)),
        instrument="pipes" if pipes else "practice chanter",
        drones=bool(random.random() < 0.7),
        tone=one(*sound_font.PROGRAMS) if random.random() < 0.7 else "ours",
        tuning=one("harmonic", "older"),
        detune_cents=float(random.uniform(0, 22)),
        f_to_high_g_cents=now_and_then(0.15, float(random.uniform(70, 100)), 0.0),
        wobble_cents=now_and_then(0.2, float(random.uniform(10, 15)), float(random.uniform(1, 8))),
        rt60_s=float(random.uniform(0, 0.6)),
        direct_to_reverb_db=float(random.uniform(3, 14)),
        snr_db=now_and_then(0.25, float(random.uniform(15, 22)), float(random.uniform(22, 55))),
        colour=one("white", "pink", "hum"),
        phone=bool(random.random() < 0.8),
        peak_db=3.0 if clipped else float(random.uniform(-24, -1)),
        codec=codec,
        bit_rate=bit_rate,
        bits=8 if codec == ".wav" and random.random() < 0.3 else 16,
        beat=beat,
        beat_level=float(random.uniform(0.15, 0.8)),
        jitter_ms=float(random.uniform(2, 14)),
        drift_bpm_per_min=now_and_then(0.4, 0.15 * tempo, 0.0) * one(-1, 1) if beat in ("none", "tap") else 0.0,
        gracenote_ms=float(random.uniform(35, 58)),
        gap_ms=float(random.uniform(45, 90)),
        fault_rate=float(random.uniform(0.1, 0.6)),
        lead_s=float(random.uniform(0.3, 2.0)),
        mishap=one(*mishaps.MISHAPS, p=(0.5, 0.1, 0.1, 0.1, 0.1, 0.1)),
        talk=now_and_then(0.25, "counting" if beat == "none" else "around", ""),
        dips_db=now_and_then(0.2, float(random.uniform(4, 10)), 0.0),
    )


def _possible(kind: str, letter: str) -> str:
    """A drill that can be played: no gracenote stands on high A."""
    return f"{kind}:{'g' if (kind, letter) == ('gracenote', 'a') else letter}"


def written(made: Made) -> Score:
    """The music of a take: the ABC given, or a drill of a family from all approaches that it can be played from."""
    if made.abc:
        return parse_abc(made.abc)
    name, _, letter = made.drill.partition(":")
    kind: Kind = next(kind for kind in get_args(Kind) if kind == name)
    on = Note.from_abc(letter)
    approaches = [note for note in Note if note != on and spelling(kind, on, note)]
    form = next(
        (f for f in get_args(Form) if f == made.form and any(spelling(kind, on, a, form=f) for a in approaches)), None
    )
    if made.family == "single-then-full":
        return single_then_full(kind, on, approaches, form=form or None, tempo_bpm=made.tempo_bpm)
    cut = CUT_SHARES[int(np.random.default_rng([made.seed, 43]).integers(1, 3))]
    return from_short_notes(kind, on, approaches, cut_share=cut, form=form or None, tempo_bpm=made.tempo_bpm)


def played(made: Made, score: Score) -> Performance:
    """The performance, with its faults."""
    random = np.random.default_rng([made.seed, 47])
    faults: dict[int, str | Fault] = {}
    for movement in score.movements:
        choices = [code for code in possible(movement) if not made.faults or code in made.faults]
        if score.themes[max(0, movement.theme - 1)].duration < Fraction(1, 2) and "early" in choices:
            choices.remove("early")  # there is no room before a short note's end to be early as a whole
        if choices and random.random() < made.fault_rate:
            faults[movement.index] = choices[int(random.integers(len(choices)))]
    manner = Manner(
        tempo_bpm=made.tempo_bpm,
        count_in=0 if made.beat == "none" and made.talk != "counting" else 4,
        clicks=made.beat in ("click", "tap"),
        gracenote_ms=made.gracenote_ms,
        gap_ms=made.gap_ms,
        jitter_ms=made.jitter_ms,
        drift_bpm_per_min=made.drift_bpm_per_min,
        lead_s=made.lead_s,
        tail_s=0.9,
        seed=made.seed,
    )
    if made.crossing_ms:
        given = Fault("crossing-noise", amount_ms=made.crossing_ms)
        faults = {index: given if code == given.code else code for index, code in faults.items()}
    performance = perform(score, manner, faults=faults)
    if made.beat == "none":
        performance = replace(performance, strokes_s=())
    performance = mishaps.befall(performance, next(m for m in mishaps.MISHAPS if m == made.mishap), random)
    if made.talk == "around":
        performance = mishaps.later(performance, TALK_S)
        return replace(performance, duration_s=performance.duration_s + TALK_S)
    return performance


def sounded(made: Made, performance: Performance) -> Floats:
    """The take as a microphone in its room hears it, at :data:`RATE_HZ`."""
    random = np.random.default_rng([made.seed, 53])
    detune = random.normal(0, made.detune_cents, 9)
    apart = table_cents(tuning="older" if made.tuning == "older" else "harmonic")
    step = apart[Note.HIGH_G] - apart[Note.F]
    if made.f_to_high_g_cents:
        detune[Note.HIGH_G] = detune[Note.F] + made.f_to_high_g_cents - step
    detune[Note.HIGH_G] = max(detune[Note.HIGH_G], detune[Note.F] + _LEAST_F_TO_HIGH_G_CENTS - step)
    voice = Voice(
        instrument="pipes" if made.instrument == "pipes" else "practice chanter",
        low_a_hz=made.low_a_hz,
        tuning="older" if made.tuning == "older" else "harmonic",
        detune_cents=tuple(float(np.clip(value, -50, 50)) for value in detune),
        wobble_cents=made.wobble_cents,
        seed=made.seed,
    )
    if made.tone in ("ours", OTHER):
        make = sound if made.tone == "ours" else other_tone.sound
        samples = make(performance.notes, voice, duration_s=performance.duration_s, rate_hz=RATE_HZ, drones=made.drones)
    else:
        source = sound_font.source(made.tone, voice, seed=made.seed)
        samples = splice(performance.notes, source, duration_s=performance.duration_s, rate_hz=RATE_HZ)
        if voice.instrument == "pipes" and made.drones:
            add_drones(samples, voice, performance.notes, RATE_HZ)
    if made.dips_db:
        samples = mishaps.dips(samples, RATE_HZ, depth_db=made.dips_db, seed=made.seed)
    samples += made.beat_level * _beats_sounded(made, performance)
    if made.talk == "counting":
        mishaps.count(samples, RATE_HZ, counted(performance), level=0.12, seed=made.seed)
    elif made.talk:
        spans = [(0.2, TALK_S), (mishaps.last_sound_s(performance.notes) + 0.4, performance.duration_s)]
        mishaps.talk(samples, RATE_HZ, spans, level=0.1, seed=made.seed)
    surroundings = rooms.Surroundings(
        rt60_s=made.rt60_s,
        direct_to_reverb_db=made.direct_to_reverb_db,
        snr_db=made.snr_db,
        colour=next(name for name in get_args(rooms.Colour) if name == made.colour),
        phone_high_hz=float(random.uniform(6000, 14000)) if made.phone else None,
        peak_db=made.peak_db,
    )
    recorded = rooms.record(samples, RATE_HZ, surroundings, seed=made.seed)
    return mishaps.eight_bits(recorded) if made.bits == 8 else recorded


def _beats_sounded(made: Made, performance: Performance) -> Floats:
    """The clicks or taps of a take, peak about 1."""
    kind: Stroke = "tap" if made.beat == "tap" else "click"
    times, first, duration = performance.strokes_s, performance.first_beats_s, performance.duration_s
    if made.tone == OTHER:
        return other_tone.strokes(times, first, duration_s=duration, rate_hz=RATE_HZ, kind=kind, seed=made.seed)
    return strokes(times, first, duration_s=duration, rate_hz=RATE_HZ, kind=kind)


def counted(performance: Performance) -> list[float]:
    """The four beats before the playing that a voice counts."""
    beat = 60.0 / performance.tempo_bpm
    return [performance.beats_s[0] - number * beat for number in (4, 3, 2, 1)]


def truth(name: str, made: Made, performance: Performance) -> dict[str, Any]:
    """The take's truth, as its JSON file holds it."""
    return {
        "name": name,
        "seed": made.seed,
        "audio": f"{name}{made.codec}",
        "abc": f"{name}.abc",
        "bpm": performance.tempo_bpm,
        "heard": None if made.beat == "none" else made.beat,
        "low_a": made.low_a_hz,
        "beats": list(performance.beats_s),
        "duration": performance.duration_s,
        "notes": [
            {"start": note.start_s, "end": note.end_s, "note": note.note.label, "role": note.role}
            for note in performance.notes
        ],
        "moves": [_move(movement) for movement in performance.movements],
        "made": asdict(made),
    }


def _move(movement: PlayedMovement) -> dict[str, Any]:
    return {
        "item": movement.theme,
        "index": movement.index,
        "kind": f"{movement.kind}/{movement.form}" if movement.form else movement.kind,
        "on": movement.on.label,
        "frm": movement.approach.label if movement.approach is not None else None,
        "beat_s": movement.beat_s,
        "onset_s": movement.start_s,
        "offset_ms": movement.offset_ms,
        "gap_ms": movement.gap_ms,
        "grace_ms": [[note.label, length] for note, length in movement.parts],
        "crossing": [[start, length, note.label] for start, length, note in movement.crossing],
        "faults": [SHORT_FAULTS.get(fault, fault) for fault in movement.faults],
    }


def write(made: Made, folder: Path, name: str) -> Path:
    """Write the take `name` into `folder`; gives the JSON file's path."""
    folder.mkdir(parents=True, exist_ok=True)
    score = written(made)
    performance = played(made, score)
    rooms.encode(sounded(made, performance), RATE_HZ, folder / f"{name}{made.codec}", bit_rate=made.bit_rate or None)
    (folder / f"{name}.abc").write_text(to_abc(score))
    path = folder / f"{name}.json"
    path.write_text(json.dumps(truth(name, made, performance), indent=1))
    return path


def main(arguments: list[str] | None = None) -> None:
    """The command line; every option of :class:`Made` overrides what the seed would draw."""
    parser = argparse.ArgumentParser(description="Write made takes with their exact truth.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int, default=1, help="how many takes, with seeds counted up from --seed")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--plain", action="store_true", help="start from plain settings instead of drawn ones")
    choices: dict[str, Any] = {
        "family": FAMILIES, "beat": BEATS, "codec": CODECS, "tone": ("ours", OTHER, *sound_font.PROGRAMS),
        "instrument": ("practice chanter", "pipes"), "colour": get_args(rooms.Colour), "tuning": ("harmonic", "older"),
    }  # fmt: skip
    for name, value in asdict(Made()).items():
        if name == "seed":
            continue
        flag = "--" + name.replace("_", "-")
        if isinstance(value, bool):
            parser.add_argument(flag, action=argparse.BooleanOptionalAction)
        elif isinstance(value, tuple):
            parser.add_argument(flag, nargs="*")
        else:
            parser.add_argument(flag, type=type(value), choices=choices.get(name), help=HELP.get(name))
    given = vars(parser.parse_args(arguments))
    fixed = {
        name: value for name, value in given.items() if name in asdict(Made()) and name != "seed" and value is not None
    }
    if "faults" in fixed:
        fixed["faults"] = tuple(fixed["faults"])
    for seed in range(given["seed"], given["seed"] + given["count"]):
        made = replace(Made(seed=seed) if given["plain"] else drawn(seed), **fixed)
        name = f"{made.drill.replace(':', '-').replace(' ', '-')}-{made.tone.replace(' ', '-')}-{seed}"
        print(write(made, given["folder"], name), file=sys.stderr)


if __name__ == "__main__":
    main()
