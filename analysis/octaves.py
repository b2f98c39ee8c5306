"""Low G or high G, low A or high A: told by the score where the sound alone cannot tell.

Of a note that is never held, only moments are heard, and nearly every harmonic of the upper note of an octave is one of
the lower; over drones, which sound at all the harmonics of low A, a reed with weak odd harmonics hides it even when it
is held. A player does not take one for the other time and again; a program may. Where sounds of the one often stand
where the other is written, they are the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis import alignment, tuning
from analysis.chanter import Note
from analysis.notes import Sounded
from analysis.score import Score

_PARTNERS: Final = {
    Note.LOW_G: Note.HIGH_G,
    Note.HIGH_G: Note.LOW_G,
    Note.LOW_A: Note.HIGH_A,
    Note.HIGH_A: Note.LOW_A,
}
_HIGH: Final = (Note.HIGH_G, Note.HIGH_A)
_LEAST: Final = 3
#: More than this share of a note's written places must sound as the other for that to be a mistake of hearing. Fingers
#: never take a note for its octave; a player who plays another gracenote takes a neighbour.
_OFTEN: Final = 0.25
#: A sound longer than this was held, and is what it is where both notes were heard.
_MOMENT_MS: Final = 120.0
#: A high note that was held and is less sure than this is the low one that is written where it stands: one whose odd
#: harmonics come and go (by made takes). Moments are looked at again (:mod:`analysis.second_look`).
_HARDLY_SURE: Final = 0.65
#: A noise as fingers cross is no longer than this; what joins has less than this between.
_LONGEST_NOISE_MS: Final = 60.0
_NO_SILENCE_S: Final = 0.002
#: A long window hears a gracenote of an octave as held for a moment; a note held is held longer.
_HELD_S: Final = 0.2


def known(fit: tuning.Fit) -> tuple[bool, ...]:
    """Which notes (9,) were held long enough, once, to be known well from their own sound."""
    edges = np.flatnonzero(np.diff(fit.labels, prepend=-1, append=-1))
    runs = pairwise(edges)
    held = {int(fit.labels[first]) for first, last in runs if (last - first) * tuning.HOP_S >= _HELD_S}
    return tuple(fit.heard[note] and note in held for note in Note)


def by_score(sounded: Sequence[Sounded], score: Score, heard: Sequence[bool]) -> list[Sounded]:
    """`sounded` with moments of a note that was never held (`heard`, by note), or all of one whose octave partner was
    never held, given the name an octave away that is written where they often stand; and held high notes, where they
    are hardly sure, that of the low one that is written."""
    return joined(_where_hardly_sure(_renamed(sounded, score, heard)[0], score), score)


def path(states: NDArray[np.int8], sounded: Sequence[Sounded], hop_s: float) -> NDArray[np.int8]:
    """`states` (frames,), `hop_s` seconds apart, by the names that `sounded` have: where they say its octave, that."""
    result = states.copy()
    starts = np.array([sound.start_s for sound in sounded])
    edges = np.flatnonzero(np.diff(states, prepend=-1, append=-1))
    for first, last in pairwise(edges):
        number = int(np.searchsorted(starts, 0.5 * (first + last) * hop_s, side="right")) - 1
        if number >= 0 and _PARTNERS.get(sounded[number].note) == states[first]:
            result[first:last] = sounded[number].note
    return result


def moments(sounded: Sequence[Sounded], score: Score, heard: Sequence[bool]) -> list[Sounded]:
    """Those of `sounded` that are a note of which another was taken for its octave, rightly named: all of its moments
    that stand where it is written. Empty where none was mistaken."""
    return _renamed(sounded, score, heard)[1]


def _renamed(sounded: Sequence[Sounded], score: Score, heard: Sequence[bool]) -> tuple[list[Sounded], list[Sounded]]:
    """`sounded` with the mistaken ones rightly named, and the moments of the notes that these are."""
    result = list(sounded)
    rightly: list[Sounded] = []
    tokens = alignment.tokens(score)
    for note, partner in _PARTNERS.items():
        if heard[note] and heard[partner]:
            continue  # both are known well: whoever plays the one for the other time and again is told so
        matches = alignment.align(tokens, result)
        written = [m.sounded for m in matches if m.token is not None and tokens[m.token].note == partner]
        longest = _MOMENT_MS if heard[partner] else float("inf")
        mistaken = [index for index in written if result[index].note == note and result[index].length_ms < longest]
        if len(mistaken) >= _LEAST and len(mistaken) > _OFTEN * len(written):
            for index in mistaken:
                result[index] = replace(result[index], note=partner)
            rightly += [result[index] for index in written if result[index].note == partner]
    return result, rightly


def _where_hardly_sure(sounded: Sequence[Sounded], score: Score) -> list[Sounded]:
    """`sounded` with held high notes that are hardly sure named as the low ones that are written where they stand."""
    result = list(sounded)
    doubtful = [
        index
        for index, sound in enumerate(sounded)
        if sound.note in _HIGH and sound.length_ms >= _MOMENT_MS and sound.confidence < _HARDLY_SURE
    ]
    if not doubtful:
        return result
    tokens = alignment.tokens(score)
    written = {m.sounded: tokens[m.token].note for m in alignment.align(tokens, sounded) if m.token is not None}
    for index in doubtful:
        low = _PARTNERS[sounded[index].note]
        if written.get(index) == low:
            result[index] = replace(sounded[index], note=low)
    return result


def joined(sounded: Sequence[Sounded], score: Score) -> list[Sounded]:
    """`sounded` with stretches an octave off given back to the written note that they belong to.

    What was never written, or stands where its octave is written, is too long for a noise, and joins that octave
    without a sound between, is that note, whose odd harmonics went missing for a while.
    """
    tokens = alignment.tokens(score)
    matches = alignment.align(tokens, sounded)
    written = {m.sounded: tokens[m.token].note for m in matches if m.token is not None}
    result: list[Sounded] = []
    for index, sound in enumerate(sounded):
        partner = _PARTNERS.get(sound.note)
        if partner is not None and written.get(index) in (None, partner) and sound.length_ms > _LONGEST_NOISE_MS:
            beside = [other for other in (index - 1, index + 1) if written.get(other) == partner]
            if any(sounded[other].note == partner and _join(sounded[other], sound) for other in beside):
                sound = replace(sound, note=partner)
        before = result[-1] if result else None
        if before is not None and before.note == sound.note and _join(before, sound) and before.note in _PARTNERS:
            surer = max(before.confidence, sound.confidence)
            result[-1] = replace(before, end_s=max(before.end_s, sound.end_s), confidence=surer)
        else:
            result.append(sound)
    return result


def _join(one: Sounded, other: Sounded) -> bool:
    """Whether there is no silence between two sounds."""
    return min(abs(one.end_s - other.start_s), abs(other.end_s - one.start_s)) < _NO_SILENCE_S
