"""Sounded notes written as words: ``"A:900 g:45 e:70"`` is low A for 900 ms, then high G for 45 ms, and so on."""

from analysis.chanter import Note
from analysis.notes import Sounded


def sounded(words: str, *, start_s: float = 1.0, confidence: float = 0.95) -> list[Sounded]:
    """The notes of `words` one after another from `start_s`; ``-:200`` is silence."""
    notes, now = [], start_s
    for word in words.split():
        letter, _, length = word.partition(":")
        end = now + float(length) / 1000.0
        if letter != "-":
            notes.append(Sounded(now, end, Note.from_abc(letter), confidence))
        now = end
    return notes


def letters(found: list[Sounded]) -> str:
    """The notes of what was `found` as ABC letters."""
    return "".join("GABcdefga"[sound.note] for sound in found)
