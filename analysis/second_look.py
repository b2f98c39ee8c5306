"""Looking again where the score has a moment that was not heard, or was heard as another note.

Fingers mostly play what is written. Where a room all but hides a gracenote, the likeliest path over a whole take leaves
it out, though the path through it is hardly less likely; where it was truly left out, that path is far less likely, and
so it is where another note was truly played. What is written between two theme notes of one name is not looked for
where these sound as one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis import alignment, odd_harmonics
from analysis.chanter import Note
from analysis.notes import Sounded
from analysis.score import Score
from analysis.spectra import Floats

#: How much less likely (log likelihood) the path may be through a written moment: the only one missing between two
#: sounds, and one of two. In made takes, of 199 gracenotes left out alone one came within the first, of 29 not heard 21
#: did.
_LEFT_OUT: Final = 15.0
_LEFT_OUT_OF_TWO: Final = 11.0
#: The same, for each frame of it, for one that was heard as another note, and as its octave, which fingers hardly ever
#: take it for. In made takes 289 other notes truly played were all less likely by 3.3 a frame and more, two octaves
#: among them by 6.3 and more; 12 misheard ones all by less than 2.7.
_INSTEAD: Final = 2.2
_OCTAVE: Final = 3.5
#: More that are missing together were hardly ever played and only hard to hear.
_MOST: Final = 2
#: What is missing lies so long before the sound that comes after it, or within so much of this: doubtful edges are not
#: further out. So long it is: a room hides half of a gracenote of 25 ms, and a heavy one is heard.
_BEFORE_S: Final = 0.16
_WITHIN_S: Final = 0.08
_SHORTEST_S: Final = 0.012
_LONGEST_S: Final = 0.12
#: The least log likelihood a frame, on average, of what is put in: less, and next to nothing of the note is there. Of
#: 25 gracenotes rightly put in in made takes none had less than -3.2.
_LEAST: Final = -3.6
#: What each frame of it counts for (log likelihood) when it comes to where it begins and ends, up to the length that
#: gracenotes usually have at least. Without, what is a little less likely all along would be as short as it may be.
_LENGTH: Final = 0.4
_USUAL_S: Final = 0.036
#: Written sounds further apart have a stop between them.
_STOP_S: Final = 0.3


@dataclass(frozen=True)
class Place:
    """Where a written moment of `note` is to be looked for, between two times in seconds. `instead`: all of the sound
    there is to be renamed, if that is less likely by no more than `at_most` (log likelihood) a frame; else it is to be
    put in, if the path is then less likely by no more than that altogether."""

    note: Note
    from_s: float
    to_s: float
    instead: bool
    at_most: float


@dataclass(frozen=True)
class Found:
    """A written moment of `note` that was found on a second look, between two times in seconds."""

    note: Note
    from_s: float
    to_s: float

    def is_in(self, sound: Sounded) -> bool:
        """Whether it sounds as `sound`."""
        middle = 0.5 * (self.from_s + self.to_s)
        return self.note == sound.note and sound.start_s < middle < sound.end_s


def places(score: Score, sounded: Sequence[Sounded]) -> list[Place]:
    """Where gracenotes of `score` are missing among `sounded`, or have another note in their place; in order."""
    written = alignment.tokens(score)
    matches = [m for m in alignment.align(written, sounded) if m.token is not None and not m.resumed]
    result: list[Place] = []
    for match in matches:
        assert match.token is not None
        token, sound = written[match.token], sounded[match.sounded]
        if token.note != sound.note and not token.held:
            is_octave = abs(token.note - sound.note) == odd_harmonics.OCTAVE
            at_most = _OCTAVE if is_octave else _INSTEAD
            result.append(Place(token.note, sound.start_s, sound.end_s, True, at_most))
    for one, other in pairwise(matches):
        assert one.token is not None
        assert other.token is not None
        missing = written[one.token + 1 : other.token]
        stopped = sounded[other.sounded].start_s - sounded[other.sounded - 1].end_s > _STOP_S
        if not stopped and _is_tried(missing, written[one.token], written[other.token]):
            result += _between(missing, sounded[one.sounded], sounded[other.sounded])
    return sorted(result, key=lambda place: place.from_s)


def _is_tried(missing: Sequence[alignment.Token], before: alignment.Token, after: alignment.Token) -> bool:
    """Whether one or two gracenotes are `missing`, between the sounds `before` and `after`, of a movement that was
    tried: several that are all of one were left out together."""
    if not 0 < len(missing) <= _MOST or any(token.held for token in missing):
        return False
    is_whole = before.theme != missing[0].theme and after.place == -1
    return len(missing) == 1 or not is_whole


def _between(missing: Sequence[alignment.Token], before: Sounded, after: Sounded) -> list[Place]:
    """Where what is `missing` between two sounds may be: not where it would take all of one of these."""
    first = max(0.5 * (before.start_s + before.end_s), after.start_s - _BEFORE_S)
    last = min(0.5 * (after.start_s + after.end_s), after.start_s + _WITHIN_S)
    at_most = _LEFT_OUT if len(missing) == 1 else _LEFT_OUT_OF_TWO
    beside = (before.note, after.note)
    return [Place(token.note, first, last, False, at_most) for token in missing if token.note not in beside]


def path(
    states: NDArray[np.int8],
    log_likelihood: Floats,
    change_cost: Floats,
    wanted: Sequence[Place],
    hop_s: float,
) -> tuple[NDArray[np.int8], list[Found]]:
    """`states` (frames,), the likeliest path through `log_likelihood` (frames, 10: the nine notes and rest) where
    changes cost `change_cost` (frames,) of it, with those of the `wanted` moments in it that are nearly as likely; and
    these moments. Frames are `hop_s` seconds apart."""
    result = states.copy()
    found: list[Found] = []
    reached: dict[tuple[float, float], int] = {}
    for place in wanted:
        first, last = max(1, round(place.from_s / hop_s)), min(states.size - 1, round(place.to_s / hop_s))
        if place.instead:
            span = _rename(result, log_likelihood, place, (first + last) // 2)
        else:
            # Two that are missing in one place come one after the other.
            first = max(first, reached.get((place.from_s, place.to_s), 0))
            span = _put_in(result, log_likelihood, change_cost, place, (first, last), hop_s)
            reached[place.from_s, place.to_s] = span[1] if span else first
        if span is not None:
            found.append(Found(place.note, span[0] * hop_s, span[1] * hop_s))
    return result, found


def _rename(states: NDArray[np.int8], log_likelihood: Floats, place: Place, middle: int) -> tuple[int, int] | None:
    """Give the run of `states` around frame `middle` the note of `place` if it is likely enough; its first frame and
    the one after its last."""
    changes = np.flatnonzero(np.diff(states)) + 1
    number = int(np.searchsorted(changes, middle, side="right"))
    first = int(changes[number - 1]) if number else 0
    last = int(changes[number]) if number < changes.size else states.size
    if _gain(states, log_likelihood, place.note, first, last).mean() <= -place.at_most:
        return None
    states[first:last] = place.note
    return first, last


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
    within: tuple[int, int],
    hop_s: float,
) -> tuple[int, int] | None:
    """Put the note of `place` into `states` where it is likeliest between two frames, if it is likely enough there; its
    first frame and the one after its last."""
    first, last = within
    shortest, longest, usual = (round(length_s / hop_s) for length_s in (_SHORTEST_S, _LONGEST_S, _USUAL_S))
    if last - first < shortest:
        return None
    frames = np.arange(first, last + 1)
    total = np.concatenate([[0.0], np.cumsum(_gain(states, log_likelihood, place.note, first, last))])
    changes = np.where(states[frames] != states[frames - 1], change_cost[frames], 0.0)
    spared = np.concatenate([[0.0], np.cumsum(changes)])
    begin = np.where(states[frames - 1] != place.note, change_cost[frames], 0.0)
    end = np.where(states[frames] != place.note, change_cost[frames], 0.0)
    # From frame [row] to before [column]: what is gained, the changes that there are no longer, and those that come in.
    gains = total[None, :] - total[:, None] + spared[None, 1:] - spared[:-1, None] - begin[:, None] - end[None, :]
    length = frames[None, :] - frames[:, None]
    own = np.concatenate([[0.0], np.cumsum(log_likelihood[frames[:-1], place.note], dtype=np.float64)])
    is_there = own[None, :] - own[:, None] > _LEAST * length
    gains[(length < shortest) | (length > longest) | (gains <= -place.at_most) | ~is_there] = -np.inf
    start, stop = np.unravel_index(int((gains + _LENGTH * np.minimum(length, usual)).argmax()), gains.shape)
    if not np.isfinite(gains[start, stop]):
        return None
    states[frames[start] : frames[stop]] = place.note
    return int(frames[start]), int(frames[stop])
