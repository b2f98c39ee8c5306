"""A tutor's quick phrases: kept, offered beside the note's words, forgotten."""

from __future__ import annotations

from typing import Final, TypedDict

from studio.people.models import User
from studio.review.models import QuickPhrase
from studio.review.services import NoteError, checked

MOST: Final = 30
LONGEST: Final = 200


class PhraseData(TypedDict):
    """A quick phrase as the page offers it."""

    id: int
    text: str


def phrases_of(tutor: User) -> list[PhraseData]:
    """The tutor's own phrases, oldest first."""
    return [{"id": phrase.pk, "text": phrase.text} for phrase in tutor.quick_phrases.all()]


def keep(tutor: User, text: str) -> QuickPhrase:
    """Keep `text` as a phrase of `tutor`; the same words are kept once. Raises NoteError."""
    words = checked(text)
    if len(words) > LONGEST:
        raise NoteError(f"A quick phrase has up to {LONGEST} characters, and this has {len(words)}; shorten it.")
    known = tutor.quick_phrases.filter(text=words).first()
    if known is not None:
        return known
    if tutor.quick_phrases.count() >= MOST:
        raise NoteError(f"{MOST} quick phrases are kept; remove one before you add another.")
    return QuickPhrase.objects.create(tutor=tutor, text=words)


def forget(tutor: User, pk: int) -> bool:
    """Remove a phrase; False when it is none of this tutor's."""
    return bool(tutor.quick_phrases.filter(pk=pk).delete()[0])
