"""The synthesizer against independent ears, and performances against their own truth."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import librosa
import numpy as np
import parselmouth
import pytest

from analysis import tone
from analysis.api import Options, analyse_sound
from analysis.chanter import Note, Tuning, cents
from analysis.faults import Fault, possible
from analysis.judgement import Level, Tolerances, tolerances
from analysis.model_player import (
    Manner,
    Performance,
    PlayedMovement,
    PlayedNote,
    Voice,
    loop,
    model_manner,
    perform,
    render,
    stretched,
)
from analysis.report import FLAGS, Flag
from analysis.score import Score, parse_abc
from analysis.sound import Sound
from analysis.tone import Instrument

DATA = Path(__file__).parent.parent / "data"

# S1/S2 of the published tunings: E. Macpherson, "Hear various Highland bagpipe chanter tunings", 1998. Typed from the
# table, on purpose apart from analysis.chanter.
PUBLISHED = {
    "older": (8 / 9, 1, 9 / 8, 5 / 4, 27 / 20, 3 / 2, 5 / 3, 9 / 5, 2),
    "harmonic": (7 / 8, 1, 9 / 8, 5 / 4, 4 / 3, 3 / 2, 5 / 3, 7 / 4, 2),
}


def scale() -> Score:
    return parse_abc("M:9/4\nL:1/4\nQ:1/4=60\nK:HP\nGABcdefga |]")


def drill() -> Score:
    return parse_abc((DATA / "sample_report.abc").read_text())


def middles(notes: Sequence[PlayedNote]) -> list[tuple[Note, float, float]]:
    return [(note.note, note.start_s + 0.2, note.end_s - 0.2) for note in notes]


@pytest.mark.parametrize("tuning", ["older", "harmonic"])
@pytest.mark.parametrize(("instrument", "low_a_hz"), [("practice chanter", 236.0), ("pipes", 476.0)])
def test_praat_hears_the_published_ratios(
    tuning: Tuning, instrument: Instrument, low_a_hz: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Praat's autocorrelation pitch of each note is within 4 cents of the published ratio. The drones are left out."""
    monkeypatch.setattr(tone, "DRONE_LEVEL", 0.0)
    rendering = render(scale(), voice=Voice(instrument, low_a_hz, tuning))
    sound = parselmouth.Sound(rendering.samples.astype(float), sampling_frequency=rendering.rate_hz)
    pitch = sound.to_pitch_ac(time_step=0.01, pitch_floor=150, pitch_ceiling=1200)
    for (note, start, end), ratio in zip(middles(rendering.notes), PUBLISHED[tuning], strict=True):
        values = [pitch.get_value_at_time(t) for t in np.arange(start, end, 0.02)]
        assert abs(cents(float(np.nanmedian(values)), ratio * low_a_hz)) < 4, note.label


def test_pyin_hears_the_same_pitches() -> None:
    rendering = render(scale(), low_a_hz=236.0)
    samples = librosa.resample(rendering.samples, orig_sr=rendering.rate_hz, target_sr=16_000)
    found, _, _ = librosa.pyin(samples, fmin=150, fmax=700, sr=16_000, frame_length=2048, resolution=0.05)
    times = librosa.times_like(found, sr=16_000, hop_length=512)
    for (note, start, end), ratio in zip(middles(rendering.notes), PUBLISHED["harmonic"], strict=True):
        values = found[(times > start) & (times < end)]
        assert abs(cents(float(np.nanmedian(values)), ratio * 236.0)) < 6, note.label


def test_detuned_notes_sound_where_they_are_put() -> None:
    detune = (0.0, 0.0, 35.0, 0.0, 0.0, -30.0, 0.0, 0.0, 0.0)
    rendering = render(scale(), voice=Voice(detune_cents=detune))
    sound = parselmouth.Sound(rendering.samples.astype(float), sampling_frequency=rendering.rate_hz)
    pitch = sound.to_pitch_ac(time_step=0.01, pitch_floor=150, pitch_ceiling=700)
    for (note, start, end), ratio, expected in zip(
        middles(rendering.notes), PUBLISHED["harmonic"], detune, strict=True
    ):
        heard = float(np.nanmedian([pitch.get_value_at_time(t) for t in np.arange(start, end, 0.02)]))
        assert cents(heard, ratio * 236.0) == pytest.approx(expected, abs=4), note.label


def test_pipes_have_drones_one_and_two_octaves_below_low_a() -> None:
    rendering = render(parse_abc("M:4/4\nL:1/1\nQ:1/4=60\nK:HP\ne2"), instrument="pipes")
    samples = rendering.samples[rendering.rate_hz : 7 * rendering.rate_hz]
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(samples.size)))
    frequencies = np.fft.rfftfreq(samples.size, 1 / rendering.rate_hz)
    floor = np.median(spectrum[frequencies < 1000])
    for drone in (476 / 4, 476 / 2):
        assert spectrum[np.abs(frequencies - drone) < 2].max() > 300 * floor


def test_no_dynamics_and_no_silence_between_notes() -> None:
    rendering = render(drill())
    rate = rendering.rate_hz
    start, end = rendering.notes[0].start_s + 0.05, rendering.notes[-1].end_s - 0.05
    playing = rendering.samples[round(start * rate) : round(end * rate)]
    frames = playing[: playing.size // 960 * 960].reshape(-1, 960)  # 20 ms
    loudness = np.sqrt(np.mean(frames**2, axis=1))
    assert loudness.min() > 0.6 * np.median(loudness)
    assert loudness.max() < 1.5 * np.median(loudness)
    assert np.abs(rendering.samples).max() < 1


def test_note_changes_do_not_click() -> None:
    """No sample-to-sample jump is larger where notes change than inside them."""
    rendering = render(parse_abc("M:4/4\nL:1/4\nQ:1/4=60\nK:HP\nGgAa|BfcE".replace("E", "e")))
    jumps = np.abs(np.diff(rendering.samples, 2))
    change = np.zeros(jumps.size, dtype=bool)
    for note in rendering.notes[1:]:
        place = round(note.start_s * rendering.rate_hz)
        change[place - 100 : place + 100] = True
    assert jumps[change].max() <= 1.05 * jumps[~change].max()


@pytest.mark.parametrize("instrument", ["practice chanter", "pipes"])
def test_a_minute_is_rendered_in_under_two_seconds(instrument: Instrument) -> None:
    score = parse_abc("M:4/4\nL:1/4\nQ:1/4=60\nK:HP\n" + "A {g}e A {gef}e | " * 15)
    started = time.perf_counter()
    rendering = render(score, instrument=instrument, count_in=4, clicks=True)
    assert rendering.samples.size > 60 * rendering.rate_hz
    assert time.perf_counter() - started < 2.0


def test_the_same_seed_gives_the_same_take() -> None:
    manner = Manner(jitter_ms=12, seed=3)
    first, second = perform(drill(), manner, faults={2: "late"}), perform(drill(), manner, faults={2: "late"})
    assert first == second
    assert first != perform(drill(), Manner(jitter_ms=12, seed=4), faults={2: "late"})
    assert np.array_equal(render(drill(), performance=first).samples, render(drill(), performance=second).samples)


def test_clicks_sound_on_every_beat_and_a_count_in_before() -> None:
    performance = perform(drill(), Manner(count_in=4, clicks=True))
    assert len(performance.strokes_s) == 4 + 32
    assert performance.beats_s[0] == pytest.approx(0.4 + 4.0)
    assert np.allclose(np.diff(performance.strokes_s), 1.0)
    silent, clicked = render(drill(), performance=perform(drill())), render(drill(), performance=performance)
    first = round(performance.strokes_s[0] * clicked.rate_hz)
    assert np.abs(clicked.samples[first : first + 480]).max() > 0.3
    assert np.abs(clicked.samples[: first - 1]).max() == 0
    assert silent.performance.strokes_s == ()


def test_where_the_beat_falls() -> None:
    abc = "M:4/4\nL:1/4\nQ:1/4=60\nK:HP\nA {gef}e a {ef}e | c {GdGe}A e {gf}g | e {ag}a A {Gdc}d |]"
    played = perform(parse_abc(abc), Manner(gracenote_ms=50, gap_ms=70)).movements
    starts = [round((movement.start_s - movement.beat_s) * 1000) for movement in played]
    assert starts == [-50, 0, -200, 0, 0, 0]
    assert [movement.offset_ms for movement in played] == pytest.approx([0] * 6, abs=1e-6)
    opening = perform(parse_abc(abc), Manner(beat_points={"doubling": "opens", "throw on D": "theme"})).movements
    assert [round((movement.start_s - movement.beat_s) * 1000) for movement in opening] == [0, 0, -180, 0, 0, -135]


def test_a_doubling_on_high_g_from_high_g_closes_its_f_on_the_beat() -> None:
    """The high G that it is written with sounds already."""
    score = parse_abc("M:4/4\nL:1/4\nQ:1/4=90\nK:HP\ng {gf}g A {gf}g | g {gf}g A {gf}g |]")
    take = perform(score, Manner(gracenote_ms=45, count_in=4, clicks=True))
    assert [round((movement.start_s - movement.beat_s) * 1000) for movement in take.movements] == [-45, 0] * 2
    made = render(score, performance=take)
    sound = Sound(made.samples, made.rate_hz, made.rate_hz, made.samples.size / made.rate_hz, "")
    assert [movement["flags"] for movement in analyse_sound(sound, score)["movements"]] == [[]] * 4


def test_a_throw_may_meet_the_beat_with_its_d_gracenote() -> None:
    """As it is also taught; from low G, and in the heavy throw, it is another sound of the movement."""
    score = parse_abc("M:4/4\nL:1/4\nQ:1/4=60\nK:HP\nA {Gdc}d G {dc}d | B {GdGc}d2 A |]")
    points = {"throw on D": "d-gracenote"}
    take = perform(score, Manner(gracenote_ms=50, count_in=4, clicks=True, beat_points=points))
    assert [round((movement.start_s - movement.beat_s) * 1000) for movement in take.movements] == [-50, 0, -50]
    made = render(score, performance=take)
    sound = Sound(made.samples, made.rate_hz, made.rate_hz, made.samples.size / made.rate_hz, "")
    heard = analyse_sound(sound, score, options=Options(beat_points=points))["movements"]
    assert [movement["flags"] for movement in heard] == [[], [], []]
    assert [movement["beat_offset_ms"] for movement in heard] == pytest.approx([0, 0, 0], abs=8)


def test_tempo_drift() -> None:
    performance = perform(drill(), Manner(drift_bpm_per_min=12))
    lengths = np.diff(performance.beats_s)
    assert 60 / lengths[0] == pytest.approx(60.1, abs=0.1)
    minutes = (performance.beats_s[-1] - performance.beats_s[0]) / 60
    assert 60 / lengths[-1] - 60 / lengths[0] == pytest.approx(12 * minutes, rel=0.05)


def consistent(performance: Performance) -> None:
    """What the truth says of each movement is what its notes show."""
    notes = performance.notes
    for before, after in pairwise(notes):
        assert before.start_s < before.end_s <= after.start_s
        assert before.note != after.note or before.end_s < after.start_s
    for movement in performance.movements:
        for start, length, note in movement.crossing:
            assert any(n.start_s == start and n.note == note and n.role == "crossing" for n in notes)
            assert length > 0
        time_s = movement.start_s
        for note, length in movement.parts:
            sounding = [n for n in notes if n.start_s - 1e-9 <= time_s + 1e-6 < n.end_s]
            if not movement.crossing:
                assert sounding, movement
                assert sounding[0].note == note
            time_s += length / 1000


@pytest.mark.parametrize("code", FLAGS)
def test_every_fault_is_what_it_says(code: str) -> None:
    score = parse_abc("M:4/4\nL:1/4\nQ:1/4=60\nK:HP\nA {gef}e B {GdG}e |]") if code == "uneven" else drill()
    index = next(movement.index for movement in score.movements if code in possible(movement))
    if code != "uneven":
        index = 3  # a doubling on E from low A
    clean, faulty = perform(score), perform(score, faults={index: code})
    was, now = clean.movements[index], faulty.movements[index]
    assert now.faults == (code,)
    assert [m for m in faulty.movements if m.index != index] == [m for m in clean.movements if m.index != index]
    consistent(faulty)
    lengths = [length for _, length in now.parts]
    if code in ("late", "early"):
        assert now.offset_ms is not None
        assert (now.offset_ms > 0) == (code == "late")
        # A doubling that is early is so as a whole, its second gracenote too; else the beat would be on the second.
        assert (60 < now.offset_ms < 200) if code == "late" else (-300 < now.offset_ms < -170)
    elif code == "beat-on-second":
        assert now.offset_ms == pytest.approx(-110)
    elif code == "run-together":
        assert now.gap_ms is None or now.gap_ms < 20
    elif code == "missing-gracenote":
        assert now.parts == was.parts[:1]
    elif code == "wrong-gracenote":
        assert [a != b for (a, _), (b, _) in zip(now.parts, was.parts, strict=True)].count(True) == 1
    elif code == "heavy-gracenote":
        assert max(lengths) > 100
    elif code == "crossing-noise":
        assert len(now.crossing) == 1
        assert 10 < now.crossing[0][1] < 40
    elif code == "uneven":
        assert max(lengths) > 2 * min(lengths)
    elif code == "missed":
        assert now.parts == ()
        assert now.offset_ms is None


@pytest.mark.parametrize("place", ["before", "inside", "after"])
def test_a_crossing_noise_of_a_given_note_length_and_place(place: str) -> None:
    fault = Fault("crossing-noise", amount_ms=25, note=Note.B, place=place)  # type: ignore[arg-type]
    played = perform(drill(), faults={3: fault})
    ((start, length, note),) = played.movements[3].crossing
    assert (note, length) == (Note.B, pytest.approx(25))
    assert played.movements[3].offset_ms == pytest.approx(0, abs=1e-6)
    beat = played.movements[3].beat_s
    assert start - beat == pytest.approx({"before": -0.070, "inside": 0.0, "after": 0.110}[place])


@pytest.mark.parametrize("seed", range(20))
def test_any_mixture_keeps_its_truth(seed: int) -> None:
    score = drill()
    random = np.random.default_rng(seed)
    faults = {
        m.index: possible(m)[int(random.integers(len(possible(m))))] for m in score.movements if random.random() < 0.6
    }
    consistent(perform(score, Manner(jitter_ms=15, seed=seed, tempo_bpm=90), faults=faults))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("faults", "said"),
    [
        ({99: "late"}, "no movement 99"),
        ({0: "dull"}, "'dull' is no fault"),
        ({0: "run-together"}, "cannot be 'run-together'"),
        ({3: Fault("crossing-noise", note=Note.LOW_A, place="before")}, "cannot be heard"),
    ],
)
def test_impossible_faults(faults: dict, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        perform(drill(), faults=faults)


def test_music_that_is_too_long_or_empty() -> None:
    with pytest.raises(ValueError, match="15 minutes"):
        render(parse_abc("M:4/4\nL:1/1\nQ:1/4=20\nK:HP\n" + "A4 | " * 80))
    with pytest.raises(ValueError, match="no notes"):
        perform(Score("", (4, 4), scale().beat_unit, None, ()))


def test_of_two_equal_gracenotes_the_last_is_the_one_that_is_missing() -> None:
    score = parse_abc("M:4/4\nL:1/4\nQ:1/4=60\nK:HP\nA {gfg}f c {GdG}A |]")
    played = perform(score, faults={0: "missing-gracenote", 1: "missing-gracenote"}).movements
    assert [[note.label for note, _ in movement.parts] for movement in played] == [["high G"], ["low G", "D"]]


def test_what_is_wrong_is_never_the_note_beside_it() -> None:
    score = parse_abc("M:4/4\nL:1/4\nQ:1/4=60\nK:HP\nc {GdG}A c {GdG}A |]")
    for seed in range(20):
        for movement in perform(
            score, Manner(seed=seed), faults={0: "wrong-gracenote", 1: "wrong-gracenote"}
        ).movements:
            notes = [Note.C, *(note for note, _ in movement.parts), movement.on]
            assert all(before != after for before, after in pairwise(notes)), seed


def test_a_throw_of_which_nothing_would_be_left_cannot_lack_a_gracenote() -> None:
    light, heavy = parse_abc("M:4/4\nL:1/4\nQ:1/4=60\nK:HP\nG {dc}d G {dGc}d |]").movements
    assert "missing-gracenote" not in possible(light)
    assert "missing-gracenote" in possible(heavy)


def test_a_movement_before_its_beat_takes_less_time_where_there_is_little() -> None:
    score = parse_abc("M:4/4\nL:1/4\nQ:1/4=85\nK:HP\nA3/4c/4 {GdGe}A e3/4c/4 {GdGe}A |]")
    quick = perform(score)
    assert quick.crowded == frozenset()
    assert quick.movements[0].offset_ms == pytest.approx(0, abs=1e-6)
    assert max(length for _, length in quick.movements[0].parts) < 45
    impossible = perform(score, Manner(tempo_bpm=200))
    assert impossible.crowded == {0, 1}
    assert impossible.movements[0].offset_ms is not None
    assert impossible.movements[0].offset_ms > 0


@pytest.mark.parametrize("level", ["gentle", "standard", "strict"])
@pytest.mark.parametrize("code", FLAGS)
def test_faults_on_purpose_are_faults_at_the_level_and_nothing_else(level: Level, code: Flag) -> None:
    """By the truth of the performance, without hearing anything."""
    abc = "A {GdG}e B {GdG}e" if code == "uneven" else "A {gef}e B {gef}e"
    score, limits = parse_abc(f"M:4/4\nL:1/4\nQ:1/4=60\nK:HP\n{abc} |]"), tolerances(level)
    for seed in range(12):
        manner = model_manner(level, seed=seed)
        clean, faulty = perform(score, manner, faults={1: code}).movements
        assert truly(clean, limits) == set()
        assert code in ("missing-gracenote", "wrong-gracenote", "missed") or truly(faulty, limits) == {code}, seed


def truly(movement: PlayedMovement, limits: Tolerances) -> set[str]:
    """The flags that the truth of a movement at 60 beats a minute comes to, as far as times tell."""
    found: set[str] = set()
    lengths = [length for note, length in movement.parts if note != movement.on]
    if movement.offset_ms is not None and abs(movement.offset_ms) > limits.offset_ms(1000):
        second = movement.offset_ms + sum(length for _, length in movement.parts[1:3])
        on_second = movement.kind == "doubling" and abs(second) <= limits.offset_ms(1000)
        found.add("late" if movement.offset_ms > 0 else "beat-on-second" if on_second else "early")
    if movement.kind == "doubling" and (movement.gap_ms or 0) < limits.gap_ms:
        found.add("run-together")
    if max(lengths, default=0) > limits.gracenote_ms:
        found.add("heavy-gracenote")
    if any(length >= limits.crossing_noise_ms for _, length, _ in movement.crossing):
        found.add("crossing-noise")
    if movement.kind == "grip" and max(lengths) > limits.unevenness * min(lengths):
        found.add("uneven")
    return found


def test_everything_is_slower_in_a_stretched_performance() -> None:
    played = perform(drill(), Manner(count_in=4, clicks=True), faults={3: Fault("crossing-noise", amount_ms=25)})
    slow = stretched(played, 2.0)
    assert slow.duration_s == 2 * played.duration_s
    assert [n.note for n in slow.notes] == [n.note for n in played.notes]
    assert slow.notes[5].end_s - slow.notes[5].start_s == pytest.approx(
        2 * (played.notes[5].end_s - played.notes[5].start_s)
    )
    assert slow.movements[3].crossing[0][1] == pytest.approx(50)
    assert slow.tempo_bpm == 30
    consistent(slow)


@pytest.mark.parametrize("instrument", ["practice chanter", "pipes"])
@pytest.mark.parametrize("start", ["A", "{g}A"])
def test_a_loop_has_no_seam(instrument: Instrument, start: str) -> None:
    """It is exactly its beats long, and where it begins again nothing clicks and nothing falls silent."""
    score = parse_abc(f"M:4/4\nL:1/4\nQ:1/4=96\nK:HP\n{start} {{gef}}e c {{gcd}}c |]")
    made = loop(perform(score, model_manner("standard")), voice=Voice(instrument))
    size = made.samples.size
    assert size == round(4 * 60 / 96 * made.rate_hz)
    twice = np.concatenate([made.samples, made.samples])
    jumps = np.abs(np.diff(twice, 2))
    assert jumps[size - 200 : size + 200].max() <= 1.1 * jumps[200 : size - 200].max()
    frames = np.sqrt(np.mean(twice[size - 4800 : size + 4800].reshape(-1, 480) ** 2, axis=1))
    assert frames.min() > 0.6 * np.median(frames)


def test_a_loop_clicks_on_its_beats_and_leaves_the_count_in_out() -> None:
    score = parse_abc("M:4/4\nL:1/4\nQ:1/4=60\nK:HP\n{g}A {g}e c {d}c |]")
    performance = perform(score, model_manner("standard", count_in=4, clicks=True))
    silent = loop(replace(performance, strokes_s=()), voice=Voice())
    clicks = np.abs(loop(performance, voice=Voice()).samples - silent.samples)
    first = performance.beats_s[0] - performance.notes[0].start_s
    starts = [round((first + beat) * 48_000) for beat in range(4)]
    for start in starts:
        assert clicks[start : start + 500].max() > 0.3
        clicks[start : start + 2000] = 0
    assert clicks.max() < 0.01
