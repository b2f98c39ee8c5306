"""Which beat: clicks or taps heard through the take, a count-in carried on, or a tempo line fitted to the notes.

The chain of strokes is followed from one to the next with a running estimate of the beat's length, so that it survives
missing strokes and a drifting tempo; the beats reported are a smooth line through the strokes. A foot scatters by
several milliseconds about the beat its owner means: the line is the beat, not the single tap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from analysis import smoothing
from analysis.percussion import Strokes
from analysis.report import BeatSource

SLOWEST_BPM: Final = 30.0
FASTEST_BPM: Final = 150.0
_MOST_MISSING: Final = 3
#: A step from beat to beat that differs from those around it by this share is one over a stop.
_STOP_STEP: Final = 0.03
_INTERVAL_SPREAD: Final = 0.035
#: Fingers are less even than clicks.
_NOTE_SPREAD: Final = 0.05
#: A note is at least this part of an ordinary one in telling where the beats are, however short.
_SHORTEST_COUNTS: Final = 0.2
_A_NOTE: Final = 3.0
#: A stroke within this share of a beat of where the next one is due goes on from the last.
_GOES_ON: Final = 0.05
_LEAST_COVERAGE: Final = 0.7
#: A foot has more than this share of its energy below 180 Hz.
TAP_DEPTH: Final = 0.25
#: Fewer strokes than this, none of them before the playing, are chance: notes that begin alike at even times.
_FEWEST_UNDER_PLAYING: Final = 7
#: A foot scatters by half of this; a chain of chance by twice as much.
_MOST_SCATTER_S: Final = 0.010
#: Over how many beats a line is smooth: feet scatter more than clicks.
_TAP_REACH: Final = 6.0
_CLICK_REACH: Final = 3.0
_MOST_COUNT_SCATTER_S: Final = 0.007


@dataclass(frozen=True)
class BeatLine:
    """Beats as a smooth line: `beats_s` (n,) from before the first sound to after the last, one entry a beat."""

    source: BeatSource
    beats_s: NDArray[np.float64]

    @property
    def tempo_bpm(self) -> float:
        """The mean tempo in beats a minute, stops left out."""
        steps = np.diff(self.beats_s)
        return float(60.0 / steps[_no_stops(steps)].mean())

    @property
    def drift_bpm_per_min(self) -> float:
        """The slope of the tempo over the take."""
        if self.beats_s.size < 6:
            return 0.0
        steps = np.diff(self.beats_s)
        going = _no_stops(steps)
        middles = 0.5 * (self.beats_s[1:] + self.beats_s[:-1])
        return float(np.polyfit(middles[going] / 60.0, 60.0 / steps[going], 1)[0])

    def nearest(self, time_s: float) -> tuple[float, float]:
        """The beat nearest to `time_s` and the beat's length there, in seconds; the line is carried on beyond its
        ends."""
        place = round(self.place(time_s))
        return self.at(place), self.length_s(min(max(place, 0), self.beats_s.size - 1))

    def length_s(self, index: int) -> float:
        """The beat's length in seconds around beat `index`."""
        low, high = max(0, index - 1), min(self.beats_s.size - 1, index + 1)
        return float((self.beats_s[high] - self.beats_s[low]) / (high - low))

    def at(self, place: float) -> float:
        """The time of a place counted in beats from the line's first beat, carried on beyond both ends."""
        whole = np.arange(self.beats_s.size)
        if place <= 0:
            return float(self.beats_s[0] + place * (self.beats_s[1] - self.beats_s[0]))
        if place >= whole[-1]:
            return float(self.beats_s[-1] + (place - whole[-1]) * (self.beats_s[-1] - self.beats_s[-2]))
        return float(np.interp(place, whole, self.beats_s))

    def place(self, time_s: float) -> float:
        """The place of `time_s` in beats from the line's first beat: the inverse of :meth:`at`."""
        if time_s <= self.beats_s[0]:
            return float((time_s - self.beats_s[0]) / (self.beats_s[1] - self.beats_s[0]))
        if time_s >= self.beats_s[-1]:
            return float(self.beats_s.size - 1 + (time_s - self.beats_s[-1]) / (self.beats_s[-1] - self.beats_s[-2]))
        return float(np.interp(time_s, self.beats_s, np.arange(self.beats_s.size)))


def _no_stops(steps_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which steps (n,) from beat to beat are a beat long, as their neighbours are: over a stop one is not."""
    usual = scipy.ndimage.median_filter(steps_s, 5, mode="nearest")
    return np.asarray(np.abs(steps_s / usual - 1.0) < _STOP_STEP)


@dataclass(frozen=True)
class _Chain:
    members: list[int]
    numbers: list[int]
    score: float


def _follow(found: Strokes, period_s: float, spread: float = _INTERVAL_SPREAD) -> _Chain:
    """The best chain of strokes about `period_s` apart, give or take a `spread` of it: stroke indices and their beat
    numbers."""
    times, strength = found.times_s, np.minimum(found.strength, 6.0)
    count = times.size
    score = strength.copy()
    period = np.full(count, period_s)
    back = np.full(count, -1)
    steps = np.zeros(count, dtype=int)
    for here in range(count):
        first = int(np.searchsorted(times, times[here] - period_s * (_MOST_MISSING + 1.5)))
        for there in range(first, here):
            gap = times[here] - times[there]
            beats = round(gap / period[there])
            if not 1 <= beats <= _MOST_MISSING + 1:
                continue
            off = (gap / beats - period[there]) / (spread * period[there])
            if abs(off) > 3.5 or abs(gap / beats / period_s - 1.0) > 0.16:
                continue
            gained = score[there] + strength[here] - 0.6 * off * off - 2.5 * (beats - 1)
            if gained > score[here]:
                score[here], back[here], steps[here] = gained, there, beats
                period[here] = 0.7 * period[there] + 0.3 * gap / beats
    if count == 0:
        return _Chain([], [], 0.0)
    member = int(np.argmax(score))
    best = float(score[member])
    members, gaps = [member], []
    while back[member] >= 0:
        gaps.append(int(steps[member]))
        member = int(back[member])
        members.append(member)
    members.reverse()
    numbers = np.concatenate([[0], np.cumsum(gaps[::-1])]).astype(int).tolist()
    return _Chain(members, numbers, best)


def _periods(tempo_bpm: float | None) -> NDArray[np.float64]:
    if tempo_bpm is not None:
        return 60.0 / (tempo_bpm * np.array([1.0, 0.92, 1.08, 0.5, 2.0]))
    return np.asarray(60.0 / np.geomspace(36.0, 144.0, 36))


def heard_beat(
    found: Strokes, *, playing_s: tuple[float, float], tempo_bpm: float | None = None, are_alike: bool = False
) -> tuple[BeatLine, NDArray[np.float64]] | None:
    """The beat of clicks, taps or a count-in, and the strokes that make it (n,); None where there is none.

    `playing_s` is when the chanter starts and stops, `tempo_bpm` the written tempo; strokes at half or double that
    tempo are accepted and turned into beats. If the strokes `are_alike`, what is counted in need not be the best of all
    that they may make: talk is not among them.
    """
    if found.times_s.size < 3:
        return None
    chains: list[tuple[float, _Chain]] = []
    for period_s in _periods(tempo_bpm):
        chain = _follow(found, float(period_s))
        if len(chain.members) < 3:
            continue
        spread = chain.numbers[-1] + 1
        coverage = len(chain.members) / spread
        if coverage >= _LEAST_COVERAGE:
            chains.append((chain.score * coverage, chain))
    chains.sort(key=lambda entry: -entry[0])
    for number, (_, chain) in enumerate(chains):
        heard = _accept(found, chain, playing_s=playing_s, tempo_bpm=tempo_bpm)
        if heard is not None and (number == 0 or heard[0].source == "count-in"):
            return heard
        if not are_alike:
            return None
    return None


def _accept(
    found: Strokes, chain: _Chain, *, playing_s: tuple[float, float], tempo_bpm: float | None
) -> tuple[BeatLine, NDArray[np.float64]] | None:
    """The chain as a beat line, if it stands out from the other strokes and lasts."""
    members, numbers = _up_to_breaks(found, np.array(chain.members), np.array(chain.numbers))
    times = found.times_s[members]
    chosen = float(np.median(found.strength[members]))
    start_s, end_s = playing_s
    during = int(np.sum((times >= start_s - 0.02) & (times <= end_s)))
    period_s = (times[-1] - times[0]) / numbers[-1]
    expected = max(1.0, (end_s - start_s) / period_s)
    before = int(np.sum(times < start_s - 0.02))
    playing = (times >= start_s - 0.02) & (times <= end_s)
    # Clicks that go on are as strong under the playing as before it; what a count-in is carried on by is chance.
    going_on = not before or (
        during > 0
        and np.median(found.strength[members[playing]]) >= found.going_on * np.median(found.strength[members[~playing]])
    )
    through = (
        during / expected >= 0.5
        and chosen >= 2.0
        and members.size >= (4 if before >= 2 else _FEWEST_UNDER_PLAYING)
        and going_on
        and smoothing.scatter_s(times, numbers) < _MOST_SCATTER_S
    )
    source: BeatSource
    if through:
        # Strokes that sound alone show best what they are; under the playing a thump is a small part of the whole.
        alone = times < start_s - 0.05
        depth = float(np.median(found.depth[members[alone] if alone.any() else members]))
        source = "tap" if depth > TAP_DEPTH else "click"
    elif before >= 3:
        keep = times < start_s + 0.5 * period_s
        times, numbers = times[keep], numbers[keep]
        if np.median(found.strength[members[keep]]) < 2.0 or not _like_a_metronome(times, numbers):
            return None
        source = "count-in"
    else:
        return None
    rate = _per_beat(60.0 / period_s, tempo_bpm)
    known_s = rate * 60.0 / tempo_bpm if tempo_bpm is not None and source == "count-in" else None
    from_s = min(start_s, times[0])
    if source == "count-in":
        line = smoothing.straight(times, numbers, from_s=from_s, until_s=end_s, known_s=known_s)
    else:
        reach = _TAP_REACH if source == "tap" else _CLICK_REACH
        line = smoothing.smooth(times, numbers, reach, from_s=from_s, until_s=end_s)
    return BeatLine(source, _subdivide(line, rate)), times


def _up_to_breaks(
    found: Strokes, members: NDArray[np.int64], numbers: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """`members` and `numbers` (k,) of a chain with the strokes that go on into its breaks from both sides: the chain
    takes the way of whole beats, and leaves them out."""
    pieces = smoothing.pieces(found.times_s[members], numbers)
    ways = [(piece.stop - 1, piece.stop, 1) for piece in pieces[:-1]] + [(p.start, p.start - 1, -1) for p in pieces[1:]]
    more: dict[int, int] = {}
    for edge, beyond, step in ways:
        times = found.times_s[members]
        beat_s = abs(times[edge] - times[edge - 2 * step]) / abs(numbers[edge] - numbers[edge - 2 * step])
        time, number = float(times[edge]), int(numbers[edge]) + step
        while number != numbers[beyond] and number not in more:
            near = int(np.argmin(np.abs(found.times_s - (time + step * beat_s))))
            late_s = abs(float(found.times_s[near]) - (time + step * beat_s))
            if late_s > _GOES_ON * beat_s or near in members or near in more.values():
                break
            more[number], time, number = near, float(found.times_s[near]), number + step
    every = {**more, **dict(zip(numbers.tolist(), members.tolist(), strict=True))}
    order = sorted(every)
    return np.array([every[number] for number in order]), np.array(order)


def _like_a_metronome(times: NDArray[np.float64], numbers: NDArray[np.int64]) -> bool:
    """Whether the strokes of a count-in lie as evenly as clicks or taps do: a voice that counts does not."""
    off = np.abs(times - np.polyval(np.polyfit(numbers, times, 1), numbers))
    return bool(np.median(off) < _MOST_COUNT_SCATTER_S and off.max() < 2.5 * _MOST_COUNT_SCATTER_S)


def _per_beat(strokes_bpm: float, tempo_bpm: float | None) -> float:
    """How many written beats pass from stroke to stroke: 1, 2 (strokes at half tempo) or 0.5."""
    if tempo_bpm is None:
        return 1.0
    return min((0.5, 1.0, 2.0), key=lambda rate: abs(np.log(strokes_bpm * rate / tempo_bpm)))


def _subdivide(beats_s: NDArray[np.float64], rate: float) -> NDArray[np.float64]:
    if rate == 1.0:
        return beats_s
    whole = np.arange(beats_s.size, dtype=float)
    places = np.arange(0.0, whole[-1] + 1e-9, 1.0 / rate)
    return np.interp(places, whole, beats_s)


def fitted_beat(
    places: Sequence[float], times_s: Sequence[float], *, playing_s: tuple[float, float], tempo_bpm: float | None = None
) -> BeatLine | None:
    """A smooth tempo line through notes that should fall on `places` (in beats) and sounded at `times_s`.

    None for fewer than three notes.
    """
    x, y = np.asarray(places, dtype=float), np.asarray(times_s, dtype=float)
    if x.size < 3 or np.ptp(x) <= 0:
        return None
    slope = _typical_slope(x, y, tempo_bpm)
    curve = fitted_line(x, y, slope)
    first = np.floor(x.min()) - 1
    last = max(np.ceil(x.max()), np.ceil(x.max() + (playing_s[1] - y.max()) / slope)) + 1
    return BeatLine("fitted", np.asarray(np.polyval(curve, np.arange(first, last + 1)), dtype=np.float64))


def fitted_line(x: NDArray[np.float64], y: NDArray[np.float64], slope: float) -> NDArray[np.float64]:
    """A polynomial from places `x` in beats to times `y` in seconds, about `slope` seconds a beat, highest power first.

    Robust: a note far off the line counts for nothing, so that the faults the line must show do not bend it.
    """
    curve = np.array([slope, float(np.median(y - slope * x))])
    straight = curve
    degree = 2 if np.ptp(x) >= 12 and x.size >= 10 else 1
    for scale in (0.30, 0.15, 0.08, 0.04, 0.03, 0.03):
        off = y - np.polyval(curve, x)
        weight = 1.0 / (1.0 + (off / (scale * slope)) ** 2) ** 2
        if np.sum(weight > 0.25) < 3:
            break
        curve = np.polyfit(x, y, degree if scale < 0.1 else 1, w=np.sqrt(weight) + 1e-6)
    steps = np.diff(np.polyval(curve, np.arange(np.floor(x.min()) - 1, np.ceil(x.max()) + 2)))
    return straight if np.any(steps <= 0.2 * slope) else curve


def _typical_slope(x: NDArray[np.float64], y: NDArray[np.float64], tempo_bpm: float | None) -> float:
    """Seconds a beat: the median over pairs one to eight beats apart."""
    apart = x[None, :] - x[:, None]
    pairs = (apart >= 0.99) & (apart <= 8.01)
    if not pairs.any():
        return 60.0 / tempo_bpm if tempo_bpm else float(np.ptp(y) / np.ptp(x))
    return float(np.median((y[None, :] - y[:, None])[pairs] / apart[pairs]))


def echoes_notes(strokes_s: NDArray[np.float64], changes_s: Sequence[float], playing_s: tuple[float, float]) -> bool:
    """Whether "strokes" are nothing but changes of note: all of them under the playing, and each exactly on a change.

    A player and a click agree to several milliseconds at best; the mark that a note change leaves agrees with it
    always.
    """
    if not len(changes_s) or np.any(strokes_s < playing_s[0] - 0.05):
        return False
    away = np.abs(strokes_s[:, None] - np.asarray(changes_s)[None, :]).min(axis=1)
    return bool(np.median(away) < 0.004)


def free_beat(
    times: NDArray[np.float64],
    lengths: NDArray[np.float64],
    *,
    playing_s: tuple[float, float],
    tempo_bpm: float | None = None,
) -> BeatLine | None:
    """A tempo line through theme notes of unknown places, from the steadiest chain of them; None where there is none.

    They meet their beat points at `times` (n,), in order, and last for `lengths` (n,), in seconds: a cut note on its
    way to the beat is as regular as those on it, and counts by its length.
    """
    counts = np.clip(lengths / np.median(lengths), _SHORTEST_COUNTS, 1.0) if lengths.size else lengths
    found = Strokes(times, _A_NOTE * counts, np.zeros(times.size))
    chains = [_follow(found, float(period_s), _NOTE_SPREAD) for period_s in _periods(tempo_bpm)]
    usable = [chain for chain in chains if len(chain.members) >= 4]
    if not usable:
        return None
    best = max(usable, key=lambda chain: chain.score * len(chain.members) / (chain.numbers[-1] + 1))
    return fitted_beat(best.numbers, times[np.array(best.members)].tolist(), playing_s=playing_s, tempo_bpm=tempo_bpm)
