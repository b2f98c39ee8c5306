"""Pinned notes as W3C Web Annotations (Web Annotation Data Model, recommendation of 23 February 2017).

A note is an Annotation. Its bodies are its words (TextualBody) and its recording (a Sound). Its target is the sound of
the take, narrowed by a FragmentSelector to a media fragment ``t=from,to`` in seconds (Media Fragments URI 1.0, section
4.2.1); a note on several movements has a target for each. An answer has the answered annotation as its target and the
motivation ``replying``. A spot lasts a second, since a media fragment has no other way to say "here". All annotations
of a take are an AnnotationCollection with one AnnotationPage, embedded and at an address of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any, Final

from django.urls import reverse

from studio.review.models import PinnedNote
from studio.takes.models import Take

CONTEXT: Final = "http://www.w3.org/ns/anno.jsonld"
MEDIA_TYPE: Final = f'application/ld+json; profile="{CONTEXT}"'
MEDIA_FRAGMENTS: Final = "http://www.w3.org/TR/media-frags/"
SPOT_S: Final = 1.0

#: Makes an address whole, as ``request.build_absolute_uri`` does.
Absolute = Callable[[str], str]
Spans = Mapping[int, tuple[float | None, float | None]]


def collection_of(take: Take, notes: list[PinnedNote], whole: Absolute) -> dict[str, Any]:
    """All of `notes`, which are those of `take`, as an AnnotationCollection with its only page."""
    made: dict[str, Any] = {
        "@context": CONTEXT,
        "id": _address(take, whole),
        "type": "AnnotationCollection",
        "label": f"Notes on the take of {take.learner}, {take.created_at:%Y-%m-%d %H:%M} UTC",
        "total": len(notes),
    }
    if notes:
        made["first"] = _page(take, notes, whole)
    return made


def page_of(take: Take, notes: list[PinnedNote], whole: Absolute) -> dict[str, Any]:
    """The collection's only page, alone."""
    return {"@context": CONTEXT, **_page(take, notes, whole), "partOf": _address(take, whole)}


def _address(take: Take, whole: Absolute) -> str:
    return whole(reverse("review:annotations", args=[take.pk]))


def _page(take: Take, notes: list[PinnedNote], whole: Absolute) -> dict[str, Any]:
    spans = spans_of(take)
    return {
        "id": f"{_address(take, whole)}?page=0",
        "type": "AnnotationPage",
        "startIndex": 0,
        "items": [_annotation(note, take, spans, whole) for note in notes],
    }


def annotation(note: PinnedNote, take: Take, whole: Absolute) -> dict[str, Any]:
    """One note of `take` as an Annotation that stands alone."""
    return {"@context": CONTEXT, **_annotation(note, take, spans_of(take), whole)}


def spans_of(take: Take) -> Spans:
    """Where each movement of `take` is heard, from and to."""
    return {index: (start, end) for index, start, end in take.movements.values_list("index", "start_s", "end_s")}


def address_of(pk: Any, whole: Absolute) -> str:
    """The annotation's own address."""
    return whole(reverse("review:annotation", args=[pk]))


def _annotation(note: PinnedNote, take: Take, spans: Spans, whole: Absolute) -> dict[str, Any]:
    made: dict[str, Any] = {
        "id": address_of(note.pk, whole),
        "type": "Annotation",
        "motivation": "replying" if note.answer_to_id else "commenting",
        "creator": {"type": "Person", "name": str(note.author)},
        "created": _moment(note.created_at),
    }
    if note.edited_at is not None:
        made["modified"] = _moment(note.edited_at)
    bodies = _bodies(note, whole)
    if bodies:
        made["body"] = bodies[0] if len(bodies) == 1 else bodies
    if note.answer_to_id:
        made["target"] = address_of(note.answer_to_id, whole)
        return made
    targets = _targets(note, take, spans, whole)
    made["target"] = targets[0] if len(targets) == 1 else targets
    return made


def _bodies(note: PinnedNote, whole: Absolute) -> list[dict[str, Any]]:
    bodies: list[dict[str, Any]] = []
    purpose = "replying" if note.answer_to_id else "commenting"
    if note.text:
        bodies.append({"type": "TextualBody", "value": note.text, "format": "text/plain", "purpose": purpose})
    if note.recording is not None and note.recording.audio:
        sound = whole(reverse("review:answer-sound", args=[note.pk]))
        bodies.append({"id": sound, "type": "Sound", "format": "audio/flac"})
    return bodies


def _targets(note: PinnedNote, take: Take, spans: Spans, whole: Absolute) -> list[Any]:
    sound = whole(reverse("takes:sound", args=[take.pk]))
    known = [spans.get(index, (None, None)) for index in note.indexes] or [(note.start_s, note.end_s)]
    placed = [(start, end) for start, end in known if start is not None]
    if not placed:  # a movement that was not played has no place: the note is on the take as a whole
        return [{"id": sound, "type": "Sound", "format": "audio/flac"}]
    return [
        {
            "type": "SpecificResource",
            "source": sound,
            "selector": {
                "type": "FragmentSelector",
                "conformsTo": MEDIA_FRAGMENTS,
                "value": fragment(start, end, last_s=take.duration_s),
            },
        }
        for start, end in placed
    ]


def fragment(start_s: float, end_s: float | None, *, last_s: float | None = None) -> str:
    """The media fragment from `start_s` to `end_s` (a spot: None), which always ends after it begins."""
    start = max(0.0, start_s)
    end = end_s if end_s is not None and end_s > start + 0.001 else start + SPOT_S
    if last_s is not None and start < last_s:
        end = min(end, max(last_s, start + 0.001))
    return f"t={_seconds(start)},{_seconds(end)}"


def _seconds(value: float) -> str:
    return f"{value:.3f}".rstrip("0").rstrip(".")


def _moment(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
