"""Where exactly a note gives way to the next: an edge fitted to the change of mixture, to a fraction of a millisecond.

Decoding places a boundary within a few milliseconds. Around each one a short window (11 ms) slides in steps of 0.5 ms;
the share of what comes after the boundary rises from one level to another as the window crosses it. Both levels are
left free, since in a room the old note lingers: only the place of the step is wanted. As much as that share counts how
high a step there is in the sound itself (:mod:`analysis.steps`): in a room the first moments of a note may look more
like another one, and still begin all at once. Where that leaves a doubt, further around and also by the step in both
notes' harmonics (:mod:`analysis.harmonic_steps`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Final

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from analysis import echo, spectra, steps
from analysis.decoding import REST, Segment, weigh
from analysis.harmonic_steps import HarmonicSteps
from analysis.spectra import Floats, upper_quartile
from analysis.templates import GROUND, Listening, Templates

WINDOW: Final = steps.WINDOW
HOP: Final = 8
SIZE: Final = 512
#: Between two places that a step is tried at.
_STEP_S: Final = HOP / spectra.RATE_HZ / 2.0
#: Share of its ordinary amplitude at which a note from or into silence counts as sounding.
_SPEAKING: Final = 0.15
#: Share at which it does not sound; where less of the level than this can be trusted, a click was taken out.
_SILENT: Final = 0.05
_TRUSTED: Final = 0.95
_REACH_S: Final = steps.REACH_S
_FITS_S: Final = 0.011
#: A change lies at least so long from the one before it, and from where decoding put the next.
_APART_S: Final = 0.003
_BEFORE_NEXT_S: Final = 0.002
#: The room's echo of the note before hides the beginning of the next: decoding may be late by up to this, by its share.
_HIDDEN_S: Final = 0.03
#: A step that explains less than this is none.
_NO_STEP: Final = 1e-9
#: A first step counts if it explains this share of what the best one does.
_FIRST_STEP: Final = 0.6
#: Of steps that explain as much, the one nearest to where decoding put the change: within this, give or take.
_SPREAD_S: Final = 0.010
#: A place is doubtful that lies so far from where decoding put the change, or if another peak, so far from it, explains
#: this share of what it does. In made takes that is one change in twenty, and two of three of those that are 10 ms
#: off.
_DOUBTFUL_S: Final = 0.003
_RIVAL: Final = 0.2
_RIVAL_APART_S: Final = 0.003
#: Then it is looked for so much further around. A step in the harmonics counts so much, as far as its peak is narrower
#: than the next (a note that swells in has a broad one); a place that is so much earlier or later than where decoding
#: put the change has to explain one more (a room makes a note late, not early); and after that a first step counts if
#: it has this share of the best.
_FURTHER_S: Final = 0.020
_HARMONICS: Final = 12.0
_NARROW_S: Final = 0.014
_ONE_LESS_EARLIER_S: Final = 0.020
_ONE_LESS_LATER_S: Final = 0.008
_FIRST_OF_DOUBTFUL: Final = 0.7
#: Amounts are compared by this power; where there is little of all notes, their shares say little, but a bit.
_LOUDNESS: Final = 0.4
_LEAST_SURE: Final = 0.02
#: A window this short tells frequencies apart so coarsely that every fourth bin shows as high a step as all.
_EVERY: Final = 4
#: So many boundaries are looked at together, at most.
_TOGETHER: Final = 24


@dataclass(frozen=True)
class Rise:
    """What comes after a boundary, as a share of each moment (n,), against silence its level; how far moments can be
    trusted (n,), 0 to 1; and how high a step there is in all that sounds (n,), by `steps.heights`, none against
    silence."""

    share: NDArray[np.float64]
    sure: NDArray[np.float64]
    height: NDArray[np.float64]


#: How much of a step in the harmonics of both notes there is at times in seconds (k,), in order: 0 to 1 (k,).
Harmonics = Callable[[NDArray[np.float64]], NDArray[np.float64]]


@dataclass(frozen=True)
class Place:
    """Where a change is, in seconds, and whether that is `doubtful`."""

    time_s: float
    doubtful: bool


def edge(times_s: NDArray[np.float64], rise: Rise, near_s: float, low_s: float, high_s: float) -> Place:
    """The time in [low_s, high_s] at which a step best explains `rise`, sampled at `times_s` (n,), where decoding put
    the change at `near_s`.

    Least squares over the step's place with both levels free, and beside it how high a step there is in all that
    sounds, whichever notes it is told to be; the finest place by a parabola through the best three. Where neither shows
    a step, decoding has the say.
    """
    places = _places(low_s, high_s)
    gains = _gains(times_s, rise, places)
    if gains.max(initial=-np.inf) < _NO_STEP:
        return Place(near_s, doubtful=False)
    best = _top(gains, _first_rise(gains * np.exp(-0.5 * ((places - near_s) / _SPREAD_S) ** 2), _FIRST_STEP))
    doubtful = abs(places[best] - near_s) > _DOUBTFUL_S or _has_rival(gains, best)
    return Place(_finest(places, gains, best), doubtful)


def doubtful_edge(
    times_s: NDArray[np.float64], rise: Rise, harmonics: Harmonics, near_s: float, low_s: float, high_s: float
) -> float | None:
    """The same by the `harmonics` of both notes as well, among places that may be far from `near_s`; None where nothing
    shows a step."""
    places = _places(low_s, high_s)
    gains = _gains(times_s, rise, places)
    if gains.max(initial=-np.inf) < _NO_STEP:
        return None
    gains += _HARMONICS * scipy.ndimage.white_tophat(harmonics(places), round(_NARROW_S / _STEP_S))
    less = np.maximum((near_s - places) / _ONE_LESS_EARLIER_S, (places - near_s) / _ONE_LESS_LATER_S)
    best = _top(gains, _first_rise(gains - less, _FIRST_OF_DOUBTFUL))
    return _finest(places, gains, best)


def _places(low_s: float, high_s: float) -> NDArray[np.float64]:
    return np.arange(low_s, high_s + _STEP_S, _STEP_S)


def _finest(places: NDArray[np.float64], gains: NDArray[np.float64], best: int) -> float:
    """The top of a parabola through the `best` of `gains` (places,) and its neighbours."""
    if 0 < best < places.size - 1:
        left, mid, right = gains[best - 1 : best + 2]
        bend = left - 2.0 * mid + right
        if np.isfinite(bend) and bend < -1e-9:
            return float(places[best] + np.clip(0.5 * (left - right) / bend, -1.0, 1.0) * _STEP_S)
    return float(places[best])


def _gains(times_s: NDArray[np.float64], rise: Rise, places: NDArray[np.float64]) -> NDArray[np.float64]:
    """How much a step at each of `places` (k,) explains of `rise` (k,); nothing where too little is near."""
    if places.size < 3 or times_s.size < 5:
        return np.full(places.size, -np.inf)
    hop_s = times_s[1] - times_s[0]
    reach = int(np.ceil(steps.REACH_S / hop_s))
    # Only what is beside each place: further away nothing counts.
    around = np.round((places - times_s[0]) / hop_s).astype(np.int64)[:, None] + np.arange(-reach, reach + 1)
    near = np.clip(around, 0, times_s.size - 1)
    away = times_s[near] - places[:, None]
    beside = steps.beside(away) * (near == around)
    weight = beside * rise.sure[near]
    total = np.maximum(weight.sum(axis=1, keepdims=True), 1e-9)
    shape = steps.shape(away)
    shape -= (weight * shape).sum(axis=1, keepdims=True) / total
    level = rise.share[near]
    level -= (weight * level).sum(axis=1, keepdims=True) / total
    weight *= shape
    covariance = (weight * level).sum(axis=1)
    power = (weight * shape).sum(axis=1)
    gains = np.maximum(covariance, 0.0) * covariance / np.maximum(power, 1e-9)
    if rise.height.any():
        height = np.interp(places, times_s, rise.height)
        gains = gains / max(gains.max(), 1e-9) + (height / max(height.max(), steps.PLAIN_STEP)) ** 2
    gains[beside.sum(axis=1) < 3.0] = -np.inf
    return np.asarray(gains)


def _peaks(gains: NDArray[np.float64], least: float) -> NDArray[np.int64]:
    """The places of the peaks of `gains` (places,) that are as high as `least`."""
    inner = gains[1:-1]
    return 1 + np.flatnonzero((inner >= gains[:-2]) & (inner > gains[2:]) & (inner >= least))


def _first_rise(gains: NDArray[np.float64], part: float) -> int:
    """The first peak of `gains` (places,) that has this `part` of the best place's.

    In a room a note comes in two steps: at once, by its direct sound, and then as what rings on of the last one fades.
    """
    best = int(np.argmax(gains))
    peaks = _peaks(gains, part * gains[best])
    return min(best, int(peaks[0])) if peaks.size else best


def _has_rival(gains: NDArray[np.float64], best: int) -> bool:
    """Whether another peak of `gains` (places,), not just beside the `best` one, explains much too."""
    peaks = _peaks(gains, _RIVAL * gains[best])
    return bool((np.abs(peaks - best) * _STEP_S > _RIVAL_APART_S).any())


def _top(gains: NDArray[np.float64], place: int) -> int:
    """The top of the peak of `gains` (places,) on whose side `place` is: what picks a peak must not pull it over."""
    while place + 1 < gains.size and gains[place + 1] > gains[place]:
        place += 1
    while place > 0 and gains[place - 1] > gains[place]:
        place -= 1
    return place


#: The states on both sides, what else sounds near it on each, the first and the last frame that are looked at.
_Key = tuple[int, int, frozenset[int], frozenset[int], int, int]


@dataclass(frozen=True)
class _Change:
    """A boundary to be refined: the segments on both sides, what else sounds near it, the frames to look at (k,)."""

    before: int
    after: int
    early: frozenset[int]
    late: frozenset[int]
    frames: NDArray[np.int64]

    @property
    def notes(self) -> frozenset[int]:
        """The notes to tell apart."""
        return (self.early | self.late) - {REST}

    def times_s(self, hop_s: float) -> NDArray[np.float64]:
        """When the frames are, `hop_s` seconds apart, in seconds (k,)."""
        return np.asarray(self.frames * hop_s, dtype=np.float64)

    @property
    def key(self) -> _Key:
        """What its rise depends on."""
        return (self.before, self.after, self.early, self.late, int(self.frames[0]), int(self.frames[-1]))


@dataclass(frozen=True)
class Edges:
    """Refines boundaries in `sound`, heard, and `templates`, learned, at this module's window, in a `room`; by
    `harmonics` too, where there is a doubt.

    What was looked at once is kept: another path through the same sound has most of its boundaries where they were.
    """

    sound: Listening
    templates: Templates
    room: echo.Room
    harmonics: HarmonicSteps
    _rises: dict[_Key, Rise] = field(default_factory=dict, init=False, repr=False, compare=False)
    _places: dict[tuple[_Key, float, float, float], Place] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )
    _settled_places: dict[tuple[_Key, float, float, float], float | None] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    def refine(self, found: list[Segment], hop_s: float) -> list[float]:
        """The refined times in seconds of all boundaries between `found`, one fewer than segments, whose frames are
        `hop_s` seconds apart."""
        coarse = [segment.start * hop_s for segment in found[1:]]
        changes = self._changes(found, range(len(coarse)), hop_s)
        places: list[Place] = []
        for index, (near, change) in enumerate(zip(coarse, changes, strict=True)):
            low = max(near - self._early_s, (places[-1].time_s + _APART_S) if places else 0.0)
            high = min(near + _FITS_S, coarse[index + 1] - _BEFORE_NEXT_S if index + 1 < len(coarse) else np.inf)
            places.append(self._place(change, near, low, high))
        return self._settled(found, [place.time_s for place in places], self._doubtful(changes, places), hop_s)

    @property
    def _early_s(self) -> float:
        """How far before where decoding put it a change may be."""
        return _FITS_S + _HIDDEN_S * self.room.share

    def _settled(self, found: list[Segment], refined: list[float], doubtful: list[int], hop_s: float) -> list[float]:
        """The `refined` times between `found` with those that are `doubtful` placed by harmonics, further around.

        One after the other, and never beyond where the next one is so far, which may be doubtful itself: so their order
        stays as it is.
        """
        result = list(refined)
        end_s = self.sound.samples.size / spectra.RATE_HZ
        for index, change in zip(doubtful, self._changes(found, doubtful, hop_s, _FURTHER_S), strict=True):
            near = found[index + 1].start * hop_s
            low = max(near - self._early_s - _FURTHER_S, result[index - 1] + _APART_S if index else 0.0)
            after = result[index + 1] - _APART_S if index + 1 < len(result) else end_s
            high = min(near + _FITS_S + _FURTHER_S, after)
            settled = self._settled_place(change, near, low, high) if low < high else None
            result[index] = min(max(settled, low), high) if settled is not None else result[index]
        return result

    def _doubtful(self, changes: list[_Change], places: list[Place]) -> list[int]:
        """Which of `places` are doubtful, among `changes` from note to note."""
        return [
            index
            for index, (change, place) in enumerate(zip(changes, places, strict=True))
            if place.doubtful and REST not in (change.before, change.after)
        ]

    def _changes(
        self, found: list[Segment], indices: Sequence[int], hop_s: float, further_s: float = 0.0
    ) -> list[_Change]:
        """The boundaries `indices` (k,) between `found`, with what is so much `further_s` around; looked at."""
        early_s, late_s = self._early_s + further_s, _FITS_S + further_s
        changes = [
            _change(found, index, found[index + 1].start * hop_s, early_s, late_s, hop_s, self.sound)
            for index in indices
        ]
        new = [change for change in changes if change.key not in self._rises]
        for change, rise in zip(new, _rises(self.sound, new, self.templates, self.room), strict=True):
            self._rises[change.key] = rise
        return changes

    def _place(self, change: _Change, near_s: float, low_s: float, high_s: float) -> Place:
        """Where in [low_s, high_s] a `change` is that decoding put at `near_s`."""
        key = (change.key, near_s, low_s, high_s)
        if key not in self._places:
            found = edge(change.times_s(self.sound.hop_s), self._rises[change.key], near_s, low_s, high_s)
            inside = float(np.clip(found.time_s, low_s, max(low_s, high_s)))
            self._places[key] = replace(found, time_s=inside)
        return self._places[key]

    def _settled_place(self, change: _Change, near_s: float, low_s: float, high_s: float) -> float | None:
        """The same by harmonics; None where nothing shows a step."""
        key = (change.key, near_s, low_s, high_s)
        if key not in self._settled_places:
            shares = partial(self.harmonics.shares, change.before, change.after)
            times_s = change.times_s(self.sound.hop_s)
            self._settled_places[key] = doubtful_edge(times_s, self._rises[change.key], shares, near_s, low_s, high_s)
        return self._settled_places[key]


def _change(
    found: list[Segment], index: int, near_s: float, early_s: float, late_s: float, hop_s: float, sound: Listening
) -> _Change:
    """The boundary between segments `index` and the next, near `near_s`, not earlier than by `early_s` nor later than
    by `late_s`."""
    before, after = found[index], found[index + 1]
    early, late = {before.state}, {after.state}
    if index + 2 < len(found) and _short(after, hop_s):
        late.add(found[index + 2].state)
    if index > 0 and _short(before, hop_s):
        early.add(found[index - 1].state)
    late -= early
    if not late:
        late = {after.state}
        early -= late
    first = max(0, int((near_s - _REACH_S - early_s) / sound.hop_s))
    last = min(sound.count, int((near_s + _REACH_S + late_s) / sound.hop_s))
    frames = np.arange(first, max(first + 1, last))
    return _Change(before.state, after.state, frozenset(early), frozenset(late), frames)


def _rises(sound: Listening, changes: list[_Change], templates: Templates, room: echo.Room) -> list[Rise]:
    """The rise at every one of `changes`. Those between the same notes are looked at together."""
    groups: dict[frozenset[int], list[int]] = {}
    for index, change in enumerate(changes):
        groups.setdefault(change.notes, []).append(index)
    rises: dict[int, Rise] = {}
    for notes, members in groups.items():
        keep = np.isin(templates.owner, [*sorted(notes), GROUND])
        own = Templates(templates.spectra[keep], templates.owner[keep], templates.level)
        for start in range(0, len(members), _TOGETHER):
            part = members[start : start + _TOGETHER]
            frames = np.concatenate([changes[index].frames for index in part])
            levels = sound.levels(frames)
            weights = weigh(levels, own, sound.trust(frames, levels))
            ends = np.cumsum([changes[index].frames.size for index in part])
            pieces = (np.split(whole, ends[:-1]) for whole in (echo.energies(weights.own), levels, weights.trusted))
            for index, amounts, around, trusted in zip(part, *pieces, strict=True):
                height = steps.heights(around[:, ::_EVERY], sound.hop_s).astype(np.float64)
                rises[index] = _rise(echo.direct(amounts, room, sound.hop_s), height, trusted, changes[index])
    return [rises[index] for index in range(len(changes))]


def _short(segment: Segment, hop_s: float) -> bool:
    return (segment.stop - segment.start) * hop_s < 0.035


def _rise(energy: Floats, height: NDArray[np.float64], trusted: Floats, change: _Change) -> Rise:
    """The share of the notes after the boundary among those on both sides, whose energies are `energy` (frames, 9);
    against silence, their level, as far as it can be `trusted` (frames,)."""
    late = energy[:, sorted(change.late - {REST})].sum(axis=1).astype(np.float64) ** _LOUDNESS
    early = energy[:, sorted(change.early - {REST})].sum(axis=1).astype(np.float64) ** _LOUDNESS
    if REST in (change.before, change.after):
        # A reed that starts to speak, or stops, may take a while: what counts is when there is some of it, not half.
        level = _without_click_remains(late, trusted) if change.after != REST else -early
        return Rise(np.clip(level, -_SPEAKING, _SPEAKING), np.ones(level.size), np.zeros(level.size))
    both = late + early
    usual = max(upper_quartile(both), 1e-9)
    return Rise(late / np.maximum(both, 1e-9), np.clip(both / usual, _LEAST_SURE, 1.0), height)


def _without_click_remains(level: NDArray[np.float64], trusted: Floats) -> NDArray[np.float64]:
    """The `level` (frames,) of a note that begins after silence, without what a click that was taken out left before
    it: a part of its waveform, that falls back to nothing."""
    silent = np.flatnonzero(level < _SILENT)
    if not silent.size or trusted[: silent[-1]].min(initial=1.0) > _TRUSTED:
        return level
    return np.where(np.arange(level.size) < silent[-1], 0.0, level)
