"""Beats against click tracks whose times are known, scored by mir_eval (Raffel and others, 2014) as an independent
judge."""

import mir_eval
import numpy as np
import pytest

from analysis import api, beat, click_removal, matched_filter, percussion, readings, runs, tuning
from analysis.beat import BeatLine
from analysis.readings import Heard
from analysis.runs import Anchor
from analysis.sound import Sound

RATE = 48_000


def click(rate: int = RATE) -> np.ndarray:
    time = np.arange(int(0.03 * rate)) / rate
    return np.exp(-time / 0.004) * (np.sin(2 * np.pi * 1800 * time) + 0.5 * np.sin(2 * np.pi * 7600 * time))


def tap(rate: int = RATE) -> np.ndarray:
    time = np.arange(int(0.12 * rate)) / rate
    noise = np.random.default_rng(3).normal(size=time.size) * np.exp(-time / 0.003)
    return 1.5 * np.exp(-time / 0.04) * np.sin(2 * np.pi * 95 * time) + 0.4 * noise


def track(times, sound, *, level=0.3, seconds=30.0, noise=0.002, reed_hz=236.0):
    """Strokes over a steady reed-like sound with a little noise."""
    time = np.arange(int(seconds * RATE)) / RATE
    reed = sum(np.sin(2 * np.pi * reed_hz * k * time) / k for k in range(1, 16)) * 0.08
    reed[time < 4.2] = 0
    samples = reed + np.random.default_rng(1).normal(size=time.size) * noise
    for start in times:
        first = round(start * RATE)
        part = samples[first : first + sound.size]
        part += level * sound[: part.size]
    return samples.astype(np.float32)


def heard(samples, tempo_bpm=60.0, playing_s=(4.2, 29.5)):
    found = percussion.strokes(samples, RATE)
    return beat.heard_beat(found, playing_s=playing_s, tempo_bpm=tempo_bpm)


@pytest.mark.parametrize("bpm", [42.0, 60.0, 96.0])
@pytest.mark.parametrize("hint", [True, False])
def test_clicks_under_a_reed_are_found_to_two_milliseconds(bpm, hint):
    times = np.arange(0.5, 29.5, 60.0 / bpm)
    line, _ = heard(track(times, click()), bpm if hint else None)
    assert line.source == "click"
    assert line.tempo_bpm == pytest.approx(bpm, rel=0.002)
    error = [abs(line.nearest(t)[0] - t) for t in times]
    assert max(error) < 0.002
    inside = line.beats_s[(line.beats_s > 0.4) & (line.beats_s < times[-1] + 0.1)]
    assert mir_eval.beat.f_measure(times, inside, f_measure_threshold=0.01) == 1.0


def test_taps_that_scatter_give_the_beat_they_mean():
    grid = np.arange(0.5, 29.5, 1.0)
    taps = grid + np.random.default_rng(5).normal(size=grid.size) * 0.006
    line, _ = heard(track(taps, tap(), level=0.5))
    assert line.source == "tap"
    error = np.array([line.nearest(t)[0] - t for t in grid])
    assert np.median(np.abs(error)) < 0.004


def test_missing_strokes_are_bridged():
    times = np.delete(np.arange(0.5, 29.5, 1.0), [7, 8, 15])
    line, _ = heard(track(times, click()))
    assert line.source == "click"
    assert max(abs(line.nearest(t)[0] - t) for t in np.arange(0.5, 29.5, 1.0)) < 0.003


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_strokes_at_half_or_double_tempo_become_beats(factor):
    times = np.arange(0.5, 29.5, 1.0 / factor)
    line, _ = heard(track(times, click()))
    assert line.tempo_bpm == pytest.approx(60.0, rel=0.01)


def test_a_drifting_beat_is_followed():
    places = np.arange(0, 30)
    times = 0.5 + places - 0.0016 * places**2
    line, _ = heard(track(times, click(), seconds=30), playing_s=(4.2, 28.0))
    assert max(abs(line.nearest(t)[0] - t) for t in times[:-1]) < 0.004
    assert line.drift_bpm_per_min > 5


def test_taps_that_stop_and_go_on_between_two_beats_are_one_beat_in_two_pieces():
    lengths = np.linspace(1.0, 1.05, 18)  # slower and slower, then again from the first tempo
    first = 0.5 + np.concatenate([[0.0], np.cumsum(lengths)])
    again = first[-1] + 3.55 + np.concatenate([[0.0], np.cumsum(lengths[:7])])
    line, strokes = heard(track([*first, *again], tap(), seconds=34.0), playing_s=(4.2, 33.0))
    assert line.source == "tap"
    assert strokes.tolist() == pytest.approx([*first, *again], abs=0.002)
    assert max(abs(line.nearest(time)[0] - time) for time in [*first, *again]) < 0.006
    steps = np.diff(line.beats_s)
    assert steps.min() > 0.5
    assert steps.max() < 1.6


def test_a_count_in_is_carried_on():
    line, _ = heard(track(np.arange(0.5, 4.0, 1.0), click()))
    assert line.source == "count-in"
    assert line.nearest(20.5)[0] == pytest.approx(20.5, abs=0.02)


def test_what_seems_to_be_clicks_is_none_where_it_leaves_the_count_in():
    counted, going_on, chance = np.arange(0.5, 4.0), np.arange(0.5, 29.5), 0.5 + 1.005 * np.arange(29)
    count_in = Heard(BeatLine("count-in", np.arange(0.5, 30.0)), counted, counted)
    for strokes, strays in ((going_on, False), (chance, True)):
        assert api._strays(Heard(BeatLine("click", strokes), strokes, strokes), count_in, (4.2, 29.5)) is strays
    # Nobody taps as evenly as a click.
    assert not api._strays(Heard(BeatLine("tap", chance), chance, chance), count_in, (4.2, 29.5))


@pytest.mark.parametrize(("drift", "by_count_in"), [(0.0, True), (0.0004, True), (0.006, False)])
def test_a_count_in_holds_as_long_as_the_playing_keeps_to_it(drift, by_count_in):
    places = np.arange(24.0)
    played = [Anchor(place, 4.0 + place + drift * place**2, rested=False) for place in places]
    line = BeatLine("count-in", np.arange(0.0, 34.0))
    own = runs.fitted(runs.split(played), until_s=30.0, tempo_bpm=60)
    assert readings._is_played_by(line, own, runs.split(played)) is by_count_in


def test_no_strokes_no_heard_beat():
    assert heard(track([], click())) is None


def test_marks_on_note_changes_are_not_clicks():
    changes = np.arange(5.0, 25.0, 1.0)
    assert beat.echoes_notes(changes + 0.001, changes, (4.5, 26.0))
    assert not beat.echoes_notes(changes + np.linspace(-0.03, 0.03, 20), changes, (4.5, 26.0))
    assert not beat.echoes_notes(np.append(1.0, changes), changes, (4.5, 26.0))


def test_the_fitted_line_ignores_the_faults_it_must_show():
    places = np.arange(0, 24)
    times = 2.0 + places * 1.1 + np.random.default_rng(2).normal(size=24) * 0.006
    times[[5, 11, 17]] += [0.18, -0.21, 0.15]
    line = beat.fitted_beat(places, times, playing_s=(2.0, 28.0), tempo_bpm=54)
    error = [line.at(place + 1.0) - (2.0 + place * 1.1) for place in places]
    assert np.abs(error).max() < 0.012


def test_too_few_notes_fit_no_line():
    assert beat.fitted_beat([0, 1], [0.0, 1.0], playing_s=(0, 1)) is None


def test_place_and_at_are_inverse():
    line = beat.BeatLine("click", np.array([1.0, 2.0, 3.1, 4.0]))
    for place in (-2.0, 0.0, 0.5, 1.7, 3.0, 5.5):
        assert line.place(line.at(place)) == pytest.approx(place)


def test_subtracting_a_click_leaves_the_reed():
    times = np.arange(0.5, 29.5, 1.0)
    dirty, clean = track(times, click()), track([], click())
    found = beat.heard_beat(percussion.strokes(dirty, RATE), playing_s=(4.2, 29.5), tempo_bpm=60)
    numbers = np.array([round(found[0].place(time)) for time in found[1]])
    without, clicks = click_removal.subtract(dirty, RATE, found[1], numbers)
    window = np.concatenate([np.arange(int(t * RATE), int((t + 0.03) * RATE)) for t in times])
    before = np.sum((dirty - clean)[window] ** 2)
    after = np.sum((without - clean)[window] ** 2)
    assert after < 0.1 * before
    exact = np.sort(np.concatenate([kind.times_s for kind in clicks]))
    assert np.abs(exact - times).max() < 0.001


def test_in_near_silence_a_stroke_begins_at_its_onset_and_flutter_is_none():
    quiet = np.random.default_rng(2).normal(size=3 * RATE) * 1e-5
    onset = RATE
    quiet[onset : onset + click().size] += 0.3 * click()
    starts = np.array([RATE // 2, onset - RATE * 20 // 1000, 2 * RATE])
    found = matched_filter._loud_onsets(quiet.astype(np.float32), starts, RATE * 30 // 1000, RATE)
    assert found.tolist() == pytest.approx([onset], abs=RATE // 1000)


def test_strokes_of_which_a_count_in_has_twice_as_many_are_chance():
    beats = np.arange(1.0, 5.0)  # counted in
    under = np.arange(6.0, 30.0, 2.0)  # every second beat, by chance
    alike = percussion.Strokes(np.concatenate([beats, under]), np.full(16, 6.0), np.zeros(16))
    half = Heard(BeatLine("click", np.arange(0.0, 32.0, 2.0)), np.concatenate([beats[1::2], under]), alike.times_s)
    assert api._is_chance(None, alike, half, (5.5, 31.0))


def test_no_stroke_is_two_beats_where_a_break_was_counted_too_long():
    strokes = percussion.Strokes(np.arange(22.0), np.full(22, 6.0), np.zeros(22))
    chain = np.concatenate([np.arange(10), np.arange(12, 22)])  # went over 10 and 11
    numbers = np.concatenate([np.arange(10), 13 + np.arange(10)])  # and took three beats for four
    members, _ = beat._up_to_breaks(strokes, chain, numbers)
    assert members.tolist() == list(range(22))


@pytest.mark.parametrize(
    ("kinds", "noise", "expected"),
    [
        ("abba", 0.01, (1, 2)),  # counted in, in three: two of each kind, the closer ones
        ("abab", 0.01, (0, 2)),
        ("abbb", 0.01, (1, 2, 3)),
        ("abba", 0.4, None),  # not the same: talk
        ("abcd", 0.01, None),
    ],
)
def test_the_strokes_of_a_count_in_that_are_alike(kinds: str, noise: float, expected: tuple[int, ...] | None) -> None:
    random, rate_hz = np.random.default_rng(4), 16_000
    waves = {kind: random.normal(0.0, 1.0, 480) for kind in "abcd"}
    sound = random.normal(0.0, 0.001, 5 * rate_hz)
    starts = np.arange(1, 5) * rate_hz
    for start, kind in zip(starts, kinds, strict=True):
        sound[start : start + 480] += waves[kind] + noise * random.normal(0.0, 1.0, 480)
    wave, places = matched_filter._alike(sound.astype(np.float32), starts, 480, rate_hz)
    assert (wave is None) is (expected is None)
    assert places.tolist() == [int(starts[number]) for number in expected or ()]


# Where the playing begins, and what is counted in


def fitted(*held: tuple[float, float], until_s: float = 40.0) -> tuning.Fit:
    """A chanter whose long frames hold a note from and until so many seconds."""
    times = np.arange(0.0, until_s, tuning.HOP_S)
    labels = np.full(times.size, -1, dtype=np.int8)
    for start, stop in held:
        labels[(times >= start) & (times < stop)] = 3
    hz = tuple(np.linspace(200.0, 480.0, 9))
    return tuning.Fit("practice chanter", 240.0, hz, (True,) * 9, labels, np.full(times.size, 300.0), None)


def test_the_playing_begins_where_notes_go_on_being_held():
    talk = [(0.6, 0.8), (1.7, 1.9), (37.0, 37.2)]
    first, last = api._held_span(fitted(*talk, (8.0, 9.0), (9.2, 20.0), (22.0, 30.0)))
    assert first == pytest.approx(8.0, abs=0.05)
    assert last == pytest.approx(30.0, abs=0.05)


def test_a_short_recording_is_playing_from_its_first_note_on():
    assert api._held_span(fitted((1.0, 1.3), until_s=2.0)) == pytest.approx((1.0, 1.3), abs=0.05)


def test_of_strokes_that_are_alike_the_count_in_is_found_behind_a_better_chain():
    """Chance under the playing makes a chain at half the tempo that takes but two of those counted in."""
    beats = 2.0 + 1.5 * np.arange(3)
    chance = 6.5 + 1.5 * np.array([number for number in range(20) if number % 4])
    times = np.concatenate([beats, chance])
    strength = np.where(times < 6.0, 6.0, 3.0)
    strokes = percussion.Strokes(times, strength, np.zeros(times.size), going_on=0.6)
    counted = beat.heard_beat(strokes, playing_s=(6.4, 38.0), tempo_bpm=40.0, are_alike=True)
    assert counted is not None
    assert counted[0].source == "count-in"
    assert counted[1].tolist() == pytest.approx(beats.tolist())
    assert beat.heard_beat(strokes, playing_s=(6.4, 38.0), tempo_bpm=40.0) is None


def test_a_soft_foot_is_heard_by_its_thump():
    random = np.random.default_rng(8)
    time = np.arange(RATE * 60 // 1000) / RATE
    times = np.arange(0.6, 20.0, 0.9)
    playing = track([], click(), seconds=21.0)
    for at in times:
        start = round(at * RATE)
        thump = np.sin(2 * np.pi * random.uniform(70, 110) * time) * np.exp(-time / 0.025)
        playing[start : start + time.size] += 0.2 * thump.astype(np.float32)
    found = percussion.thumps(playing, RATE)
    away = np.array([found.times_s[np.abs(found.times_s - at).argmin()] - at for at in times])
    assert np.median(np.abs(away)) < 0.004
    by_thump = beat.heard_beat(found, playing_s=(4.2, 20.0), tempo_bpm=60 / 0.9)
    assert by_thump is not None
    assert by_thump[0].source == "tap"
    assert np.abs([by_thump[0].nearest(at)[0] - at for at in times]).max() < 0.005


def test_a_foot_in_silence_is_no_stronger_than_one_may_be():
    """Else those under the playing would seem too weak to go on from it."""
    quiet = 1e-6 * np.random.default_rng(2).standard_normal(12 * RATE).astype(np.float32)
    for at in (4, 8):
        quiet[at * RATE : at * RATE + tap().size] += 0.3 * tap().astype(np.float32)
    assert np.sort(percussion.thumps(quiet, RATE).strength)[-2:].tolist() == [12.0, 12.0]


def test_silence_and_next_to_nothing_hold_no_thumps():
    assert percussion.thumps(np.zeros(RATE, dtype=np.float32), RATE).times_s.size == 0
    assert percussion.thumps(np.zeros(30, dtype=np.float32), RATE).times_s.size == 0


def bursts(alike: bool) -> tuple[Sound, np.ndarray]:
    """Four bursts of noise, a second apart, all the same or each another, in what is nearly silence."""
    random = np.random.default_rng(6)
    waves = random.standard_normal((4, RATE // 25)) * np.exp(-np.arange(RATE // 25) / 400)
    times = np.arange(1.0, 5.0)
    samples = 0.001 * random.standard_normal(7 * RATE)
    for number, at in enumerate(times):
        start = round(at * RATE)
        samples[start : start + waves.shape[1]] += waves[0 if alike else number]
    return Sound(samples.astype(np.float32), RATE, RATE, 7.0, "0" * 64), times


@pytest.mark.parametrize(
    ("alike", "depth", "stands_out"),
    [(True, 0.0, True), (False, 0.0, False), (False, 0.5, True)],
    ids=["clicks", "a voice that counts", "a foot"],
)
def test_what_counts_in_is_alike_or_a_foot(alike, depth, stands_out):
    sound, times = bursts(alike)
    found = percussion.Strokes(times, np.full(4, 6.0), np.full(4, depth))
    counted = Heard(BeatLine("count-in", np.arange(1.0, 9.0)), times, times)
    assert api._stands_out(sound, found, counted, (5.5, 7.0)) is stands_out


def test_a_reflection_is_no_stroke_of_the_count_in():
    rate_hz = 16_000
    random = np.random.default_rng(4)
    sound = random.normal(0.0, 0.001, 5 * rate_hz)
    wave = random.normal(0.0, 1.0, 480)
    starts = np.arange(1, 5) * rate_hz
    echoes = starts + rate_hz * 60 // 1000
    for start in starts:
        sound[start : start + 480] += wave
    for echo in echoes:
        sound[echo : echo + 480] += 0.3 * wave
    _, places = matched_filter._alike(sound.astype(np.float32), np.sort(np.concatenate([starts, echoes])), 480, rate_hz)
    assert places.tolist() == starts.tolist()
