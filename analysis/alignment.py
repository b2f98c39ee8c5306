"""Written against sounded: which sound is which written note, what was left out, and what was never written.

A dynamic programme over written and sounded notes with costs for a note left out, a note put in, and another note in
its place. A gracenote wants a short sound and a theme note a long one, so that a crossing noise of the right pitch is
not taken for the note itself. From any sound the player may also go back (or on) to the start of a bar, at a price:
repeats and restarts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.chanter import Note
from analysis.movements import audible, gracenote_places, written_as_themes
from analysis.notes import Sounded
from analysis.score import Score, WrittenMovement

_LEAVE_OUT_GRACENOTE: Final = 1.0
_LEAVE_OUT_BETWEEN: Final = 0.8
_LEAVE_OUT_THEME: Final = 2.6
_LEAVE_OUT_INNER: Final = 1.3
_PUT_IN_SHORT: Final = 1.0
_PUT_IN_LONG: Final = 2.4
_OTHER_GRACENOTE: Final = 1.3
_OTHER_THEME: Final = 2.3
_GO_BACK: Final = 4.5
_LEAVE_OFF: Final = 3.5
_RESUME: Final = 0.35
#: What was never written and sounds no longer than this may well be a noise.
_NOISE_MS: Final = 60.0
#: Between these lengths a sound turns from a gracenote into a note of its own.
_SHORT_MS: Final = 130.0
_LONG_MS: Final = 260.0


@dataclass(frozen=True)
class Token:
    """One written sound: `theme` is the number of the theme note that its movement ends on, `place` its place among the
    movement's gracenotes (-1 for the theme note itself), `gracenote` whether it is one (a doubling's theme note between
    two is not); `held`: written as a theme note."""

    note: Note
    theme: int
    place: int
    gracenote: bool
    starts_bar: bool
    beats: float
    held: bool


@dataclass(frozen=True)
class Match:
    """What one sounded note is: token number, or None for an unwritten sound; `resumed` for a theme note going on
    after one."""

    sounded: int
    token: int | None
    resumed: bool = False


def tokens(score: Score) -> list[Token]:
    """Every written sound in order. What runs into one sound (the same note again, nothing between) is one token."""
    result: list[Token] = []
    movements = {movement.first: movement for movement in score.movements}
    bar = number = 0
    while number < len(score.themes):
        movement = movements.get(number)
        starts_bar, bar = score.themes[number].bar != bar, score.themes[number].bar
        if movement is not None:
            number = movement.theme
            result += _movement_tokens(movement, starts_bar, number)
        theme = score.themes[number]
        if movement is not None or not result or result[-1].note != theme.note or result[-1].place != -1:
            opens_bar = starts_bar and movement is None
            result.append(Token(theme.note, number, -1, False, opens_bar, float(theme.duration), held=True))
        number += 1
    return result


def _movement_tokens(movement: WrittenMovement, starts_bar: bool, theme: int) -> list[Token]:
    own = gracenote_places(movement.gracenotes, movement.on, movement.kind)
    heard = audible(movement.gracenotes, movement.on, movement.approach)
    held = written_as_themes(movement.gracenotes, movement.on, movement.kind)
    return [
        Token(note, theme, place, own[place], starts_bar and place == 0, 0.0, held=place in held)
        for place, note in enumerate(movement.gracenotes)
        if heard[place]
    ]


def align(written: Sequence[Token], sounded: Sequence[Sounded]) -> list[Match]:
    """What each of `sounded` is, in order. Notes left out are the tokens that no match names."""
    count, total = len(sounded), len(written)
    if not count or not total:
        return [Match(index, None) for index in range(count)]
    leave = np.array([_leave_out(token) for token in written])
    skipped = np.concatenate([[0.0], np.cumsum(leave)])
    entries = np.array([token.starts_bar or index == 0 for index, token in enumerate(written)])
    notes = np.array([token.note for token in written])
    theme = np.array([token.held for token in written])
    between = np.array([token.place >= 0 and not token.gracenote and not token.held for token in written])
    states = np.arange(total + 1)
    # best[i]: cheapest way to have got to just after token i - 1 (i = 0: nothing played yet) by the current sound.
    best = skipped.copy()
    arrived = np.zeros((count, total + 1), dtype=np.int32)  # state before the sound; -1 - state: sound put in
    for index, sound in enumerate(sounded):
        match = _match_costs(between, notes, theme, sound)
        # Reaching token i from any earlier state by leaving out what lies between.
        lead = best - skipped
        reach_from = np.minimum.accumulate(lead)
        lower = np.concatenate([[True], lead[1:] < reach_from[:-1]])
        came = np.maximum.accumulate(np.where(lower, states, 0))
        forward = reach_from[:total] + skipped[:total]
        source = came[:total].copy()
        jump = float(best.min()) + _GO_BACK
        jumped = entries & (jump < forward)
        forward = np.where(jumped, jump, forward)
        source[jumped] = int(best.argmin())
        after = np.full(total + 1, np.inf)
        after[1:] = forward + match
        arrived[index, 1:] = source
        put_in = float(np.interp(sound.length_ms, (_NOISE_MS, _SHORT_MS), (_PUT_IN_SHORT, _PUT_IN_LONG)))
        staying = best + put_in
        resumed = np.concatenate([[False], theme & (notes == sound.note)])
        staying = np.where(resumed, best + _RESUME, staying)
        stay = staying < after
        after = np.where(stay, staying, after)
        arrived[index, stay] = -1 - np.flatnonzero(stay)
        best = after
    # What was not played to the end is left off as a whole, not left out note by note.
    state = int(np.argmin(best + np.minimum(skipped[total] - skipped, _LEAVE_OFF)))
    result: list[Match] = []
    for index in range(count - 1, -1, -1):
        source_state = int(arrived[index, state])
        if source_state < 0:
            before = -1 - source_state
            goes_on = before > 0 and bool(theme[before - 1]) and written[before - 1].note == sounded[index].note
            result.append(Match(index, before - 1 if goes_on else None, resumed=goes_on))
            state = before
        else:
            result.append(Match(index, state - 1))
            state = source_state
    result.reverse()
    return result


def _leave_out(token: Token) -> float:
    if token.held:
        return _LEAVE_OUT_THEME if token.place == -1 else _LEAVE_OUT_INNER
    return _LEAVE_OUT_GRACENOTE if token.gracenote else _LEAVE_OUT_BETWEEN


def _match_costs(between: np.ndarray, notes: np.ndarray, theme: np.ndarray, sound: Sounded) -> np.ndarray:
    """The cost (tokens,) of `sound` being each written sound."""
    length = sound.length_ms
    same = notes == sound.note
    too_long = np.clip((length - _SHORT_MS) / (_LONG_MS - _SHORT_MS), 0.0, 1.0) * 3.0
    too_short = np.clip((90.0 - length) / 60.0, 0.0, 1.0) * 1.2
    cost = np.where(
        theme, np.where(same, 0.0, _OTHER_THEME) + too_short, np.where(same, 0.0, _OTHER_GRACENOTE) + too_long
    )
    # The theme note between two gracenotes is never "another note": it is there or it is not.
    return np.where(between & ~same, 9.0, cost)
