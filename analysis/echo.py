"""A room's echo, taken out of how much of each note sounds.

In a room a note builds up and dies away: what is heard at once is only its direct part, and the last note's ghost goes
on beside the new one, louder than it where the new note is the quieter of the two. The energy of each note is taken as
its direct part and an exponential tail (a single decay, where real rooms have one per frequency); the tail's share and
decay are read off the take's own long notes, after they end, and the tail is filtered out.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice
from typing import Final

import numpy as np
import scipy.signal

from analysis.decoding import REST, Segment
from analysis.spectra import Floats
from analysis.templates import COMPRESSION

#: The tail is read from here on after a note has begun to fall: by then the window has left its direct sound behind.
_FROM_S: Final = 0.014
_TO_S: Final = 0.070
_SEARCH_S: Final = 0.030
_FALLEN: Final = 0.75
_LEAST_SHARE: Final = 0.03
_MOST_SHARE: Final = 0.6
_LEAST_NOTES: Final = 4


@dataclass(frozen=True)
class Room:
    """`share`: the tail's part of a long note's energy, 0 to 1; `decay_s`: the time in which it falls to 1/e."""

    share: float
    decay_s: float


DRY: Final = Room(0.0, 0.03)


def energies(weights: Floats) -> Floats:
    """Energy of each note (frames, notes) as a share of its ordinary energy, from compressed weights (1: ordinary)."""
    return np.asarray(np.minimum(weights, 2.0) ** (2.0 / COMPRESSION), dtype=np.float32)


def measure(energy: Floats, found: list[Segment], hop_s: float) -> Room:
    """The room that `energy` (frames, notes) was played in, from what is left of long notes after they end."""
    first, last, search = (round(time_s / hop_s) for time_s in (_FROM_S, _TO_S, _SEARCH_S))
    tails = []
    for number, before in enumerate(found[:-1]):
        long = (before.stop - before.start) * hop_s > 0.15
        if before.state == REST or not long or before.stop + last + search >= energy.shape[0]:
            continue
        level = energy[:, before.state]
        steady = float(np.median(level[before.start + search : before.stop - search]))
        if steady <= 0.05 or before.state in _states_until(found, number + 1, before.stop + last + first):
            continue
        # Where it begins to fall, not where decoding put the change: an echo is just what makes that late.
        around = level[before.stop - search : before.stop + search]
        up = np.flatnonzero(around >= _FALLEN * steady)
        fall = before.stop - search + (int(up[-1]) if up.size else 0)
        tails.append(level[fall + first : fall + last] / steady)
    if len(tails) < _LEAST_NOTES:
        return DRY
    curve = np.maximum(np.median(tails, axis=0), 1e-4)
    times = np.arange(first, last) * hop_s
    slope, start = np.polyfit(times, np.log(curve), 1, w=np.sqrt(curve))
    share = float(np.exp(start))
    if slope > -4.0 or share < _LEAST_SHARE:
        return DRY
    return Room(min(share, _MOST_SHARE), float(np.clip(-1.0 / slope, 0.01, 0.2)))


def _states_until(found: list[Segment], first: int, frame: int) -> set[int]:
    """The state of segment number `first` and those of the next ones that begin before `frame`."""
    states = {found[first].state}
    for segment in islice(found, first, None):
        if segment.start >= frame:
            break
        states.add(segment.state)
    return states


def direct(energy: Floats, room: Room, hop_s: float) -> Floats:
    """The direct part of `energy` (frames, notes), again 1 for a note at its ordinary level."""
    if room.share <= 0.0:
        return energy
    keep = float(np.exp(-hop_s / room.decay_s))
    result = np.empty_like(energy)
    for note in range(energy.shape[1]):  # one by one: filtering takes several times their memory
        own = energy[:, note].astype(np.float64)
        tail, _ = scipy.signal.lfilter([1.0 - keep], [1.0, -keep], own, zi=keep * own[:1])
        own[1:] -= room.share * tail[:-1]
        own[0] -= room.share * own[0]
        result[:, note] = np.maximum(own, 0.0) / (1.0 - room.share)
    return result
