"""Engraving: sound MEI, pictures that a strict page can hold, and the same music in words."""

from __future__ import annotations

import re
import threading
import time
from collections import Counter
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
import verovio
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis import engraving
from analysis.chanter import Note
from analysis.engraving import EngravingError, describe, svg
from analysis.families import from_short_notes, single_then_full
from analysis.mei import MEI_NAMESPACE, XML_ID, mei
from analysis.score import Score, ScoreError, parse_abc
from analysis.symbols import lines_of
from tests.analysis.every_drill import every_drill

DATA = Path(__file__).parent.parent / "data"
SVG = "{http://www.w3.org/2000/svg}"
PHRASE = """T:A phrase
M:6/8
L:1/8
Q:50
K:HP
A|{g}B2c {gde}d2e|{GdGe}A2 z {gef}e>fg|{ag}a3 {gAGAG}A2 z|z6|{Gdc}d3 z3|{g}a3-a3|{g}d{G}d{c}d (3{g}ABc d|]
"""


def drill() -> Score:
    return parse_abc((DATA / "sample_report.abc").read_text())


def picture(score: Score, **options: object) -> ET.Element:
    return ET.fromstring(svg(score, **options))  # type: ignore[arg-type]


def of_class(root: ET.Element, name: str) -> list[ET.Element]:
    return [element for element in root.iter() if name in (element.get("class") or "").split()]


def numbers(text: str) -> list[float]:
    return [float(value) for value in re.findall(r"-?\d+(?:\.\d+)?", text)]


def head_x(note: ET.Element) -> float:
    return numbers(next(note.iter(f"{SVG}use")).get("transform", ""))[0]


@pytest.mark.parametrize("score", [drill(), parse_abc(PHRASE)])
def test_the_mei_sounds_as_the_score_says(score: Score) -> None:
    """Verovio's own time map of the document puts every theme note where the score has it."""
    document = mei(score, prefix="x-")
    root = ET.fromstring(document)
    ids = [element.get(XML_ID) for element in root.iter() if element.get(XML_ID)]
    assert len(ids) == len(set(ids))
    toolkit = verovio.toolkit()
    assert toolkit.loadData(document)
    # Their ends, since Verovio lets gracenotes at the start of a bar delay their note.
    ends = {identity: event["qstamp"] for event in toolkit.renderToTimemap() for identity in event.get("off", [])}
    for number, theme in enumerate(score.themes):
        end = (theme.onset + theme.duration) * score.beat_unit * 4
        if number and score.themes[number - 1].tied and f"x-n{number}" not in ends:
            continue  # sounds on as the note it is tied to
        assert Fraction(ends[f"x-n{number}"]).limit_denominator(96) == end, number
    notes = [note for note in root.iter(f"{{{MEI_NAMESPACE}}}note") if note.get("grace")]
    assert len(notes) == sum(len(theme.gracenotes) for theme in score.themes)


def test_a_picture_can_stand_in_a_strict_page() -> None:
    text = svg(drill())
    root = ET.fromstring(text)
    assert not list(root.iter(f"{SVG}style"))
    assert not list(root.iter(f"{SVG}script"))
    assert "style=" not in text
    assert "javascript" not in text
    assert root.get("role") == "img"
    title = root.find(f"{SVG}title")
    assert title is not None
    assert root.get("aria-labelledby") == title.get("id")
    assert title.text == "Exercise: 8 bars, 15 movements"
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert len(ids) == len(set(ids))
    assert len(numbers(root.get("viewBox", ""))) == 4


def test_two_pictures_on_one_page_share_no_ids() -> None:
    other = single_then_full("doubling", Note.D, [Note.LOW_A], tempo_bpm=60)
    first, second = ({e.get("id") for e in picture(score).iter() if e.get("id")} for score in (drill(), other))
    assert not first & second


def test_gracenotes_are_small_with_stems_up_and_theme_notes_have_stems_down() -> None:
    root = picture(drill())
    notes = of_class(root, "note")
    graces = [note for note in notes if note.get("data-gracenote")]
    themes = [note for note in notes if note.get("data-theme")]
    assert len(themes) == len(drill().themes)
    assert len(graces) == sum(len(theme.gracenotes) for theme in drill().themes)
    scales = {kind: {numbers(next(n.iter(f"{SVG}use")).get("transform", ""))[2] for n in group}
              for kind, group in (("grace", graces), ("theme", themes))}  # fmt: skip
    assert max(scales["grace"]) < 0.75 * min(scales["theme"])
    for group, upwards in ((graces, True), (themes, False)):
        for note in group:
            stem = of_class(note, "stem")[0]
            _, head, _, end, *_ = numbers(next(stem.iter(f"{SVG}path")).get("d", ""))
            assert (end < head) == upwards
    assert not of_class(root, "accid")
    assert not of_class(root, "keySig")


def test_every_movement_from_every_note_shows_each_sound_at_its_height_in_order_with_its_stem_its_own_way() -> None:
    """Gracenotes stand left of their theme note in the order they are played, under a beam or with flags of their own,
    and no flag reaches a head beside it."""
    drills = {name: score for name, score in every_drill().items() if name.endswith("single then full")}
    assert len(drills) > 30
    for name, score in drills.items():
        root = picture(score)
        drawn = {(note.get("id") or "").split("-")[1]: note for note in of_class(root, "note")}
        beamed = {note for beam in of_class(root, "beam") for note in of_class(beam, "note")}
        lowest = _height_of_low_g(root)
        for number, theme in enumerate(score.themes):
            graces = [drawn[f"n{number}g{place}"] for place in range(len(theme.gracenotes))]
            row = [*graces, drawn[f"n{number}"]]
            assert [head_x(note) for note in row] == sorted(head_x(note) for note in row), name
            heights = [(lowest[_line_of(root, note)] - _head_y(note)) / 90 for note in row]
            assert heights == [int(note) - int(Note.LOW_G) for note in (*theme.gracenotes, theme.note)], name
            assert {note in beamed for note in graces} <= {len(graces) > 1}, name
            for note in row:
                for stem in of_class(note, "stem"):
                    _, start, _, end, *_ = numbers(next(stem.iter(f"{SVG}path")).get("d", ""))
                    assert (end < start) == (note in graces), name
            for flag in of_class(graces[0], "flag") if graces else ():
                left, _, scale, *_ = numbers(next(flag.iter(f"{SVG}use")).get("transform", ""))
                assert left + 260 * scale < head_x(row[1]), name


def _line_of(root: ET.Element, note: ET.Element) -> int:
    return next(n for n, system in enumerate(of_class(root, "system")) if note in of_class(system, "note"))


def _head_y(note: ET.Element) -> float:
    return numbers(next(note.iter(f"{SVG}use")).get("transform", ""))[1]


def _height_of_low_g(root: ET.Element) -> list[float]:
    """Of each line: low G stands on the second staff line from below."""
    rows = []
    for system in of_class(root, "system"):
        staff = of_class(system, "staff")[0]
        lines = [numbers(path.get("d", ""))[1] for path in staff if path.tag == f"{SVG}path"]
        rows.append(sorted(lines)[3])
    return rows


def test_every_movement_is_a_group_with_its_notes() -> None:
    root = picture(parse_abc(PHRASE))
    score = parse_abc(PHRASE)
    groups = {int(group.get("data-movement", "-1")): group for group in of_class(root, "movement")}
    assert sorted(groups) == [movement.index for movement in score.movements]
    for movement in score.movements:
        group = groups[movement.index]
        themes = [note.get("data-theme") for note in of_class(group, "note") if note.get("data-theme")]
        graces = [note for note in of_class(group, "note") if note.get("data-gracenote")]
        assert themes == [str(movement.theme)]
        assert len(graces) == len(movement.gracenotes)
        assert len(of_class(group, "movement-ground")) == 1


@pytest.mark.parametrize(("width", "most"), [(340, 1), (760, 2), (900, 4), (1200, 4)])
def test_at_most_four_bars_to_a_line_and_fewer_on_a_phone(width: int, most: int) -> None:
    root = picture(drill(), width_px=width)
    assert max(len(of_class(system, "measure")) for system in of_class(root, "system")) == most
    assert [label.text for label in of_class(root, "bar-number")] == [str(bar) for bar in range(1, 9)]


@pytest.mark.parametrize("width", [280, 320, 390, 960])
def test_a_notehead_is_3_mm_wide_in_every_drill(width: int) -> None:
    """A CSS pixel is 1/96 inch. A black head is 314 units of its font wide, and drawn at 0.72 of them."""
    for name, score in list(every_drill().items())[:: 1 if width == 320 else 5]:
        root = picture(score, width_px=width)
        unit_mm = width / numbers(root.get("viewBox", ""))[2] * 25.4 / 96
        note = next(note for note in of_class(root, "note") if note.get("data-theme"))
        scale = numbers(next(note.iter(f"{SVG}use")).get("transform", ""))[2]
        assert scale == 0.72
        assert 314 * scale * unit_mm >= 3.0, name
        assert max(len(of_class(system, "measure")) for system in of_class(root, "system")) <= 4
        for system in of_class(root, "system"):
            heads = sorted(head_x(note) for note in of_class(system, "note"))
            apart = min((after - before for before, after in pairwise(heads)), default=1000)
            assert apart > 0.7 * 314 * scale, name  # a gracenote's head is 0.7 as wide as others
        rightmost = max(head_x(note) for note in of_class(root, "note")) + 314 * scale
        staff = max(numbers(path.get("d", ""))[2] for path in root.iter(f"{SVG}path") if "L" in path.get("d", ""))
        assert rightmost < staff, name


def test_the_mark_of_a_beat_touches_no_note() -> None:
    for name, score in list(every_drill().items())[::3]:
        root = picture(score)
        for system in of_class(root, "system"):
            tip = max(float(numbers(mark.get("d", ""))[1]) + 112 for mark in of_class(system, "beat-mark"))
            heads = (next(note.iter(f"{SVG}use")).get("transform", "") for note in of_class(system, "note"))
            tops = [numbers(place)[1] - 90 for place in heads]
            flags = (next(flag.iter(f"{SVG}use")).get("transform", "") for flag in of_class(system, "flag"))
            tops += [numbers(place)[1] - 190 * numbers(place)[2] for place in flags]
            assert tip < min(tops), name


def test_lines_are_even_and_a_pickup_stands_with_the_first() -> None:
    root = picture(parse_abc("M:2/4\nL:1/8\nK:HP\nA2 | " + "B2 c2 | " * 6), width_px=1200)
    assert [len(of_class(system, "measure")) for system in of_class(root, "system")] == [4, 3]


@pytest.mark.parametrize(("bars", "expected"), [(5, [3, 2]), (6, [3, 3]), (9, [3, 3, 3]), (10, [4, 3, 3])])
def test_longer_lines_come_first(bars: int, expected: list[int]) -> None:
    score = parse_abc("M:2/4\nL:1/8\nK:HP\n" + "B2 c2 | " * bars)
    assert [len(line) for line in lines_of(score, 4)] == expected


def test_the_mark_stands_over_the_sound_on_the_beat() -> None:
    score = parse_abc("M:4/4\nL:1/4\nK:HP\nA {gef}e a {ef}e | d3/ {Gdc}d/ {Gdc}d {GdGe}A |]")
    for beat_points, expected in (
        ({}, "n0 n1g0 n2 n3g0 n4 n6g0 n7"),
        ({"throw on D": "theme"}, "n0 n1g0 n2 n3g0 n4 n6 n7"),
    ):
        root = picture(score, beat_points=beat_points)
        notes = {(note.get("id") or "").split("-")[1]: note for note in of_class(root, "note")}
        marks = sorted(numbers(mark.get("d", ""))[0] for mark in of_class(root, "beat-mark"))
        assert len(marks) == 7
        # A wedge's left end is at most a head's width from the head below it.
        for left, name in zip(marks, expected.split(), strict=True):
            assert abs(left - head_x(notes[name])) < 120, name


@pytest.mark.parametrize(
    ("music", "expected"),
    [
        ("g {gf}g a2", "n0 n1g1 n2"),  # the high G sounds already: the movement begins with its F
        ("A {gf}g a2", "n0 n1g0 n2"),
        ("g2 {g}c/ {d}A3/", "n0 n1"),  # a tachum: its own short note is the first sound
    ],
)
def test_the_mark_never_stands_over_what_sounds_already(music: str, expected: str) -> None:
    root = picture(parse_abc(f"M:4/4\nL:1/4\nK:HP\n{music} |]"))
    notes = {(note.get("id") or "").split("-")[1]: note for note in of_class(root, "note")}
    marks = sorted(numbers(mark.get("d", ""))[0] for mark in of_class(root, "beat-mark"))
    for left, name in zip(marks, expected.split(), strict=True):
        assert abs(left - head_x(notes[name])) < 120, name


def test_triplets_have_one_look() -> None:
    """Numbers of one size, also after a gracenote, and a bracket where no beam shows what belongs together."""
    root = picture(parse_abc("M:4/4\nL:1/4\nK:HP\n(3:2:2 e B/ {gef}e (3:2:2 {g}e d/ (3A/B/c/ |]"))
    sizes = [numbers(use.get("transform", ""))[2:] for part in of_class(root, "tupletNum") for use in part]
    assert sizes == [[0.72, 0.72]] * 3
    assert len(of_class(root, "tupletBracket")) == 2


def test_sixteen_bars_are_drawn_within_150_ms() -> None:
    score = single_then_full("doubling", Note.E, [n for n in Note if n != Note.E], tempo_bpm=60, repeats=2)
    svg(drill())  # the fonts are loaded once for a thread
    taken = []
    for _ in range(3):  # the best of three: other programs may be at work
        engraving._svg.cache_clear()
        started = time.perf_counter()
        svg(score)
        taken.append(time.perf_counter() - started)
    assert min(taken) < 0.15


def test_other_threads_can_draw_at_the_same_time() -> None:
    scores = [single_then_full("doubling", on, [Note.LOW_G], tempo_bpm=60) for on in list(Note)[1:8]]
    expected = [svg(score) for score in scores]
    engraving._svg.cache_clear()
    drawn: dict[int, str] = {}
    threads = [
        threading.Thread(target=lambda n=number, s=score: drawn.__setitem__(n, svg(s)))
        for number, score in enumerate(scores)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [drawn[number] for number in range(len(scores))] == expected


def test_triplets_and_ties_are_drawn() -> None:
    root = picture(parse_abc(PHRASE))
    assert of_class(root, "tupletNum")
    assert of_class(root, "tie")
    assert of_class(root, "mRest")
    cut = picture(from_short_notes("doubling", Note.D, [Note.LOW_A, Note.B], cut_share=Fraction(1, 3), tempo_bpm=60))
    assert len(of_class(cut, "tupletNum")) == 2


@given(st.text(alphabet="ABcdefgaGz{}|23/<>() \n", max_size=50), st.sampled_from(["4/4", "6/8", "3/4", "C|"]))
@settings(max_examples=60, deadline=None)
def test_whatever_can_be_read_can_be_drawn(text: str, meter: str) -> None:
    try:
        score = parse_abc(f"M:{meter}\nL:1/8\nK:HP\n{text}")
    except ScoreError:
        return
    root = picture(score)
    assert len([note for note in of_class(root, "note") if note.get("data-theme")]) == len(score.themes)
    assert len(of_class(root, "movement")) == len(score.movements)


def test_a_failing_engraver_is_reported(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engraving, "_document", lambda *_, **__: "not music")
    engraving._svg.cache_clear()
    with pytest.raises(EngravingError, match="could not be loaded"):
        svg(drill())
    with pytest.raises(ValueError, match="200 to 4000"):
        svg(drill(), width_px=20)


def test_music_in_words() -> None:
    assert describe(parse_abc(PHRASE)).splitlines() == [
        "A phrase. 6/8, 50 beats a minute.",
        "Pickup: low A, 1/3 of a beat.",
        "Bar 1: B with a high G gracenote, 2/3 of a beat; C, 1/3 of a beat; "
        "doubling on D, 2/3 of a beat; E, 1/3 of a beat.",
        "Bar 2: taorluath on low A, 2/3 of a beat; doubling on E, 1/2 of a beat; "
        "F, 1/6 of a beat; high G, 1/3 of a beat.",
        "Bar 3: doubling on high A; birl on low A, 2/3 of a beat.",
        "Bar 4: rest.",
        "Bar 5: light throw on D.",
        "Bar 6: strike on high A; high A.",
        "Bar 7: D with a high G gracenote, 1/3 of a beat; strike on D, 1/3 of a beat; "
        "strike on D, 1/3 of a beat; low A with a high G gracenote, 2/9 of a beat; B, 2/9 of a beat; "
        "C, 2/9 of a beat; D, 1/3 of a beat.",
    ]
    counts = Counter(re.findall(r"(?:half|thumb)? ?doubling on E", describe(drill())))
    assert sum(counts.values()) == 8
