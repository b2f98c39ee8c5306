"""Looking again where the score has a moment that was not heard, or was heard as another note.

Fingers mostly play what is written. Where a room all but hides a gracenote, the likeliest path over a whole take leaves
it out, though the path through it is hardly less likely; where it was truly left out, that path is far less likely, and
so it is where another note was truly played.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis import alignment
from analysis.chanter import Note
from analysis.notes import Sounded
from analysis.score import Score
from analysis.spectra import Floats

#: How much less likely (log likelihood) the path may be through a written moment: the only one missing between two
#: sounds, one of two, and one that was heard as another note. In made takes, of 199 gracenotes left out alone one came
#: within the first, of 29 not heard 21 did; of 289 other notes truly played none within the last, of 8 misheard all.
_LEFT_OUT: Final = 15.0
_LEFT_OUT_OF_TWO: Final = 11.0
_INSTEAD: Final = 40.0
#: Where more are missing together, the movement was not tried.
_MOST: Final = 2
#: What is missing lies so long before the sound that comes after it, or within so much of this, and is so long.
_BEFORE_S: Final = 0.16
_WITHIN_S: Final = 0.08
_SHORTEST_S: Final = 0.012
_LONGEST_S: Final = 0.12
#: What each second of it counts for (log likelihood) when it comes to where it begins and ends, up to a usual length.
_PER_S: Final = 200.0
_USUAL_S: Final = 0.036
#: Written sounds further apart have a stop between them.
_STOP_S: Final = 0.3


@dataclass(frozen=True)
class Place:
    """A written moment of `note` that is to be looked for between two times in seconds, all of it being `instead` of
    another note; it may be so much less likely (`at_most`, log likelihood) than what was heard there."""

    note: Note
    from_s: float
    to_s: float
    instead: bool
    at_most: float


def places(score: Score, sounded: Sequence[Sounded]) -> list[Place]:
    """Where gracenotes of `score` are missing among `sounded`, or have another note in their place; in order."""
    written = alignment.tokens(score)
    matches = [m for m in alignment.align(written, sounded) if m.token is not None and not m.resumed]
    found: list[Place] = []
    for match in matches:
        assert match.token is not None
        token, sound = written[match.token], sounded[match.sounded]
        if token.note != sound.note and not token.held:
            found.append(Place(token.note, sound.start_s, sound.end_s, True, _INSTEAD))
    for one, other in pairwise(matches):
        assert one.token is not None
        assert other.token is not None
        found += _between(written[one.token + 1 : other.token], sounded[one.sounded], sounded[other.sounded])
    return sorted(found, key=lambda place: place.from_s)


def is_wanted(wanted: Sequence[Place], sound: Sounded) -> bool:
    """Whether `sound` is one of the `wanted` moments."""
    middle = 0.5 * (sound.start_s + sound.end_s)
    return any(place.note == sound.note and place.from_s < middle < place.to_s for place in wanted)


def _between(missing: Sequence[alignment.Token], before: Sounded, after: Sounded) -> list[Place]:
    """Where what is `missing` between two sounds may be."""
    if not 0 < len(missing) <= _MOST or any(token.held for token in missing):
        return []
    if after.start_s - before.end_s > _STOP_S:
        return []
    first = max(before.start_s + 0.5 * _SHORTEST_S, after.start_s - _BEFORE_S)
    last = min(after.end_s, after.start_s + _WITHIN_S)
    at_most = _LEFT_OUT if len(missing) == 1 else _LEFT_OUT_OF_TWO
    beside = (before.note, after.note)
    return [Place(token.note, first, last, False, at_most) for token in missing if token.note not in beside]


def path(
    states: NDArray[np.int8],
    log_likelihood: Floats,
    change_cost: Floats,
    wanted: Sequence[Place],
    hop_s: float,
) -> NDArray[np.int8]:
    """`states` (frames,), the likeliest path through `log_likelihood` (frames, states) where changes cost `change_cost`
    (frames,), with those of the `wanted` moments in it that are nearly as likely."""
    result = states.copy()
    for place in wanted:
        first, last = max(1, round(place.from_s / hop_s)), min(states.size - 1, round(place.to_s / hop_s))
        if place.instead:
            _rename(result, log_likelihood, place, (first + last) // 2)
        elif last - first > round(_SHORTEST_S / hop_s):
            _put_in(result, log_likelihood, change_cost, place, first, last, hop_s)
    return result


def _rename(states: NDArray[np.int8], log_likelihood: Floats, place: Place, middle: int) -> None:
    """Give the run of `states` around frame `middle` the note of `place` if it is likely enough."""
    changes = np.flatnonzero(np.diff(states)) + 1
    number = int(np.searchsorted(changes, middle, side="right"))
    first = int(changes[number - 1]) if number else 0
    last = int(changes[number]) if number < changes.size else states.size
    if (last - first) and _gain(states, log_likelihood, place.note, first, last).sum() > -place.at_most:
        states[first:last] = place.note


def _gain(states: NDArray[np.int8], log_likelihood: Floats, note: Note, first: int, last: int) -> NDArray[np.float64]:
    """How much likelier `note` is than what `states` says, at each frame from `first` to before `last`."""
    frames = np.arange(first, last)
    gain = log_likelihood[frames, note].astype(np.float64) - log_likelihood[frames, states[frames]]
    return np.asarray(gain)


def _put_in(
    states: NDArray[np.int8],
    log_likelihood: Floats,
    change_cost: Floats,
    place: Place,
    first: int,
    last: int,
    hop_s: float,
) -> None:
    """Put the note of `place` into `states` where it is likeliest between the frames `first` and `last`, if it is
    likely enough there."""
    frames = np.arange(first, last + 1)
    total = np.concatenate([[0.0], np.cumsum(_gain(states, log_likelihood, place.note, first, last))])
    changes = np.where(states[frames] != states[frames - 1], change_cost[frames], 0.0)
    spared = np.concatenate([[0.0], np.cumsum(changes)])
    begin = np.where(states[frames - 1] != place.note, change_cost[frames], 0.0)
    end = np.where(states[frames] != place.note, change_cost[frames], 0.0)
    # From frame [row] to before [column]: what is gained, the changes that there are no longer, and those that come in.
    gains = total[None, :] - total[:, None] + spared[None, 1:] - spared[:-1, None] - begin[:, None] - end[None, :]
    length = frames[None, :] - frames[:, None]
    gains[(length < round(_SHORTEST_S / hop_s)) | (length > round(_LONGEST_S / hop_s))] = -np.inf
    if gains.max() > -place.at_most:
        # Where it is a little less likely, the likeliest is the shortest that it may be; gracenotes are not so short.
        usual = _PER_S * np.minimum(length * hop_s, _USUAL_S)
        start, stop = np.unravel_index(int((gains + usual).argmax()), gains.shape)
        states[frames[start] : frames[stop]] = place.note
