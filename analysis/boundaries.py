"""Where exactly a note gives way to the next: an edge fitted to the change of mixture, to a fraction of a millisecond.

Decoding places a boundary within a few milliseconds. Around each one a short window (11 ms) slides in steps of 0.5 ms;
the share of what comes after the boundary rises from one level to another as the window crosses it. Both levels are
left free, since in a room the old note lingers: only the place of the step is wanted. As much as that share counts how
high a step there is in the sound itself (:mod:`analysis.steps`): in a room the first moments of a note may look more
like another one, and still begin all at once.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis import echo, spectra, steps
from analysis.decoding import REST, Segment, weigh
from analysis.spectra import Floats, upper_quartile
from analysis.templates import GROUND, Listening, Templates

WINDOW: Final = steps.WINDOW
HOP: Final = 8
SIZE: Final = 512
#: Share of its ordinary amplitude at which a note from or into silence counts as sounding.
_SPEAKING: Final = 0.15
#: Share at which it does not sound; where less of the level than this can be trusted, a click was taken out.
_SILENT: Final = 0.05
_TRUSTED: Final = 0.95
_REACH_S: Final = 0.014
_FITS_S: Final = 0.011
#: The room's echo of the note before hides the beginning of the next: decoding may be late by up to this, by its share.
_HIDDEN_S: Final = 0.03
#: A step that explains less than this is none.
_NO_STEP: Final = 1e-9
#: A first step counts if it explains this share of what the best one does.
_FIRST_STEP: Final = 0.6
#: Of steps that explain as much, the one nearest to where decoding put the change: within this, give or take.
_SPREAD_S: Final = 0.010
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


def edge(times_s: NDArray[np.float64], rise: Rise, near_s: float, low_s: float, high_s: float) -> float:
    """The time in [low_s, high_s] at which a step best explains `rise`, sampled at `times_s` (n,), where decoding put
    the change at `near_s`.

    Least squares over the step's place with both levels free, and beside it how high a step there is in all that
    sounds, whichever notes it is told to be; the finest place by a parabola through the best three. Where neither shows
    a step, decoding has the say.
    """
    step = HOP / spectra.RATE_HZ / 2.0
    places = np.arange(low_s, high_s + step, step)
    if places.size < 3 or times_s.size < 5:
        return near_s
    away = times_s[None, :] - places[:, None]
    beside = steps.beside(away)
    weight = beside * rise.sure[None, :]
    total = np.maximum(weight.sum(axis=1, keepdims=True), 1e-9)
    shape = steps.shape(away)
    shape -= (weight * shape).sum(axis=1, keepdims=True) / total
    level = rise.share[None, :] - (weight @ rise.share)[:, None] / total
    covariance = (weight * shape * level).sum(axis=1)
    power = (weight * shape * shape).sum(axis=1)
    gains = np.maximum(covariance, 0.0) * covariance / np.maximum(power, 1e-9)
    if rise.height.any():
        height = np.interp(places, times_s, rise.height)
        gains = gains / max(gains.max(), 1e-9) + (height / max(height.max(), steps.PLAIN_STEP)) ** 2
    gains[beside.sum(axis=1) < 3.0] = -np.inf
    if gains.max() < _NO_STEP:
        return near_s
    best = _top(gains, _first_rise(gains * np.exp(-0.5 * ((places - near_s) / _SPREAD_S) ** 2)))
    if 0 < best < places.size - 1:
        left, mid, right = gains[best - 1 : best + 2]
        bend = left - 2.0 * mid + right
        if np.isfinite(bend) and bend < -1e-9:
            return float(places[best] + np.clip(0.5 * (left - right) / bend, -1.0, 1.0) * step)
    return float(places[best])


def _first_rise(gains: NDArray[np.float64]) -> int:
    """The first peak of `gains` (places,) that is nearly as good as the best place.

    In a room a note comes in two steps: at once, by its direct sound, and then as what rings on of the last one fades.
    """
    best = int(np.argmax(gains))
    inner = gains[1:-1]
    peaks = 1 + np.flatnonzero((inner >= gains[:-2]) & (inner > gains[2:]) & (inner >= _FIRST_STEP * gains[best]))
    return min(best, int(peaks[0])) if peaks.size else best


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

    @property
    def key(self) -> _Key:
        """What its rise depends on."""
        return (self.before, self.after, self.early, self.late, int(self.frames[0]), int(self.frames[-1]))


@dataclass(frozen=True)
class Edges:
    """Refines boundaries in `sound`, heard, and `templates`, learned, at this module's window, in a `room`.

    What was looked at once is kept: another path through the same sound has most of its boundaries where they were.
    """

    sound: Listening
    templates: Templates
    room: echo.Room
    _rises: dict[_Key, Rise] = field(default_factory=dict, init=False, repr=False, compare=False)
    _places: dict[tuple[_Key, float, float, float], float] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    def refine(self, found: list[Segment], hop_s: float) -> list[float]:
        """The refined times in seconds of all boundaries between `found`, one fewer than segments, whose frames are
        `hop_s` seconds apart."""
        early_s = _FITS_S + _HIDDEN_S * self.room.share
        coarse = [segment.start * hop_s for segment in found[1:]]
        changes = [_change(found, index, near, early_s, hop_s, self.sound) for index, near in enumerate(coarse)]
        new = [change for change in changes if change.key not in self._rises]
        for change, rise in zip(new, _rises(self.sound, new, self.templates, self.room), strict=True):
            self._rises[change.key] = rise
        refined: list[float] = []
        for index, near in enumerate(coarse):
            low = max(near - early_s, (refined[-1] + 0.003) if refined else 0.0)
            high = min(near + _FITS_S, (coarse[index + 1] - 0.002) if index + 1 < len(coarse) else np.inf)
            times: NDArray[np.float64] = changes[index].frames.astype(np.float64) * self.sound.hop_s
            place = (changes[index].key, near, low, high)
            if place not in self._places:
                found_s = edge(times, self._rises[changes[index].key], near, low, high)
                self._places[place] = float(np.clip(found_s, low, max(low, high)))
            refined.append(self._places[place])
        return refined


def _change(found: list[Segment], index: int, near_s: float, early_s: float, hop_s: float, sound: Listening) -> _Change:
    """The boundary between segments `index` and the next, near `near_s`, not earlier than by `early_s`."""
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
    last = min(sound.count, int((near_s + _REACH_S + _FITS_S) / sound.hop_s))
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
