"""The nine notes of the chanter and the two published tunings.

Conventions of the whole package: a note is a :class:`Note` (0 = low G … 8 = high A); frequencies are
in hertz, intervals in cents, times in seconds from the first decoded sample of the file.

Sources. Names and the sounding of C and F near C sharp and F sharp: E. Macpherson, "The pitch and scale of the Great
Highland Bagpipe", 1998. Ratios: E. Macpherson, "Hear various Highland bagpipe chanter tunings", 1998, the older one
after J. M. A. Lenihan and S. MacNeill, "An acoustical study of the Highland bagpipe", Acustica 4, 1954, 231-232.
"""

from __future__ import annotations

import math
from enum import IntEnum
from fractions import Fraction
from typing import Final, Literal

Tuning = Literal["older", "harmonic"]


class Note(IntEnum):
    """One of the nine notes, low to high."""

    LOW_G = 0
    LOW_A = 1
    B = 2
    C = 3
    D = 4
    E = 5
    F = 6
    HIGH_G = 7
    HIGH_A = 8

    @property
    def label(self) -> str:
        """The name as the trade and the report write it, for example ``"low G"``."""
        return LABELS[self]

    @property
    def abc(self) -> str:
        """The letter in ABC's Highland pipe keys, ``G A B c d e f g a``."""
        return ABC_LETTERS[self]

    @classmethod
    def from_label(cls, label: str) -> Note:
        """The note called `label`. Raises ValueError naming what is accepted."""
        try:
            return cls(LABELS.index(label))
        except ValueError:
            raise ValueError(f"no chanter note is called {label!r}; the nine are {', '.join(LABELS)}") from None

    @classmethod
    def from_abc(cls, letter: str) -> Note:
        """The note of an ABC letter. Raises ValueError naming what is accepted."""
        index = ABC_LETTERS.find(letter) if len(letter) == 1 else -1
        if index < 0:
            raise ValueError(f"{letter!r} is not a chanter note; the nine letters are {' '.join(ABC_LETTERS)}")
        return cls(index)


LABELS: Final = ("low G", "low A", "B", "C", "D", "E", "F", "high G", "high A")
ABC_LETTERS: Final = "GABcdefga"

RATIOS: Final[dict[Tuning, tuple[Fraction, ...]]] = {
    "older": (
        Fraction(8, 9), Fraction(1), Fraction(9, 8), Fraction(5, 4), Fraction(27, 20),
        Fraction(3, 2), Fraction(5, 3), Fraction(9, 5), Fraction(2),
    ),
    "harmonic": (
        Fraction(7, 8), Fraction(1), Fraction(9, 8), Fraction(5, 4), Fraction(4, 3),
        Fraction(3, 2), Fraction(5, 3), Fraction(7, 4), Fraction(2),
    ),
}  # fmt: skip

#: Sounding low A that is looked for, in hertz: practice chanters and pipe chanters.
PRACTICE_LOW_A_HZ: Final = (205.0, 275.0)
PIPES_LOW_A_HZ: Final = (420.0, 525.0)


def cents(hz: float, reference_hz: float) -> float:
    """The interval from `reference_hz` up to `hz` in cents."""
    return 1200.0 * math.log2(hz / reference_hz)


def hertz(note: Note, low_a_hz: float, *, tuning: Tuning = "harmonic") -> float:
    """The frequency of `note` in hertz when low A sounds at `low_a_hz`."""
    return float(RATIOS[tuning][note]) * low_a_hz


def table_cents(*, tuning: Tuning = "harmonic") -> tuple[float, ...]:
    """The nine notes in cents above low A (low G is negative)."""
    return tuple(1200.0 * math.log2(ratio) for ratio in RATIOS[tuning])
