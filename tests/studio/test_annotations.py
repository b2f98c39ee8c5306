"""Pinned notes as Web Annotations, held against the W3C Web Annotation Data Model of 23 February 2017.

The schema below is our own: each rule names the section of the recommendation whose MUST or SHOULD it is. Media
fragments are held against the grammar of Media Fragments URI 1.0, section 4.2.1 (normal play time).
"""

import json
import re

import pytest
from django.urls import reverse
from jsonschema import Draft202012Validator

from studio.review import annotations, services
from studio.review.models import PinnedNote
from tests.conftest import make_ready_take

pytestmark = pytest.mark.django_db

IRI = {"type": "string", "pattern": r"^https?://[^\s]+$"}
#: 3.3.1: created and modified are xsd:dateTime, and SHOULD be in UTC with a Z.
MOMENT = {"type": "string", "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z$"}
#: 3.3.5: the motivations, which serve as purposes as well.
MOTIVATION = {
    "enum": [
        "assessing", "bookmarking", "classifying", "commenting", "describing", "editing", "highlighting", "identifying",
        "linking", "moderating", "questioning", "replying", "tagging",
    ]
}  # fmt: skip
SCHEMA = {
    "$defs": {
        # 3.2.1: an external web resource MUST have exactly one id, SHOULD have one format; 3.2.2: known classes.
        "external": {
            "type": "object",
            "required": ["id"],
            "properties": {
                "id": IRI,
                "type": {"enum": ["Dataset", "Image", "Video", "Sound", "Text"]},
                "format": {"type": "string", "pattern": r"^[a-z]+/[\w.+-]+$"},
            },
            "not": {"anyOf": [{"required": ["value"]}, {"required": ["source"]}]},
        },
        # 3.2.4: a textual body MUST have exactly one value, SHOULD be called TextualBody, MAY have one purpose.
        "textual": {
            "type": "object",
            "required": ["type", "value"],
            "properties": {
                "type": {"const": "TextualBody"},
                "value": {"type": "string", "minLength": 1},
                "format": {"const": "text/plain"},
                "purpose": MOTIVATION,
            },
        },
        # 4: a specific resource MUST have exactly one source; 4.2.1: a fragment selector MUST have exactly one type
        # and value, SHOULD have exactly one conformsTo.
        "specific": {
            "type": "object",
            "required": ["source", "selector"],
            "properties": {
                "type": {"const": "SpecificResource"},
                "source": IRI,
                "selector": {
                    "type": "object",
                    "required": ["type", "value", "conformsTo"],
                    "properties": {
                        "type": {"const": "FragmentSelector"},
                        "conformsTo": {"const": "http://www.w3.org/TR/media-frags/"},
                        "value": {"type": "string", "pattern": r"^t=\d+(\.\d+)?,\d+(\.\d+)?$"},
                    },
                },
            },
        },
        "one_body": {"oneOf": [{"$ref": "#/$defs/textual"}, {"$ref": "#/$defs/external"}]},
        "one_target": {"oneOf": [IRI, {"$ref": "#/$defs/specific"}, {"$ref": "#/$defs/external"}]},
        "annotation": {
            "type": "object",
            # 3.1: exactly one id, a type that includes Annotation, one target or more.
            "required": ["id", "type", "target"],
            "properties": {
                "id": IRI,
                "type": {"const": "Annotation"},
                "body": {
                    "oneOf": [
                        {"$ref": "#/$defs/one_body"},
                        {"type": "array", "minItems": 2, "items": {"$ref": "#/$defs/one_body"}},
                    ]
                },
                "target": {
                    "oneOf": [
                        {"$ref": "#/$defs/one_target"},
                        {"type": "array", "minItems": 2, "items": {"$ref": "#/$defs/one_target"}},
                    ]
                },
                "motivation": MOTIVATION,
                # 3.3.2: an agent's type and name.
                "creator": {
                    "type": "object",
                    "required": ["type", "name"],
                    "properties": {
                        "type": {"enum": ["Person", "Organization", "Software"]},
                        "name": {"type": "string"},
                    },
                },
                "created": MOMENT,
                "modified": MOMENT,
            },
            # 3.2.5: bodyValue and body MUST NOT stand together; we have the latter alone.
            "not": {"required": ["bodyValue"]},
            "additionalProperties": {"not": {}},
        },
    },
}
SCHEMA["$defs"]["annotation"]["properties"]["@context"] = {"const": "http://www.w3.org/ns/anno.jsonld"}
ALONE = {**SCHEMA, "allOf": [{"$ref": "#/$defs/annotation"}, {"required": ["@context"]}]}
CONTEXT = {"const": "http://www.w3.org/ns/anno.jsonld"}
#: 5.2: a page MUST have an id, a type and items, an ordered list; startIndex SHOULD be there.
EMBEDDED = {
    "type": "object",
    "required": ["id", "type", "items", "startIndex"],
    "properties": {
        "id": IRI,
        "type": {"const": "AnnotationPage"},
        "partOf": IRI,
        "startIndex": {"const": 0},
        "items": {"type": "array", "items": {"$ref": "#/$defs/annotation"}},
    },
}
#: 5.2: a page that is not embedded MUST have the context and say what it is part of.
PAGE = {**SCHEMA, **EMBEDDED, "allOf": [{"required": ["@context", "partOf"]}, {"properties": {"@context": CONTEXT}}]}
#: 5.1: a collection MUST have context, id, type, and a first page if there is anything in it; label and total SHOULD be
#: there.
COLLECTION = {
    **SCHEMA,
    "type": "object",
    "required": ["@context", "id", "type", "label", "total"],
    "properties": {
        "@context": CONTEXT,
        "id": IRI,
        "type": {"const": "AnnotationCollection"},
        "label": {"type": "string"},
        "total": {"type": "integer", "minimum": 0},
        "first": EMBEDDED,
    },
    "if": {"properties": {"total": {"minimum": 1}}},
    "then": {"required": ["first"]},
}


def valid(data, schema):
    Draft202012Validator.check_schema(schema)
    faults = [error.message for error in Draft202012Validator(schema).iter_errors(data)]
    assert not faults, faults


def span(value):
    """The fragment's begin and end: the latter must be later, or it is no media fragment at all (section 4.2.1)."""
    found = re.fullmatch(r"t=(\d+(?:\.\d+)?),(\d+(?:\.\d+)?)", value)
    assert found, value
    begin, end = map(float, found.groups())
    assert begin < end
    return begin, end


@pytest.fixture
def pinned(ready_take, tutor, learner, small_flac, sample_report):
    """A note of every kind on the take, by what it is."""
    played = make_ready_take(tutor, None, sample_report, small_flac)
    made = {
        "movement": services.pin(ready_take, tutor, "Wait for it.", movement_index=3),
        "several": services.pin(ready_take, tutor, "All of these.", movement_indexes=[1, 5, 7]),
        "spot": services.pin(ready_take, learner, "What is this?", start_s=2.5),
        "stretch": services.pin(ready_take, tutor, "“Slower” & <b>wider</b>", start_s=3.0, end_s=9.25),
        "recorded": PinnedNote.objects.create(take=ready_take, author=tutor, movement_index=4, recording=played),
    }
    services.edit(made["stretch"], "“Slower” & <b>wider</b>, please")
    made["answer"] = services.pin(ready_take, tutor, "A crossing noise.", answer_to=made["spot"])
    return made


def page(client, take):
    answer = client.get(reverse("review:annotations", args=[take.pk]), {"page": "0"})
    assert answer.status_code == 200
    return answer, json.loads(answer.content)


def test_the_page_of_a_take_is_valid(client_for, learner, ready_take, pinned):
    answer, data = page(client_for(learner), ready_take)
    # Web Annotation Protocol, section 4.1: the media type with its profile.
    assert answer["Content-Type"] == 'application/ld+json; profile="http://www.w3.org/ns/anno.jsonld"'
    valid(data, PAGE)
    assert len(data["items"]) == len(pinned)
    assert "private" in answer["Cache-Control"]


def test_the_collection_of_a_take_is_valid(client_for, learner, ready_take, pinned):
    client = client_for(learner)
    address = reverse("review:annotations", args=[ready_take.pk])
    data = json.loads(client.get(address).content)
    valid(data, COLLECTION)
    assert data["total"] == len(data["first"]["items"]) == len(pinned)
    assert data["id"] == f"http://testserver{address}"
    alone = json.loads(client.get(data["first"]["id"]).content)
    assert alone["partOf"] == data["id"]
    assert alone["items"] == data["first"]["items"]


def test_an_empty_one_is_valid_as_well(client_for, tutor, ready_take):
    client = client_for(tutor)
    _, data = page(client, ready_take)
    valid(data, PAGE)
    assert data["items"] == []
    data = json.loads(client.get(reverse("review:annotations", args=[ready_take.pk])).content)
    valid(data, COLLECTION)
    assert data["total"] == 0


def test_each_annotation_is_found_at_its_own_address_and_valid(client_for, learner, ready_take, pinned):
    client = client_for(learner)
    _, data = page(client, ready_take)
    for item in data["items"]:
        alone = client.get(item["id"])
        assert alone.status_code == 200
        told = json.loads(alone.content)
        valid(told, ALONE)
        assert {key: value for key, value in told.items() if key != "@context"} == item


def test_targets_are_the_places_of_the_notes(client_for, tutor, ready_take, pinned):
    _, data = page(client_for(tutor), ready_take)
    by = {item["id"].split("/")[-2]: item for item in data["items"]}
    found = {name: by[str(note.pk)] for name, note in pinned.items()}
    moves = ready_take.report["movements"]
    sound = f"http://testserver{reverse('takes:sound', args=[ready_take.pk])}"
    assert found["movement"]["target"]["source"] == sound
    whole = span(found["movement"]["target"]["selector"]["value"])
    assert whole == pytest.approx((moves[3]["start_s"], moves[3]["end_s"]), abs=0.001)
    several = [span(target["selector"]["value"])[0] for target in found["several"]["target"]]
    assert several == pytest.approx([moves[index]["start_s"] for index in (1, 5, 7)], abs=0.001)
    assert span(found["spot"]["target"]["selector"]["value"]) == (2.5, 3.5)
    assert span(found["stretch"]["target"]["selector"]["value"]) == (3.0, 9.25)
    assert found["answer"]["target"] == found["spot"]["id"]
    assert (found["answer"]["motivation"], found["spot"]["motivation"]) == ("replying", "commenting")


def test_bodies_are_words_and_recordings_as_they_are(client_for, tutor, ready_take, pinned):
    client = client_for(tutor)
    _, data = page(client, ready_take)
    by = {item["id"].split("/")[-2]: item for item in data["items"]}
    assert by[str(pinned["stretch"].pk)]["body"]["value"] == "“Slower” & <b>wider</b>, please"
    assert "modified" in by[str(pinned["stretch"].pk)]
    assert "modified" not in by[str(pinned["movement"].pk)]
    sound = by[str(pinned["recorded"].pk)]["body"]
    assert sound["type"] == "Sound"
    assert b"".join(client.get(sound["id"]).streaming_content)


def test_deleted_notes_and_their_answers_are_gone(client_for, tutor, ready_take, pinned):
    services.delete(pinned["spot"])
    client = client_for(tutor)
    _, data = page(client, ready_take)
    gone = {str(pinned["spot"].pk), str(pinned["answer"].pk)}
    assert gone.isdisjoint(item["id"].split("/")[-2] for item in data["items"])
    for key in gone:
        assert client.get(reverse("review:annotation", args=[key])).status_code == 404


def test_a_movement_that_was_not_played_leaves_the_note_on_the_whole_sound(client_for, tutor, ready_take):
    ready_take.movements.filter(index=2).update(start_s=None, end_s=None)
    ready_take.report["movements"][2].update(start_s=None, end_s=None)
    ready_take.save()
    services.pin(ready_take, tutor, "Not there.", movement_index=2)
    _, data = page(client_for(tutor), ready_take)
    valid(data, PAGE)
    assert data["items"][0]["target"]["type"] == "Sound"


@pytest.mark.parametrize(
    ("start", "end", "last", "wanted"),
    [
        (1.0, 2.0, None, "t=1,2"),
        (1.23456, None, None, "t=1.235,2.235"),
        (1.0, 1.0, None, "t=1,2"),
        (-0.5, 1.0, None, "t=0,1"),
        (9.8, None, 10.0, "t=9.8,10"),
        (10.2, None, 10.0, "t=10.2,11.2"),
        (10.0, None, 10.0, "t=10,11"),
    ],
)
def test_fragments_end_after_they_begin(start, end, last, wanted):
    assert annotations.fragment(start, end, last_s=last) == wanted
    span(wanted)


def test_a_take_with_many_notes_takes_few_queries(client_for, tutor, ready_take, django_assert_max_num_queries):
    for number in range(40):
        services.pin(ready_take, tutor, f"note {number}", movement_indexes=[number % 15, (number + 3) % 15])
    client = client_for(tutor)
    client.get(reverse("review:annotations", args=[ready_take.pk]))
    with django_assert_max_num_queries(12):
        page(client, ready_take)


@pytest.mark.parametrize(
    "broken",
    [
        lambda item: item.pop("target"),
        lambda item: item.update(type="Note"),
        lambda item: item["target"]["selector"].update(value="t=soon"),
        lambda item: item["target"]["selector"].pop("conformsTo"),
        lambda item: item["target"].pop("source"),
        lambda item: item["body"].pop("value"),
        lambda item: item.update(created="yesterday"),
        lambda item: item.update(motivation="scolding"),
    ],
)
def test_the_schema_finds_what_is_wrong(client_for, tutor, ready_take, broken):
    services.pin(ready_take, tutor, "x", start_s=1.0)
    _, data = page(client_for(tutor), ready_take)
    broken(data["items"][0])
    with pytest.raises(AssertionError):
        valid(data, PAGE)
