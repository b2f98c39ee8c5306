"""MusicXML out and in: valid by the published schema, read by others, and the same music when read back."""

from __future__ import annotations

import io
import re
import zipfile
from fractions import Fraction
from functools import cache
from pathlib import Path

import music21
import pytest
import verovio
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from analysis.chanter import Note
from analysis.movements import KINDS
from analysis.musicxml import from_musicxml, to_musicxml
from analysis.musicxml_file import MAX_BYTES, MAX_DEPTH
from analysis.score import Score, ScoreError, parse_abc, to_abc
from tests.analysis.every_drill import every_drill

SCHEMAS = Path(__file__).parent.parent / "data" / "schemas"
PHRASE = """T:A phrase, & more <than> one
M:6/8
L:1/8
Q:3/8=50
N:Slow, and even
K:HP
A|{g}B2c {gde}d2e|{GdGe}A2 z {gef}e>fg|{ag}a3 {gAGAG}A2 z|z6|{Gdc}d3 z3|{g}a3-a3|{g}d{G}d{c}d (3{g}ABc d|]
"""
#: As the nine notes sound on paper: MIDI numbers from low G to high A.
KEYS = (67, 69, 71, 73, 74, 76, 78, 79, 81)


class _Published(etree.Resolver):
    """Answers the schema's addresses with the published files beside it."""

    def resolve(self, url, public_id, context):  # type: ignore[no-untyped-def]
        return self.resolve_filename(str(SCHEMAS / url.rpartition("/")[2]), context)


@cache
def schema() -> etree.XMLSchema:
    parser = etree.XMLParser(no_network=True)
    parser.resolvers.add(_Published())
    return etree.XMLSchema(etree.parse(str(SCHEMAS / "musicxml.xsd"), parser))


def assert_valid(document: str) -> None:
    schema().assertValid(etree.fromstring(document.encode(), etree.XMLParser(load_dtd=False, no_network=True)))


def document(body: str, *, opening: str = "", parts: str = "") -> bytes:
    """A MusicXML file whose one part holds `body`."""
    return (
        '<?xml version="1.0" encoding="UTF-8"?>'
        '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 3.1 Partwise//EN" "http://x.invalid/p.dtd">'
        f'<score-partwise version="3.1"><part-list><score-part id="P1"><part-name>Chanter</part-name></score-part>'
        f'</part-list><part id="P1">{body}</part>{parts}</score-partwise>'
    ).encode()


def note(step: str = "A", octave: int = 4, duration: int = 4, more: str = "", alter: str = "") -> str:
    alter = f"<alter>{alter}</alter>" if alter else ""
    return (
        f"<note><pitch><step>{step}</step>{alter}<octave>{octave}</octave></pitch>"
        f"<duration>{duration}</duration>{more}</note>"
    )


ATTRIBUTES = "<attributes><divisions>4</divisions><time><beats>4</beats><beat-type>4</beat-type></time></attributes>"
BAR = "<measure number='{}'>{}</measure>"


def bar(number: int, *content: str) -> str:
    return BAR.format(number, (ATTRIBUTES if number == 1 else "") + "".join(content))


def test_every_movement_in_every_family_is_read_back_as_it_was_written() -> None:
    drills = every_drill()
    assert len(drills) > 250
    met = {movement.kind for score in drills.values() for movement in score.movements}
    assert met == set(KINDS) - {"unknown"}
    for name, score in drills.items():
        assert from_musicxml(to_musicxml(score).encode()) == score, name
        assert parse_abc(to_abc(score)) == score, name


def test_every_drill_is_valid_by_the_published_schema() -> None:
    for score in every_drill().values():
        assert_valid(to_musicxml(score))


def test_the_schema_refuses_what_is_wrong() -> None:
    wrong = to_musicxml(parse_abc(PHRASE)).replace("<voice>1</voice><type>eighth</type>", "<type>eighth</type><voice/>")
    with pytest.raises(etree.DocumentInvalid):
        assert_valid(wrong)


def test_a_phrase_with_pickup_rests_ties_and_triplets() -> None:
    score = parse_abc(PHRASE)
    written = to_musicxml(score)
    assert_valid(written)
    assert from_musicxml(written.encode()) == score
    assert 'number="0" implicit="yes"' in written
    assert written.count("<tuplet ") == 2


#: What sounds: a note with its length in quarter notes and the gracenotes before it; tied notes are one.
Heard = list[tuple[Note, Fraction, tuple[Note, ...]]]


def heard(score: Score) -> Heard:
    found: Heard = []
    tied = False
    for theme in score.themes:
        quarters = theme.duration * score.beat_unit * 4
        found = _with(found, theme.note, quarters, theme.gracenotes, goes_on=tied)
        tied = theme.tied
    return found


def _with(found: Heard, sound: Note, quarters: Fraction, graces: tuple[Note, ...], *, goes_on: bool) -> Heard:
    if goes_on:
        return [*found[:-1], (sound, found[-1][1] + quarters, found[-1][2])]
    return [*found, (sound, quarters, graces)]


@pytest.mark.parametrize("reader", ["music21", "verovio"])
def test_others_read_the_same_notes(reader: str) -> None:
    by = {"music21": _by_music21, "verovio": _by_verovio}[reader]
    drills = [score for name, score in every_drill().items() if "from short notes" in name or "chain" in name]
    for score in [parse_abc(PHRASE), *drills[::6]]:
        assert by(to_musicxml(score)) == heard(score), score.title


def _by_music21(written: str) -> Heard:
    found: Heard = []
    graces: list[Note] = []
    for symbol in music21.converter.parseData(written, format="musicxml").parts[0].recurse().notes:
        sound = Note(KEYS.index(symbol.pitch.midi))
        if symbol.duration.isGrace:
            graces.append(sound)
            continue
        quarters = Fraction(symbol.duration.quarterLength).limit_denominator(1000)
        goes_on = symbol.tie is not None and symbol.tie.type in ("stop", "continue")
        found, graces = _with(found, sound, quarters, tuple(graces), goes_on=goes_on), []
    return found


def _by_verovio(written: str) -> Heard:
    toolkit = verovio.toolkit()
    assert toolkit.loadData(written)
    mei = etree.fromstring(toolkit.getMEI().encode())
    space = "{http://www.music-encoding.org/ns/mei}"
    tied = {tie.get("endid", "")[1:] for tie in mei.iter(f"{space}tie")}
    found: Heard = []
    graces: list[Note] = []
    for symbol in mei.iter(f"{space}note"):
        sound = Note("gabcdefga".index(symbol.get("pname"), 0 if symbol.get("oct") == "4" else 2))
        if symbol.get("grace"):
            graces.append(sound)
            continue
        quarters = Fraction(4, int(symbol.get("dur"))) * (2 - Fraction(1, 2 ** int(symbol.get("dots", "0"))))
        for tuplet in symbol.iterancestors(f"{space}tuplet"):
            quarters = quarters * int(tuplet.get("numbase")) / int(tuplet.get("num"))
        goes_on = symbol.get("{http://www.w3.org/XML/1998/namespace}id") in tied
        found, graces = _with(found, sound, quarters, tuple(graces), goes_on=goes_on), []
    return found


@given(st.text(alphabet="ABcdefgaGz{}|23/<>()-: \n", max_size=60), st.sampled_from(["4/4", "6/8", "3/4", "C|"]))
@settings(max_examples=150, deadline=None, derandomize=True, database=None)
def test_whatever_can_be_read_as_abc_comes_back_by_musicxml(text: str, meter: str) -> None:
    try:
        score = parse_abc(f"M:{meter}\nL:1/8\nK:HP\n{text}")
    except ScoreError:
        return
    written = to_musicxml(score)
    assert_valid(written)
    back = from_musicxml(written.encode())
    assert heard(back) == heard(score)
    assert [theme.bar for theme in back.themes if not theme.tied] == [t.bar for t in score.themes if not t.tied]
    assert from_musicxml(to_musicxml(back).encode()) == back


def test_repeats_and_endings_are_played_out() -> None:
    body = (
        bar(1, '<barline location="left"><repeat direction="forward"/></barline>', note(duration=16))
        + bar(2, '<barline location="left"><ending number="1" type="start"/></barline>', note("B", duration=16),
              '<barline location="right"><ending number="1" type="stop"/><repeat direction="backward"/></barline>')
        + bar(3, '<barline location="left"><ending number="2" type="start"/></barline>', note("D", 5, 16),
              '<barline location="right"><ending number="2" type="discontinue"/></barline>')
        + bar(4, note("E", 5, 16))
    )  # fmt: skip
    score = from_musicxml(document(body))
    assert [theme.note.abc for theme in score.themes] == list("ABAde")
    assert score.themes[-1].onset == 16


def test_gracenotes_before_a_bar_line_belong_to_the_note_after_it() -> None:
    grace = "<note><grace/><pitch><step>G</step><octave>5</octave></pitch><type>32nd</type></note>"
    score = from_musicxml(document(bar(1, note(duration=16), grace) + bar(2, note("B", duration=16))))
    assert [theme.gracenotes for theme in score.themes] == [(), (Note.HIGH_G,)]


def test_c_and_f_may_be_written_plain_or_sharp() -> None:
    body = bar(1, note("C", 5), note("C", 5, alter="1"), note("F", 5), note("F", 5, alter="1"))
    assert [theme.note for theme in from_musicxml(document(body)).themes] == [Note.C, Note.C, Note.F, Note.F]


def test_tempo_and_words_before_the_first_note() -> None:
    words = "<direction><direction-type><words>Hold the  E</words></direction-type></direction>"
    tempo = (
        "<direction><direction-type><metronome><beat-unit>eighth</beat-unit><per-minute>c. 120</per-minute></metronome>"
        '</direction-type></direction><sound tempo="66"/>'
    )
    score = from_musicxml(document(bar(1, words, tempo, note(duration=16), words)))
    assert (score.tempo_bpm, score.instruction) == (60.0, "Hold the E")
    assert from_musicxml(document(bar(1, '<sound tempo="9999"/>', note(duration=16)))).tempo_bpm is None


SECOND = "<voice>2</voice>"
FIRST = "<voice>1</voice>"


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (bar(1, note()) + bar(2, note("G", 4, alter="1")), "bar 2: 'G sharp 4' is not a note of the chanter"),
        (bar(1, note("B", 5)), "from G 4 (low G) to A 5 (high A)"),
        (bar(1, note("B", 4, alter="-1")), "'B flat 4' is not a note of the chanter"),
        (bar(1, note(), "<note><chord/><pitch><step>B</step><octave>4</octave></pitch><duration>4</duration></note>"),
         "bar 1: the chanter plays one note at a time"),
        (bar(1, note(), "<backup><duration>4</duration></backup>"), "bar 1: the part has a second voice"),
        (bar(1, note(more=FIRST), note(more=SECOND)), "bar 1: the part has a second voice"),
        (bar(1, "<note><unpitched/><duration>4</duration></note>"), "bar 1: a note has no pitch"),
        (bar(1, note(duration=0)), "'0' is not a length"),
        (bar(1, note().replace("<duration>4", "<duration>1e9")), "'1e9' is not a length"),
        (bar(1, note(duration=999_999)), "longer than 16 whole notes"),
        (BAR.format(1, note()), "bar 1: a note has no duration"),
        (bar(1, note()) + BAR.format("12a", ATTRIBUTES.replace("<beats>4", "<beats>3")), "bar 12a: the metre changes"),
        (bar(1, ATTRIBUTES.replace("<beats>4", "<beats>3+2")), "bar 1: this metre is not read"),
        (bar(1, note(more='<tie type="start"/>'), note("B")), "bar 1: a tie joins two notes of the same pitch"),
        (bar(1, "<note><rest/><duration>16</duration></note>"), "no notes to play"),
        (bar(1, note(), "<note><grace/><pitch><step>G</step><octave>5</octave></pitch></note>"),
         "bar 1: these gracenotes have no note after them"),
        ("", "no notes to play"),
    ],
)  # fmt: skip
def test_what_cannot_be_played_is_refused_with_its_bar(body: str, said: str) -> None:
    with pytest.raises(ScoreError, match=re.escape(said)):
        from_musicxml(document(body))


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "not a MusicXML file"),
        (b"X:1\nK:HP\nA\n", "not a MusicXML file"),
        (b"<html></html>", "not a MusicXML file"),
        (b"<score-timewise/>", "score-timewise"),
        (document(bar(1, note()), parts='<part id="P2"/>'), "has 2 parts"),
        (b'<?xml version="1.0" encoding="no-such"?><score-partwise/>', "damaged, or not whole"),
        (document(bar(1, note()))[:-30], "damaged, or not whole"),
        (b"PK\x03\x04 not really", "the .mxl file is damaged"),
        (b" " * (MAX_BYTES + 1), "larger than 4 MB"),
        (b"<a>" * (MAX_DEPTH + 1), "more than a piece of music can"),
        (b'<!DOCTYPE a [<!ENTITY b "b">]><score-partwise>&b;</score-partwise>', "declares entities"),
        (b'<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/passwd">]><score-partwise>&b;</score-partwise>', "entities"),
    ],
)
def test_what_is_no_music_is_refused_in_a_sentence(data: bytes, said: str) -> None:
    with pytest.raises(ScoreError, match=re.escape(said)):
        from_musicxml(data)


def test_a_compressed_file_is_read() -> None:
    score = parse_abc(PHRASE)
    assert from_musicxml(packed(to_musicxml(score).encode())) == score
    without = packed(to_musicxml(score).encode(), container=False)
    assert from_musicxml(without) == score


def test_a_compressed_file_that_grows_too_far_is_refused() -> None:
    with pytest.raises(ScoreError, match="unpacked, the file is larger"):
        from_musicxml(packed(b" " * (MAX_BYTES + 1)))
    with pytest.raises(ScoreError, match="holds no music"):
        from_musicxml(packed(b"", container=False, name="picture.png"))


def packed(music: bytes, *, container: bool = True, name: str = "music/score.musicxml") -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        if container:
            archive.writestr(
                "META-INF/container.xml",
                f'<container><rootfiles><rootfile full-path="{name}"/></rootfiles></container>',
            )
        archive.writestr(name, music)
    return file.getvalue()


@given(st.binary(max_size=400), st.integers(0, 4000))
@settings(max_examples=100, deadline=None, derandomize=True, database=None)
def test_a_broken_file_is_refused_and_nothing_else_happens(rubbish: bytes, place: int) -> None:
    whole = packed(to_musicxml(parse_abc(PHRASE)).encode())
    for data in (rubbish, b"PK\x03\x04" + rubbish, whole[:place] + rubbish + whole[place + len(rubbish) :]):
        try:
            from_musicxml(data)
        except ScoreError:
            continue
