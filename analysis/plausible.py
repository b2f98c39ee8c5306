"""What was decoded, put right where neither fingers, nor a reed, nor long windows can be what made it so.

Whatever a finger does is a step in the sound (:mod:`analysis.steps`). What begins and ends without one is the same
note, whose harmonics come and go; what a long window heard nothing of did not sound for long; what holds no steady note
is not the chanter. Segments are in frames; `change_cost` (frames,) is what a change of note costs at each
(:func:`analysis.steps.change_costs`), and frames are `hop_s` seconds apart.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis import decoding, odd_harmonics, steps, tuning
from analysis.decoding import REST, Segment
from analysis.spectra import Floats

#: A stretch of sound is the chanter only if at least this much of it was held steadily.
_LEAST_HELD_S: Final = 0.12
#: A note this long is nearly all that a long window holds at its middle.
_FILLS_S: Final = 0.055
#: A room may fill long windows for this long with the note before.
_FILLED_BEFORE_S: Final = 0.3
#: What sounds for so long was meant, and whatever a finger does begins or ends this near to a step.
_LONGEST_MOMENT_S: Final = 0.12
_STEP_NEAR_S: Final = 0.016


def of_one_note(found: list[Segment], change_cost: Floats, hop_s: float) -> list[Segment]:
    """Segments with each moment of another note, at whose edges nothing steps, given back to the note around it.

    A reed's harmonics may come and go while a note is held, and for a moment it looks like another, its octave most
    often; a finger that moves is heard to.
    """
    result = [found[0]]
    for number, segment in enumerate(found[1:], 1):
        before = result[-1]  # with the moments that were given back to it
        after = found[number + 1] if number + 1 < len(found) else None
        if segment.state == before.state or (after and _is_no_note(before, segment, after, change_cost, hop_s)):
            result[-1] = replace(before, stop=segment.stop)
        else:
            result.append(segment)
    return result


def of_one_octave(found: list[Segment], change_cost: Floats, hop_s: float) -> list[Segment]:
    """Segments with what seems to go over from a held low note to its octave, or back, where nothing steps, made all of
    the low note.

    Its odd harmonics may fade while it is held, over drones above all; no high note gains them. A moment of the one
    within the other is left as it is: one of its edges may be hard to see.
    """
    result: list[Segment] = []
    chain = [found[0]]
    for number, (before, after) in enumerate(pairwise(found)):
        is_within = _is_moment_within(found, number, hop_s) or _is_moment_within(found, number + 1, hop_s)
        if not is_within and _is_octave(before, after) and _no_step_near(after.start, change_cost, hop_s):
            chain.append(after)
        else:
            result += _made_low(chain, hop_s)
            chain = [after]
    return decoding.segments(decoding.states([*result, *_made_low(chain, hop_s)]))


def _is_octave(one: Segment, other: Segment) -> bool:
    low = min(one.state, other.state)
    return low in odd_harmonics.LOWER and max(one.state, other.state) == low + odd_harmonics.OCTAVE


def _made_low(chain: list[Segment], hop_s: float) -> list[Segment]:
    """A `chain` of segments of a low note and its octave made one of the low note, if that was held."""
    low = min(segment.state for segment in chain)
    held = sum(segment.stop - segment.start for segment in chain if segment.state == low)
    if len(chain) == 1 or held * hop_s < _LONGEST_MOMENT_S:
        return chain
    return [Segment(chain[0].start, chain[-1].stop, low)]


def _is_moment_within(found: list[Segment], number: int, hop_s: float) -> bool:
    """Whether segment `number` is a moment between two of another note."""
    own, around = found[number], found[max(0, number - 1) : number + 2]
    if len(around) < 3 or around[0].state != around[2].state:
        return False
    return (own.stop - own.start) * hop_s < _LONGEST_MOMENT_S


def _is_no_note(before: Segment, moment: Segment, after: Segment, change_cost: Floats, hop_s: float) -> bool:
    """Whether `moment` is but a moment of the note around it."""
    length = moment.stop - moment.start
    around = before.stop - before.start + after.stop - after.start
    if before.state != after.state or REST in (before.state, moment.state):
        return False
    return length * hop_s < _LONGEST_MOMENT_S and length < around and not _steps_at_an_edge(moment, change_cost, hop_s)


def _steps_at_an_edge(segment: Segment, change_cost: Floats, hop_s: float) -> bool:
    return not all(_no_step_near(frame, change_cost, hop_s) for frame in (segment.start, segment.stop))


def _no_step_near(frame: int, change_cost: Floats, hop_s: float, cost: float = steps.NO_STEP) -> bool:
    """Whether a change of note near `frame` costs no less than `cost`."""
    reach = round(_STEP_NEAR_S / hop_s)
    return float(change_cost[max(0, frame - reach) : frame + reach + 1].min()) >= cost


def as_held(found: list[Segment], fit: tuning.Fit, change_cost: Floats, hop_s: float) -> list[Segment]:
    """Segments with those that no plain step parts from the note beside them, and that the long windows of the
    chanter's `fit` hear as that note, put back into it.

    Where the breath sags or swells, a note may lie as near to its neighbour's pitch as to its own for a while.
    """
    states = np.array([segment.state for segment in found])
    for index, segment in enumerate(found):
        if segment.state == REST or (segment.stop - segment.start) * hop_s < _FILLS_S:
            continue
        labels = _long_labels(segment, fit, hop_s)
        for beside, edge in ((index - 1, segment.start), (index + 1, segment.stop)):
            state = found[beside].state if 0 <= beside < len(found) else REST
            if state != REST and np.all(labels == state) and _no_step_near(edge, change_cost, hop_s, steps.FAINT_STEP):
                states[index] = state
    return decoding.segments(np.repeat(states, [segment.stop - segment.start for segment in found]))


def _long_labels(segment: Segment, fit: tuning.Fit, hop_s: float) -> NDArray[np.int8]:
    """What the long windows of `fit` around the middle of `segment` hear."""
    middle = 0.5 * (segment.start + segment.stop) * hop_s
    first, last = (round(time / tuning.HOP_S) for time in (middle - 0.25 * _FILLS_S, middle + 0.25 * _FILLS_S))
    return fit.labels[first : last + 1]


def in_their_octave(found: list[Segment], fit: tuning.Fit, change_cost: Floats, hop_s: float) -> list[Segment]:
    """Segments with those an octave out put back into the note beside them, by the long windows of the chanter's `fit`.

    The odd harmonics of a reed may come and go as it sounds, and without them low G passes for high G. A true high G of
    this length would fill a long window; where those heard nothing but low G, it was low G. Unless something steps at
    both edges of what is not held for long: a room fills long windows with what was held before.
    """
    states = np.array([segment.state for segment in found])
    for index, segment in enumerate(found):
        beside = {found[place].state for place in (index - 1, index + 1) if 0 <= place < len(found)}
        upper, lower = segment.state + odd_harmonics.OCTAVE, segment.state - odd_harmonics.OCTAVE
        partner = upper if upper in beside else lower
        if partner not in beside or REST in (segment.state, partner):
            continue
        length_s = (segment.stop - segment.start) * hop_s
        is_finger = not any(_no_step_near(frame, change_cost, hop_s) for frame in (segment.start, segment.stop))
        if length_s < _FILLS_S or (is_finger and length_s < _FILLED_BEFORE_S):
            continue
        if np.all(_long_labels(segment, fit, hop_s) == partner):
            states[index] = partner
    return decoding.segments(np.repeat(states, [segment.stop - segment.start for segment in found]))


def only_playing(found: list[Segment], held: NDArray[np.int8], hop_s: float) -> list[Segment]:
    """Segments with every stretch of sound that holds no steady note (talk, knocks) turned into rest.

    `held` is the note that long windows heard at each frame (frames,), or -1.
    """
    keep = np.zeros(held.size, dtype=bool)
    states = np.full(held.size, REST, dtype=np.int64)
    start = 0
    for index, segment in enumerate([*found, Segment(held.size, held.size, REST)]):
        if segment.state != REST:
            continue
        stretch = found[start:index]
        if stretch:
            steady = sum(int((held[s.start : s.stop] == s.state).sum()) for s in stretch)
            if steady * hop_s >= _LEAST_HELD_S:
                keep[stretch[0].start : stretch[-1].stop] = True
        start = index + 1
    for segment in found:
        states[segment.start : segment.stop] = segment.state
    return decoding.segments(np.where(keep, states, REST))
