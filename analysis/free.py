"""Free playing: movements recognised from what sounds, without a score.

Long sounds are theme notes; short ones may be gracenotes, crossing noises, or theme notes cut short. What each is
follows from the whole: the sounds are divided into theme notes and what stands before each of them so that as much as
possible of it spells movements of the vocabulary, given the notes they are approached from. What spells none is
reported as unknown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

from analysis.chanter import Note
from analysis.measures import Played
from analysis.movements import UNKNOWN, Movement, classify, fits, snaps, without_middle
from analysis.notes import Sounded

#: A sound shorter than this is rather a gracenote, a noise, or the theme note inside a movement; from the second length
#: on it is a theme note for sure.
SHORT_MS: Final = 125.0
_HELD_MS: Final = 175.0
#: No theme note is shorter.
_LEAST_THEME_MS: Final = 60.0
#: An unspelt lone sound shorter than this is a crossing noise rather than a movement of its own.
_NOISE_MS: Final = 34.0
_LONGEST_NOISE_MS: Final = 60.0
_MOST_NOISES: Final = 3
_MOST_SOUNDS: Final = 11
#: Sounds further apart than this do not belong together.
_APART_S: Final = 0.03
#: The short theme note of a snap is at most this long.
_SNAP_MS: Final = 450.0

# What a division is worth: every sound that is part of a movement, less what is unlikely about it.
_SPELT: Final = 1.0
_ODD_APPROACH: Final = -2.0
_HEAVY: Final = -0.5
_NOISE: Final = -0.6
_NOISE_A_MS: Final = -0.01
_UNSPELT: Final = -1.0
_RUN_TOGETHER: Final = -0.3
_SHORT_THEME: Final = -0.8
_CUT_THEME: Final = -0.2


@dataclass(frozen=True)
class _Unit:
    """What stands before a theme note: a movement, its sounds in order (None: the theme note that ran together) and the
    noises; no movement where nothing does, or nothing but noise."""

    worth: float
    name: Movement | None = None
    written: tuple[Note, ...] = ()
    sounds: tuple[Sounded | None, ...] = ()
    noises: tuple[Sounded, ...] = ()


def recognise(sounded: Sequence[Sounded]) -> tuple[list[Played], list[Sounded]]:
    """The movements in order, and the theme notes in order."""
    movements: list[Played] = []
    themes: list[Sounded] = []
    for stretch in _stretches(sounded):
        for theme, approach, unit in _divide(stretch):
            themes.append(theme)
            if unit.name is not None:
                movements.append(
                    Played(
                        unit.name,
                        theme.note,
                        approach,
                        unit.written,
                        list(unit.sounds),
                        theme,
                        extra=list(unit.noises),
                    )
                )
    return _snapped(movements), themes


def _stretches(sounded: Sequence[Sounded]) -> list[list[Sounded]]:
    """The sounds in stretches without a rest."""
    result: list[list[Sounded]] = []
    for sound in sounded:
        if not result or sound.start_s - result[-1][-1].end_s > _APART_S:
            result.append([])
        result[-1].append(sound)
    return result


def _divide(stretch: Sequence[Sounded]) -> list[tuple[Sounded, Note | None, _Unit]]:
    """The stretch's theme notes, each with the note before it and what stands between, by the division of most worth.

    Sounds after the last theme note belong to nothing.
    """
    count = len(stretch)
    best: list[float] = [float("-inf")] * count
    came: list[tuple[int, _Unit] | None] = [None] * count
    for here in range(count):
        theme = stretch[here]
        if theme.length_ms < _LEAST_THEME_MS:
            continue
        own = _SHORT_THEME if theme.length_ms < SHORT_MS else _CUT_THEME if theme.length_ms < _HELD_MS else 0.0
        for before in range(here - 1, max(-2, here - _MOST_SOUNDS - 2), -1):
            if before >= 0 and best[before] == float("-inf"):
                continue
            group = stretch[before + 1 : here]
            if any(sound.length_ms >= _HELD_MS for sound in group):
                break
            unit = _unit(group, theme.note, stretch[before].note if before >= 0 else None)
            worth = own + unit.worth + (best[before] if before >= 0 else 0.0)
            if worth > best[here]:
                best[here], came[here] = worth, (before, unit)
    last = max((n for n in range(count) if came[n] is not None), key=lambda n: (best[n], n), default=-1)
    held = [n for n in range(count) if stretch[n].length_ms >= _HELD_MS and came[n] is not None]
    last = max(last, held[-1]) if held else last
    result: list[tuple[Sounded, Note | None, _Unit]] = []
    while last >= 0:
        step = came[last]
        assert step is not None
        before, unit = step
        result.append((stretch[last], stretch[before].note if before >= 0 else None, unit))
        last = before
    return result[::-1]


def _unit(group: Sequence[Sounded], on: Note, approach: Note | None) -> _Unit:
    """The movement that `group` makes before a theme note `on`, of all it could be the one of most worth."""
    if not group:
        return _Unit(0.0)
    best = _unspelt(group, on, approach)
    # Where more is noise than music, nothing is known.
    for dropped in range(min(_MOST_NOISES, len(group) // 2) + 1):
        for out in combinations(range(len(group)), dropped):
            if any(group[place].length_ms > _LONGEST_NOISE_MS for place in out):
                continue
            kept = [sound for place, sound in enumerate(group) if place not in out]
            noises = tuple(group[place] for place in out)
            for unit in _spelt(kept, noises, on, approach):
                if unit.worth > best.worth:
                    best = unit
    return best


def _unspelt(group: Sequence[Sounded], on: Note, approach: Note | None) -> _Unit:
    worth = _UNSPELT * len(group)
    if all(sound.length_ms < _NOISE_MS for sound in group):
        return _Unit(worth, noises=tuple(group))
    name = classify([sound.note for sound in group], on, approach)
    return _Unit(worth, name, tuple(sound.note for sound in group), tuple(group))


def _spelt(kept: Sequence[Sounded], noises: tuple[Sounded, ...], on: Note, approach: Note | None) -> list[_Unit]:
    """The movements that `kept` spells: as it stands, and with the theme note between two that ran together."""
    notes = tuple(sound.note for sound in kept)
    worth = _SPELT * len(kept) + sum(_NOISE + _NOISE_A_MS * noise.length_ms for noise in noises)
    worth += sum(_HEAVY for sound in kept if sound.length_ms > SHORT_MS)
    found = []
    name = classify(notes, on, approach)
    if name != UNKNOWN:
        odd = 0.0 if fits(notes, on, approach) else _ODD_APPROACH
        found.append(_Unit(worth + odd, name, notes, tuple(kept), noises))
    joined = without_middle(notes, on, approach)
    if joined is not None:
        whole, place = joined
        sounds = (*kept[:place], None, *kept[place:])
        found.append(_Unit(worth + _RUN_TOGETHER, classify(whole, on, approach), whole, sounds, noises))
    return found


def _snapped(movements: list[Played]) -> list[Played]:
    """`movements` with a short theme note and the longer one after it made one where the vocabulary has them as one."""
    result: list[Played] = []
    for movement in movements:
        before = result[-1] if result else None
        joined = _joined(before, movement) if before is not None else None
        if joined is not None:
            result[-1] = joined
        else:
            result.append(movement)
    return result


def _joined(first: Played, second: Played) -> Played | None:
    short, long = first.theme, second.theme
    if short is None or long is None or second.approach != short.note:
        return None
    name = snaps(first.written, short.note, second.written, long.note)
    if name is None or short.length_ms > min(_SNAP_MS, 0.6 * long.length_ms):
        return None
    return Played(
        name,
        second.on,
        first.approach,
        (*first.written, short.note, *second.written),
        [*first.sounds, short, *second.sounds],
        long,
        extra=[*first.extra, *second.extra],
    )
