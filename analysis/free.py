"""Free playing: movements recognised from what sounds, without a score.

Long sounds are theme notes. The short ones between two theme notes are a movement if the vocabulary spells one so,
given the note approached from; a movement may be in there with crossing noises between its sounds, and then the
fullest movement counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Final

from analysis.chanter import Note
from analysis.measures import Played
from analysis.movements import UNKNOWN, Movement, classify, snaps
from analysis.notes import Sounded

#: A sound shorter than this is a gracenote, a noise, or the theme note inside a movement.
SHORT_MS: Final = 125.0
#: An unspelt lone sound shorter than this is a crossing noise rather than a movement of its own.
_NOISE_MS: Final = 34.0
_MOST_NOISES: Final = 3
#: The short theme note of a snap is at most this long.
_SNAP_MS: Final = 450.0


def recognise(sounded: Sequence[Sounded]) -> tuple[list[Played], list[Sounded]]:
    """The movements in order, and the theme notes in order."""
    movements: list[Played] = []
    themes: list[Sounded] = []
    group: list[Sounded] = []
    for sound in sounded:
        apart = bool(group or themes) and sound.start_s - (group[-1] if group else themes[-1]).end_s > 0.03
        if apart:
            group = []
        if sound.length_ms < SHORT_MS:
            group.append(sound)
            continue
        approach = themes[-1].note if themes and not apart else None
        if group:
            movements.extend(_movement(group, sound, approach))
        themes.append(sound)
        group = []
    return _snapped(movements), themes


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


def _movement(group: list[Sounded], theme: Sounded, approach: Note | None) -> list[Played]:
    """The movement that `group` makes before `theme`: none where all of it is noise."""
    kept = _fullest(group, theme.note, approach)
    name = UNKNOWN
    if kept:
        name = classify([sound.note for sound in kept], theme.note, approach)
    elif all(sound.length_ms < _NOISE_MS for sound in group):
        return []
    else:
        kept = list(group)
    extra = [sound for sound in group if not any(sound is k for k in kept)]
    return [
        Played(
            Movement(name.kind, name.form),
            theme.note,
            approach,
            tuple(sound.note for sound in kept),
            list(kept),
            theme,
            extra=extra,
        )
    ]


def _fullest(group: list[Sounded], on: Note, approach: Note | None) -> list[Sounded]:
    """The longest part of `group`, in order, that spells a movement; the noises left out must be short."""
    for dropped in range(min(_MOST_NOISES, len(group) - 1) + 1):
        for out in combinations(range(len(group)), dropped):
            if any(group[index].length_ms > 60.0 for index in out):
                continue
            kept = [sound for index, sound in enumerate(group) if index not in out]
            if classify([sound.note for sound in kept], on, approach) != UNKNOWN:
                return kept
    return []
