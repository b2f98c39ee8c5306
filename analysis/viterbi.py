"""The likeliest path through states, all changes between which cost the same, as Viterbi's algorithm finds it.

Exact, and fast without compiled code, since most of a take is a held note: where one state is so much likelier over a
run of frames that leaving it and coming back could not pay, the path is known, and only what lies between such frames
has to be searched. All these stretches are searched side by side.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.spectra import Floats

#: Frames are looked at in pieces of this many, so that memory does not grow with the take.
_CHUNK: Final = 16_384


def path(log_likelihood: Floats, change_cost: Floats) -> NDArray[np.int8]:
    """The likeliest state of each frame (frames,), from log likelihoods (frames, states); to change to another state at
    a frame costs its `change_cost` (frames,), at no frame less than nothing. The first frame's is never paid.

    Of equally likely states the lower number is taken.
    """
    count = log_likelihood.shape[0]
    leading = np.empty(count, dtype=np.int8)
    lead = np.empty(count, dtype=np.float32)
    for start in range(0, count, _CHUNK):
        block = log_likelihood[start : start + _CHUNK]
        best = block.argmax(axis=1)
        ordered = np.partition(block, -2, axis=1)
        leading[start : start + _CHUNK] = best
        lead[start : start + _CHUNK] = ordered[:, -1] - ordered[:, -2]
    result = leading.copy()
    known = _known(leading, lead, change_cost)
    edges = np.flatnonzero(np.diff(known.astype(np.int8), prepend=1, append=1))
    starts, stops = edges[::2], edges[1::2]
    for first in range(0, starts.size, 4096):
        part = slice(first, first + 4096)
        _search(log_likelihood, starts[part], stops[part], change_cost, result)
    return result


def _known(leading: NDArray[np.int8], lead: Floats, change_cost: Floats) -> NDArray[np.bool_]:
    """Frames (frames,) through whose leading state every likeliest path goes.

    Within a run of frames with the same leading state, that holds of a frame if the lead summed over the run up to it
    is what it costs to come over at the run's first frame or more, and summed from the next one on what it costs to go
    away after its last: whatever path is elsewhere there, from some frame of the run to another, would gain by staying
    in the leading state between the two. At the ends of the take there is nothing to come from or to go to.
    """
    first = np.concatenate([[0], np.flatnonzero(np.diff(leading)) + 1])
    stop = np.append(first[1:], leading.size)
    come = np.append(0.0, change_cost[first[1:]])
    go = np.append(change_cost[first[1:]], 0.0)
    total = np.cumsum(lead, dtype=np.float64)
    lengths = stop - first
    up_to = total - np.repeat(total[first] - lead[first], lengths)
    from_next = np.repeat(total[stop - 1], lengths) - total
    return np.asarray((up_to >= np.repeat(come, lengths)) & (from_next >= np.repeat(go, lengths)))


def _search(
    log_likelihood: Floats,
    starts: NDArray[np.int64],
    stops: NDArray[np.int64],
    change_cost: Floats,
    result: NDArray[np.int8],
) -> None:
    """Fill `result` between `starts` and `stops` (stretches,), whose neighbours' states it holds already."""
    if not starts.size:
        return
    longest_first = np.argsort(starts - stops, kind="stable")
    starts, lengths = starts[longest_first], (stops - starts)[longest_first]
    states = log_likelihood.shape[1]
    total = log_likelihood.shape[0]
    others = np.arange(states)
    score = np.zeros((starts.size, states))
    led = np.flatnonzero(starts > 0)
    score[led] = -change_cost[starts[led], None]
    score[led, result[starts[led] - 1]] = 0.0
    came: list[NDArray[np.int8]] = []
    ends = np.empty((starts.size, states))
    for step in range(int(lengths[0])):
        count = int(np.searchsorted(-lengths, -step, side="left"))
        own = score[:count]
        if step:
            best = own.argmax(axis=1)
            changed = own[np.arange(count), best] - change_cost[starts[:count] + step]
            leave = changed[:, None] > own
            came.append(np.where(leave, best[:, None], others[None, :]).astype(np.int8))
            own = np.where(leave, changed[:, None], own)
        score = own + log_likelihood[starts[:count] + step]
        over = np.flatnonzero(lengths[:count] == step + 1)
        ends[over] = score[over]
    stop = starts + lengths
    followed = np.flatnonzero(stop < total)
    at_end = np.zeros((starts.size, states))
    at_end[followed] = -change_cost[stop[followed], None]
    at_end[followed, result[stop[followed]]] = 0.0
    state = (ends + at_end).argmax(axis=1)
    for step in range(int(lengths[0]) - 1, -1, -1):
        count = int(np.searchsorted(-lengths, -step, side="left"))
        result[starts[:count] + step] = state[:count]
        if step:
            state[:count] = came[step - 1][np.arange(count), state[:count]]
