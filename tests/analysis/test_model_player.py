"""The synthesizer against independent ears, and performances against their own truth."""

from __future__ import annotations

import time
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import librosa
import numpy as np
import parselmouth
import pytest

from analysis import tone
from analysis.chanter import Note, Tuning, cents
from analysis.faults import Fault, possible
from analysis.model_player import Manner, Performance, PlayedNote, Voice, perform, render
from analysis.report import FLAGS
from analysis.score import Score, parse_abc
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
