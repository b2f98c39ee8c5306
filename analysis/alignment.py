"""Written against sounded: which sound is which written note, what was left out, and what was never written.

A dynamic programme over written and sounded notes with costs for a note left out, a note put in, and another note in
its place. A gracenote wants a short sound and a theme note a long one, so that a crossing noise of the right pitch is
not taken for the note itself. From any sound the player may also go back (or on) to the start of a bar, at a price:
repeats and restarts. Where a movement between two notes of the same name was not played, these sound as one: how long
that lasts tells which of several movements it was.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.chanter import Note
from analysis.movements import audible, gracenote_places, written_as_themes
from analysis.notes import Sounded
from analysis.score import Score, WrittenMovement

_LEAVE_OUT_GRACENOTE: Final = 1.0
_LEAVE_OUT_BETWEEN: Final = 0.8
_LEAVE_OUT_THEME: Final = 2.6
_LEAVE_OUT_INNER: Final = 1.3
#: A sound put in costs the more the longer it is: noises, gracenotes, notes.
_PUT_IN_MS: Final = (60.0, 130.0, 600.0)
_PUT_IN: Final = (1.0, 2.4, 3.5)
_OTHER_GRACENOTE: Final = 1.3
_OTHER_THEME: Final = 2.3
_GO_BACK: Final = 4.5
#: Who stopped for so long may well start again somewhere else.
_STOP_S: Final = 0.5
_GO_BACK_AFTER_STOP: Final = 2.0
_LEAVE_OFF: Final = 3.5
_RESUME: Final = 0.35
#: All gracenotes of a movement left out together cost no more than this: it was not tried.
_LEAVE_OUT_MOVEMENT: Final = 3.2
#: A theme note that runs on into the next; what an octave too long or too short costs beyond a little of it.
_RUN_ON: Final = 0.4
_OFF_LENGTH: Final = 1.6
_FREE_LENGTH: Final = 0.35
_MOST_OFF: Final = 1.5
#: So many theme notes run together, at most.
_LONGEST_RUN: Final = 4
#: A gracenote costs the more the longer it is beyond the first of these lengths.
_GRACENOTE_MS: Final = (130.0, 260.0, 600.0)
_TOO_LONG: Final = (0.0, 3.0, 4.0)


@dataclass(frozen=True)
class Token:
    """One written sound: `theme` is the number of the theme note that its movement ends on, `place` its place among the
    movement's gracenotes (-1 for the theme note itself), `gracenote` whether it is one (a doubling's theme note between
    two is not); `beats`: how long a theme note sounds, 0 for what is not one; `held`: written as a theme note."""

    note: Note
    theme: int
    place: int
    gracenote: bool
    starts_bar: bool
    beats: float
    held: bool


@dataclass(frozen=True)
class Match:
    """What one sounded note is: token number, or None for an unwritten sound; `resumed` for a theme note, named by a
    match before, going on after one."""

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
        elif score.themes[number - 1].onset + score.themes[number - 1].duration == theme.onset:
            result[-1] = replace(result[-1], beats=result[-1].beats + float(theme.duration))
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
    if not sounded or not written:
        return [Match(index, None) for index in range(len(sounded))]
    matches = _aligned(written, sounded, {})
    beat_s = _beat_s(written, sounded, matches)
    runs_on = _runs_on(written, beat_s) if beat_s is not None else {}
    return _named(_aligned(written, sounded, runs_on) if runs_on else matches)


@dataclass(frozen=True)
class _RunsOn:
    """Theme notes that sound as one where the movements between them are not played: tokens `first` to `last` (k,),
    what leaving out those between costs (k,), and the seconds that they last together (k,)."""

    first: NDArray[np.int64]
    last: NDArray[np.int64]
    left_out: NDArray[np.float64]
    length_s: NDArray[np.float64]


def _beat_s(written: Sequence[Token], sounded: Sequence[Sounded], matches: Sequence[Match]) -> float | None:
    """How long a beat mostly lasts where theme notes sound as `matches` has them, in seconds."""
    lengths = [
        (sounded[match.sounded].end_s - sounded[match.sounded].start_s) / written[match.token].beats
        for match in matches
        if match.token is not None and not match.resumed and written[match.token].beats > 0.0
    ]
    return float(np.median(lengths)) if lengths else None


def _runs_on(written: Sequence[Token], beat_s: float) -> dict[Note, list[_RunsOn]]:
    """What of `written` can run on, by note, at `beat_s` seconds a beat: the tokens that can, each alone, then two
    together, three and so on."""
    themes = [index for index, token in enumerate(written) if token.place == -1 and token.beats > 0.0]
    runs: dict[tuple[Note, int], list[tuple[int, int, float, float]]] = {}
    for number, first in enumerate(themes):
        note, last, left_out, beats = written[first].note, first, 0.0, written[first].beats
        for count, after in enumerate(themes[number + 1 : number + _LONGEST_RUN], start=2):
            between = written[last + 1 : after]
            if written[after].note != note:
                break
            if count == 2:
                runs.setdefault((note, 1), []).append((first, first, 0.0, beats * beat_s))
            left_out += _RUN_ON + min(_LEAVE_OUT_MOVEMENT, sum(_leave_out(token) for token in between))
            last, beats = after, beats + written[after].beats
            runs.setdefault((note, count), []).append((first, last, left_out, beats * beat_s))
    result: dict[Note, list[_RunsOn]] = {}
    for note, count in sorted(runs):
        columns = zip(*runs[note, count], strict=True)
        result.setdefault(note, []).append(_RunsOn(*(np.array(column) for column in columns)))
    return result


def _aligned(
    written: Sequence[Token], sounded: Sequence[Sounded], runs_on: Mapping[Note, Sequence[_RunsOn]]
) -> list[Match]:
    """The cheapest alignment, in which theme notes may run on as `runs_on` says."""
    count, total = len(sounded), len(written)
    leave = np.array([_leave_out(token) for token in written])
    skipped = np.concatenate([[0.0], np.cumsum(leave)])
    entries = np.array([token.starts_bar or index == 0 for index, token in enumerate(written)])
    notes = np.array([token.note for token in written])
    theme = np.array([token.held for token in written])
    between = np.array([token.place >= 0 and not token.gracenote and not token.held for token in written])
    states = np.arange(total + 1, dtype=np.int32)
    # best[i]: cheapest way to have got to just after token i - 1 (i = 0: nothing played yet) by the current sound.
    best = skipped.copy()
    arrived = np.zeros((count, total + 1), dtype=np.int32)  # state before the sound; -1 - state: sound put in
    began = np.broadcast_to(states - 1, (count, total + 1)).copy()  # the token that the sound is
    opening, closing = _untried(written)
    for index, sound in enumerate(sounded):
        match = _match_costs(between, notes, theme, sound)
        # Reaching token i from any earlier state by leaving out what lies between.
        lead = best - skipped
        reach_from = np.minimum.accumulate(lead)
        lower = np.concatenate([[True], lead[1:] < reach_from[:-1]])
        came = np.maximum.accumulate(np.where(lower, states, 0))
        forward = reach_from[:total] + skipped[:total]
        source = came[:total].copy()
        untried = reach_from[opening] + skipped[opening] + _LEAVE_OUT_MOVEMENT
        cheaper = untried < forward[closing]
        forward[closing[cheaper]], source[closing[cheaper]] = untried[cheaper], came[opening[cheaper]]
        stopped = index > 0 and sound.start_s - sounded[index - 1].end_s > _STOP_S
        jump = float(best.min()) + (_GO_BACK_AFTER_STOP if stopped else _GO_BACK)
        jumped = entries & (jump < forward)
        forward = np.where(jumped, jump, forward)
        source[jumped] = int(best.argmin())
        after = np.full(total + 1, np.inf)
        own = runs_on.get(sound.note, ())
        off = [_off_length(sound, run.length_s) for run in own]
        if own:
            match[own[0].first] += off[0]
        after[1:] = forward + match
        arrived[index, 1:] = source
        for run, cost in zip(own[1:], off[1:], strict=True):
            joined = forward[run.first] + run.left_out + cost
            cheaper = joined < after[run.last + 1]
            first, last = run.first[cheaper], run.last[cheaper]
            after[last + 1], arrived[index, last + 1], began[index, last + 1] = joined[cheaper], source[first], first
        put_in = float(np.interp(sound.length_ms, _PUT_IN_MS, _PUT_IN))
        staying = best + put_in
        resumed = np.concatenate([[False], theme & (notes == sound.note)])
        staying = np.where(resumed, best + _RESUME, staying)
        stay = staying < after
        after = np.where(stay, staying, after)
        arrived[index, stay] = -1 - np.flatnonzero(stay)
        best = after
    # What was not played to the end is left off as a whole, not left out note by note.
    state = int(np.argmin(best + np.minimum(skipped[total] - skipped, _LEAVE_OFF)))
    return _traced(written, sounded, arrived, began, state)


def _traced(
    written: Sequence[Token],
    sounded: Sequence[Sounded],
    arrived: NDArray[np.int32],
    began: NDArray[np.int32],
    state: int,
) -> list[Match]:
    """The way back from the last `state`: where each sound came from (`arrived`) and which token it is (`began`), both
    (sounds, states)."""
    result: list[Match] = []
    for index in range(len(sounded) - 1, -1, -1):
        source = int(arrived[index, state])
        if source >= 0:
            result.append(Match(index, int(began[index, state])))
            state = source
            continue
        state = -1 - source
        last = written[state - 1] if state > 0 else None
        goes_on = last is not None and last.held and last.note == sounded[index].note
        result.append(Match(index, state - 1 if goes_on else None, resumed=goes_on))
    result.reverse()
    return result


def _named(matches: Sequence[Match]) -> list[Match]:
    """`matches` with what goes on named as the sound that it goes on with, of notes that run on together the first;
    where nothing written sounded before, it is no going on."""
    result: list[Match] = []
    going: int | None = None
    for match in matches:
        if match.resumed:
            match = replace(match, resumed=False) if going is None else replace(match, token=going)
        going = going if match.token is None else match.token
        result.append(match)
    return result


def _untried(written: Sequence[Token]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Movements that are cheaper to leave out as a whole than gracenote by gracenote: their first tokens and those of
    the theme notes that they end on, (k,) each."""
    openings, closings = [], []
    first = 0
    for index, token in enumerate(written):
        if token.place == -1:
            own = written[first:index]
            if sum(_leave_out(token) for token in own) > _LEAVE_OUT_MOVEMENT and not any(token.held for token in own):
                openings.append(first)
                closings.append(index)
            first = index + 1
    return np.array(openings, dtype=np.int64), np.array(closings, dtype=np.int64)


def _off_length(sound: Sounded, length_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """What it costs that `sound` is not as long as `length_s` (k,)."""
    octaves = np.abs(np.log2((sound.end_s - sound.start_s) / length_s))
    return np.asarray(_OFF_LENGTH * np.clip(octaves - _FREE_LENGTH, 0.0, _MOST_OFF))


def _leave_out(token: Token) -> float:
    if token.held:
        return _LEAVE_OUT_THEME if token.place == -1 else _LEAVE_OUT_INNER
    return _LEAVE_OUT_GRACENOTE if token.gracenote else _LEAVE_OUT_BETWEEN


def _match_costs(between: np.ndarray, notes: np.ndarray, theme: np.ndarray, sound: Sounded) -> np.ndarray:
    """The cost (tokens,) of `sound` being each written sound."""
    length = sound.length_ms
    same = notes == sound.note
    too_long = float(np.interp(length, _GRACENOTE_MS, _TOO_LONG))
    too_short = np.clip((90.0 - length) / 60.0, 0.0, 1.0) * 1.2
    cost = np.where(
        theme, np.where(same, 0.0, _OTHER_THEME) + too_short, np.where(same, 0.0, _OTHER_GRACENOTE) + too_long
    )
    # The theme note between two gracenotes is never "another note": it is there or it is not.
    return np.where(between & ~same, 9.0, cost)
