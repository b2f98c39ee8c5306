"""ABC in and out: what is read, what is refused and where, and that writing and reading agree."""

from __future__ import annotations

import json
from collections import Counter
from fractions import Fraction
from pathlib import Path
from xml.etree import ElementTree

import music21
import pytest
import verovio
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.abc_bars import Bar, Event, assemble
from analysis.chanter import ABC_LETTERS, Note
from analysis.score import Score, ScoreError, ThemeNote, beat_unit_of, parse_abc, to_abc

DATA = Path(__file__).parent.parent / "data"
HEADER = "X:1\nT:Test\nM:4/4\nL:1/4\nK:HP\n"


def body(text: str, *, meter: str = "4/4", unit: str = "1/4") -> Score:
    return parse_abc(f"X:1\nM:{meter}\nL:{unit}\nK:HP\n{text}\n")


def letters(score: Score) -> str:
    return "".join(theme.note.abc for theme in score.themes)


def durations(score: Score) -> list[Fraction]:
    return [theme.duration for theme in score.themes]


def test_a_drill_has_its_movements_bars_and_beats() -> None:
    score = parse_abc((DATA / "sample_report.abc").read_text())
    assert (score.title, score.meter, score.beat_unit, score.tempo_bpm) == ("Exercise", (4, 4), Fraction(1, 4), 60.0)
    assert [(theme.bar, theme.beat) for theme in score.themes[:5]] == [(1, 1), (1, 2), (1, 3), (1, 4), (2, 1)]
    first, second = score.movements[:2]
    assert (first.kind, first.on, first.approach, first.bar, first.beat) == ("gracenote", Note.E, Note.LOW_G, 1, 2)
    assert (second.kind, second.form, second.gracenotes) == ("doubling", "full", (Note.HIGH_G, Note.E, Note.F))
    assert [movement.form for movement in score.movements[-2:]] == ["thumb", "half"]


@pytest.mark.parametrize("path", sorted((DATA / "takes").glob("*.abc")), ids=lambda path: path.stem)
def test_the_development_takes_are_read(path: Path) -> None:
    """Their movements are those that the truth beside them lists, theme note by theme note."""
    score = parse_abc(path.read_text())
    truth = json.loads(path.with_suffix(".json").read_text())["moves"]
    for movement, told in zip(score.movements, truth, strict=True):
        assert (movement.theme, movement.on.label) == (told["item"], told["on"])
        assert told["kind"] == (f"{movement.kind}/{movement.form}" if movement.form else movement.kind)
        assert movement.approach is not None
        assert told["frm"] == movement.approach.label
    assert parse_abc(to_abc(score)) == score


def test_lengths() -> None:
    assert durations(body("A2 A A/ A/2 A// A/4 A3/2 A3/4 A3/")) == [
        Fraction(quarters, 4) for quarters in (8, 4, 2, 2, 1, 1, 6, 3, 6)
    ]


def test_broken_rhythm_and_triplets() -> None:
    assert durations(body("A>B c<d A>>B A>{g}B")) == [Fraction(quarters, 4) for quarters in (6, 2, 2, 6, 7, 1, 6, 2)]
    assert durations(body("(3ABc d")) == [Fraction(2, 3)] * 3 + [1]


@pytest.mark.parametrize(
    ("meter", "unit", "beats"),
    [("4/4", "1/4", 4), ("C|", "1/2", 2), ("6/8", "3/8", 2), ("9/8", "3/8", 3), ("3/8", "1/8", 3)],
)
def test_the_beat_of_a_metre(meter: str, unit: str, beats: int) -> None:
    score = body("A8", meter=meter, unit="1/8")
    assert score.beat_unit == Fraction(unit)
    assert Fraction(*score.meter) / score.beat_unit == beats


@pytest.mark.parametrize(
    ("meter", "field", "bpm"),
    [
        ("4/4", "1/4=62", 62),
        ("4/4", "62", 62),
        ("4/4", '"Slow" 1/4=62', 62),
        ("4/4", '1/8=124 "Slow"', 62),
        ("6/8", "3/8=50", 50),
        ("6/8", "1/4=75", 50),
        ("C|", "1/4=120", 60),
        ("4/4", "C2=30", 30),
        ("4/4", '"Slow"', None),
        ("4/4", "", None),
    ],
)
def test_the_tempo_is_in_beats(meter: str, field: str, bpm: float | None) -> None:
    score = parse_abc(f"X:1\nM:{meter}\nL:1/8\nQ:{field}\nK:HP\nA\n")
    assert score.tempo_bpm == (None if bpm is None else pytest.approx(bpm))


def test_defaults_of_the_standard() -> None:
    assert parse_abc("K:Hp\nA").meter == (4, 4)
    assert durations(parse_abc("M:2/4\nK:HP\nA")) == [Fraction(1, 4)]  # below 3/4 the unit is a sixteenth
    assert durations(parse_abc("M:3/4\nK:HP\nA")) == [Fraction(1, 2)]


@pytest.mark.parametrize(
    ("text", "played"),
    [
        ("A B :|", "ABAB"),
        ("|: A B :| c |", "ABABc"),
        ("A |: B :| c", "ABBc"),
        ("|: A | B |1 c :|2 d | e |]", "ABcABde"),
        ("|: A |1 B :|2 c || d :|", "ABAcdd"),
        ("|: A |[1 B :|[2 c :| d", "ABAcd"),
        ("|: A |1,3 B :|2 c :| d |]", "ABAcABd"),
        ("|: A |1 B :| c |]", "ABAc"),
        ("A || B :|", "ABB"),
        ("|: A :: B :|", "AABB"),
        ("|: A :|: B :|", "AABB"),
        ("|: A ::| B", "AAAB"),
    ],
)
def test_repeats_are_unfolded(text: str, played: str) -> None:
    assert letters(body(text)) == played


def test_a_pickup_is_bar_0_and_ends_with_its_bar() -> None:
    score = body("A | B4 | c4 |]")
    assert [(theme.bar, theme.beat) for theme in score.themes] == [(0, 4), (1, 1), (2, 1)]


def test_a_short_bar_before_a_repeat_and_the_pickup_after_it_are_one_bar() -> None:
    score = body("|: A | B4 | c3 :| A | d4 |]")
    assert letters(score) == "ABcABcAd"
    assert [theme.bar for theme in score.themes] == [0, 1, 2, 2, 3, 4, 4, 5]
    assert [theme.beat for theme in score.themes] == [4, 1, 1, 4, 1, 1, 4, 1]


def test_a_bar_of_another_length_is_not_an_error() -> None:
    assert [theme.bar for theme in body("A2 B2 | c | d2 e2 f2 | g4").themes] == [1, 1, 2, 3, 3, 3, 4]


@pytest.mark.parametrize("second", ["B2 c2", "-B2 c2", "- B2 c2"])
def test_a_tie_goes_into_both_endings(second: str) -> None:
    score = body(f"|: A2 B2- |1 B2 A2 :|2 {second} |]")
    assert letters(score) == "ABBAABBc"
    assert [place for place, theme in enumerate(score.themes) if theme.tied] == [1, 5]


def test_a_tie_may_stand_only_at_the_second_ending() -> None:
    score = body("|: A2 B2 |1 c4 :|2 -B4 |]")
    assert [theme.tied for theme in score.themes] == [False, False, False, False, True, False]


def test_rests_ties_comments_continuation_beams_and_words() -> None:
    score = body('A2-A z "slow" (BA) | % a word\n{/g}c2 \\\nA2 |]\nw: not sung\n\nX:2\nK:HP\nb')
    assert letters(score) == "AABAcA"
    assert [theme.tied for theme in score.themes] == [True, False, False, False, False, False]
    assert score.themes[2].onset == 4
    assert score.themes[4].gracenotes == (Note.HIGH_G,)


def test_gracenotes_may_stand_before_a_bar_line() -> None:
    assert body("A4 {g}| B4").themes[1].gracenotes == (Note.HIGH_G,)


def test_title_and_instruction() -> None:
    score = parse_abc("X:1\nT:One \\% two % no title\nT:Other name\nN:slow\nN:and even\nK:HP\nA")
    assert (score.title, score.instruction) == ("One % two", "slow and even")


@pytest.mark.parametrize(
    ("text", "line", "column", "said"),
    [
        (HEADER + "A ^B", 6, 3, "accidentals"),
        (HEADER + "|: A B |1 A :|2 -c |", 6, 17, "same pitch"),
        (HEADER + "|: A B |1 A :|2 - | B", 6, 17, "after this tie"),
        (HEADER + "|: A B |1 A :|2 -z B", 6, 17, "after this tie"),
        (HEADER + "A | -A", 6, 5, "right after its note"),
        (HEADER + "A B'", 6, 4, "octave"),
        (HEADER + "A G,", 6, 4, "octave"),
        (HEADER + "A\n[AB]", 7, 1, "chords"),
        (HEADER + "A b", 6, 3, "'b' is not a chanter note"),
        (HEADER + "C", 6, 1, "'C' is not a chanter note"),
        (HEADER + "A {g B", 6, 3, "not closed"),
        (HEADER + "A {gb}B", 6, 5, "'b' is not a gracenote"),
        (HEADER + "A {}B", 6, 3, "no gracenote"),
        (HEADER + "A {g}", 6, 3, "no note after"),
        (HEADER + "A {g}z", 6, 3, "before a rest"),
        (HEADER + "A {g}{d}B", 6, 6, "between two groups"),
        (HEADER + "A/0", 6, 1, "not a length"),
        (HEADER + "A999999", 6, 1, "whole notes"),
        (HEADER + "A >", 6, 3, "a note is expected after"),
        (HEADER + "> A", 6, 1, "between two notes"),
        (HEADER + "(5ABcde", 6, 1, "triplets"),
        (HEADER + "A-B", 6, 1, "same pitch"),
        (HEADER + "A-", 6, 1, "same pitch"),
        (HEADER + "z-A", 6, 2, "after its note"),
        (HEADER + "A $", 6, 3, "'$' is not read"),
        (HEADER + "Z2", 6, 1, "whole bars"),
        (HEADER + "M:3/4\nA", 6, 1, "change of M:"),
        (HEADER + "A [K:D] B", 6, 3, "change of K:"),
        ("X:1\nM:5\nK:HP\nA", 2, 3, "not a metre"),
        ("X:1\nM:4/3\nK:HP\nA", 2, 3, "not a metre"),
        ("X:1\nL:0\nK:HP\nA", 2, 3, "not a unit note length"),
        ("X:1\nQ:fast\nK:HP\nA", 2, 3, "not a tempo"),
        ("X:1\nQ:1/4=0\nK:HP\nA", 2, 3, "not a tempo"),
        ("X:1\nK:D\nA", 2, 3, "K:HP"),
        ("X:1\nV:1\nK:HP\nA", 2, 1, "voices"),
        ("X:1\nA B c\n", 2, 1, "header"),
        ("X:1\nT:No key", 2, 1, "K:HP"),
    ],
)
def test_what_is_refused_and_where(text: str, line: int, column: int, said: str) -> None:
    with pytest.raises(ScoreError) as caught:
        parse_abc(text)
    assert (caught.value.line, caught.value.column) == (line, column)
    assert said in str(caught.value)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (HEADER + "z4 |", "no notes"),
        ("", "K:HP"),
        (HEADER + "A" * 100_001, "longer than"),
        (HEADER + "|:A:|" * 4000, "more than"),
        (HEADER + "|:" + "A" * 10 + ":" * 6000 + "|", "more than"),
    ],
)
def test_tunes_that_are_empty_or_endless_are_refused(text: str, said: str) -> None:
    with pytest.raises(ScoreError, match=said):
        parse_abc(text)


@given(st.text(alphabet="ABcdefgaGzb{}|:[]12/<>-()~^'% \n\\!\"", max_size=60))
@settings(max_examples=200, deadline=None)
def test_any_text_gives_a_score_or_a_score_error(text: str) -> None:
    try:
        score = parse_abc(HEADER + text)
    except ScoreError:
        return
    assert parse_abc(to_abc(score)) == score


_note = st.sampled_from(list(Note))
_duration = st.sampled_from([Fraction(n, d) for n in (1, 2, 3, 5) for d in (4, 8, 16, 32, 12, 24)])
_event = st.builds(
    Event,
    st.one_of(_note, _note, st.none()),
    _duration,
    gracenotes=st.lists(_note, max_size=4).map(tuple),
).map(lambda event: event if event.note is not None else Event(None, event.duration))
_bars = st.lists(st.builds(Bar, st.lists(_event, max_size=6), double=st.booleans()), min_size=1, max_size=8)
_meters = st.sampled_from([(4, 4), (2, 4), (3, 4), (6, 8), (9, 8), (2, 2), (3, 8), (12, 16)])
_words = st.text(max_size=30).map(lambda text: " ".join(text.split()))


@given(_bars, _meters, _words, _words, st.one_of(st.none(), st.floats(5, 1000).map(lambda bpm: round(bpm, 3))))
@settings(max_examples=200, deadline=None)
def test_writing_and_reading_give_the_same_score(
    bars: list[Bar], meter: tuple[int, int], title: str, instruction: str, tempo: float | None
) -> None:
    unit = beat_unit_of(meter)
    themes = assemble(bars, meter, unit)
    if not themes:
        return
    score = Score(title, meter, unit, tempo, themes, instruction)
    again = parse_abc(to_abc(score))
    assert again.themes == score.themes
    assert (again.title, again.meter, again.beat_unit, again.instruction) == (title, meter, unit, instruction)
    assert again.tempo_bpm == (None if tempo is None else pytest.approx(tempo, abs=1e-9))


def test_ties_survive_the_round_trip() -> None:
    score = body("A2-A2- | A B2 B |]")
    assert parse_abc(to_abc(score)) == score


def test_a_score_whose_beat_is_not_its_metres_cannot_be_written() -> None:
    theme = ThemeNote(Note.B, Fraction(0), Fraction(1), 1, Fraction(1))
    with pytest.raises(ValueError, match="does not belong"):
        to_abc(Score("", (6, 8), Fraction(1, 4), None, (theme,)))


SECOND_READING = [
    (DATA / "sample_report.abc").read_text(),
    "X:1\nM:4/4\nL:1/4\nK:HP\nd3/4 A/4 {gde}d d3/4 B/4 {gde}d | c>d e/f/g/a/ A |]\n",
    "X:1\nM:6/8\nL:1/8\nK:HP\n{g}A2B c3 | {GdGe}A3 {gef}e2 d | e3 z2 f |]\n",
]


@pytest.mark.parametrize("abc", SECOND_READING)
def test_an_independent_reader_agrees(abc: str) -> None:
    """music21 reads the same notes, gracenotes, onsets and lengths."""
    theirs = []
    graces: list[str] = []
    for note in music21.converter.parseData(abc, format="abc").parts[0].flatten().notes:
        letter = ABC_LETTERS[note.pitch.diatonicNoteNum - music21.pitch.Pitch("G4").diatonicNoteNum]
        if note.duration.isGrace:
            graces.append(letter)
            continue
        theirs.append(("".join(graces), letter, Fraction(note.offset), Fraction(note.quarterLength)))
        graces = []
    score = parse_abc(abc)
    quarter = score.beat_unit * 4
    ours = [
        (
            "".join(grace.abc for grace in theme.gracenotes),
            theme.note.abc,
            theme.onset * quarter,
            theme.duration * quarter,
        )
        for theme in score.themes
    ]
    assert ours == theirs


@pytest.mark.parametrize("abc", SECOND_READING)
def test_another_reader_counts_the_same_bars(abc: str) -> None:
    """Verovio's ABC import puts as many theme notes into each bar."""
    toolkit = verovio.toolkit()
    assert toolkit.setInputFrom("abc")
    assert toolkit.loadData(abc)
    measures = ElementTree.fromstring(toolkit.getMEI()).iter("{http://www.music-encoding.org/ns/mei}measure")
    theirs = [
        sum(1 for note in measure.iter("{http://www.music-encoding.org/ns/mei}note") if "grace" not in note.attrib)
        for measure in measures
    ]
    assert list(Counter(theme.bar for theme in parse_abc(abc).themes).values()) == theirs
