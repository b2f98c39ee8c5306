"""Low G or high G, low A or high A: told by the score where the sound alone cannot tell.

Of a note that is never held, only moments are heard, and nearly every harmonic of the upper note of an octave is one of
the lower; over drones, which sound at all the harmonics of low A, a reed with weak odd harmonics hides it even when it
is held. A player does not take one for the other time and again; a program may. Where sounds of the one mostly stand
where the other is written, they are the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from analysis import alignment
from analysis.chanter import Note
from analysis.notes import Sounded
from analysis.score import Score

_PARTNERS: Final = {
    Note.LOW_G: Note.HIGH_G,
    Note.HIGH_G: Note.LOW_G,
    Note.LOW_A: Note.HIGH_A,
    Note.HIGH_A: Note.LOW_A,
}
_LEAST: Final = 3
#: At least this share of a note's written places must sound as the other for that to be a mistake of hearing.
_MOSTLY: Final = 0.5
#: A sound longer than this was held, and is what it is where both notes were heard.
_MOMENT_MS: Final = 120.0


def by_score(sounded: Sequence[Sounded], score: Score, heard: Sequence[bool]) -> list[Sounded]:
    """`sounded` with moments of a note that was never held (`heard`, by note), or all of one whose partner was never
    held, given the name an octave away that is written where they mostly stand."""
    result = list(sounded)
    tokens = alignment.tokens(score)
    for note, partner in _PARTNERS.items():
        if heard[note] and heard[partner]:
            continue
        matches = alignment.align(tokens, result)
        written = [m.sounded for m in matches if m.token is not None and tokens[m.token].note == partner]
        longest = _MOMENT_MS if heard[partner] else float("inf")
        mistaken = [index for index in written if result[index].note == note and result[index].length_ms < longest]
        if len(mistaken) >= _LEAST and len(mistaken) > _MOSTLY * len(written):
            for index in mistaken:
                result[index] = replace(result[index], note=partner)
    return result
