"""Exercise families: the right form from every approach, as the trade writes them."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest

from analysis.chanter import Note
from analysis.families import CUT_SHARES, chain, from_short_notes, in_a_phrase, one_finger, single_then_full
from analysis.movements import SPELLINGS, Kind
from analysis.score import Score, parse_abc, to_abc
from tests.analysis.every_drill import every_drill

DATA = Path(__file__).parent.parent / "data"
A, B, D, E, F = Note.LOW_A, Note.B, Note.D, Note.E, Note.F
PLAYABLE = [
    (on, approach)
    for on in Note
    for approach in Note
    if not (approach == Note.HIGH_A and on in (Note.HIGH_G, Note.HIGH_A))
]


def tune(score: Score) -> str:
    return " ".join(
        ("{" + "".join(g.abc for g in t.gracenotes) + "}" if t.gracenotes else "") + t.note.abc for t in score.themes
    )


def test_single_then_full_is_the_drill_of_the_sample() -> None:
    written = parse_abc((DATA / "sample_report.abc").read_text())
    approaches = [note for note in Note if note != E]
    made = single_then_full("doubling", E, approaches, tempo_bpm=60, title="Exercise")
    assert made == written


@pytest.mark.parametrize(
    ("on", "approach", "bar"),
    [
        (Note.LOW_G, E, "e {g}G e {gGd}G"),
        (A, D, "d {g}A d {gAd}A"),
        (D, A, "A {g}d A {gde}d"),
        (E, E, "e {g}e {g}e {gef}e"),
        (F, Note.HIGH_G, "g {a}f g {afg}f"),
        (F, Note.HIGH_A, "a f a {fg}f"),
        (Note.HIGH_G, E, "e {a}g e {gf}g"),
        (Note.HIGH_A, E, "e a e {ag}a"),
    ],
)
def test_the_form_follows_the_approach(on: Note, approach: Note, bar: str) -> None:
    assert tune(single_then_full("doubling", on, [approach], tempo_bpm=60)) == bar


@pytest.mark.parametrize(("on", "approach"), PLAYABLE)
def test_every_doubling_is_named_as_what_it_is(on: Note, approach: Note) -> None:
    score = single_then_full("doubling", on, [approach], tempo_bpm=60)
    last = score.movements[-1]
    form = "thumb" if approach == Note.HIGH_G and on < Note.HIGH_G else "half" if approach == Note.HIGH_A else "full"
    assert (last.kind, last.form, last.on, last.approach, last.beat) == ("doubling", form, on, approach, 4)
    assert parse_abc(to_abc(score)) == score


@pytest.mark.parametrize("cut_share", CUT_SHARES)
def test_from_short_notes(cut_share: float) -> None:
    score = from_short_notes("doubling", D, [A, B, Note.C], cut_share=cut_share, tempo_bpm=54, repeats=2)
    # Each figure ends on the note that the next one begins with.
    assert tune(score) == " {g}".join(f"d {approach} {{gde}}d" for approach in "ABcABc")
    assert [movement.beat for movement in score.movements if movement.kind == "doubling"] == [2, 4] * 3
    assert score.themes[1].duration == cut_share
    assert score.beats == 12
    assert parse_abc(to_abc(score)) == score


@pytest.mark.parametrize("name", every_drill())
def test_a_note_that_comes_again_has_a_gracenote(name: str) -> None:
    """The chanter cannot begin the note that it sounds anew without one."""
    for before, theme in pairwise(every_drill()[name].themes):
        assert theme.note != before.note or theme.gracenotes, theme


def test_the_last_short_note_figure_is_held_to_the_end_of_its_bar() -> None:
    assert to_abc(from_short_notes("doubling", D, [A], tempo_bpm=60)).splitlines()[-1] == "d3/4 A/4 {gde}d3 |]"


def test_other_kinds_and_forms() -> None:
    assert tune(single_then_full("gracenote", B, [D, Note.HIGH_G], tempo_bpm=60)) == "d {g}B d {g}B g {a}B g {a}B"
    assert tune(single_then_full("throw on D", D, [A], form="heavy", tempo_bpm=60)) == "A {g}d A {GdGc}d"
    half = single_then_full("doubling", E, [A, Note.HIGH_G], form="half", tempo_bpm=60)
    assert tune(half) == "A {g}e A {gef}e g {a}e g {ef}e"


def test_titles() -> None:
    assert single_then_full("doubling", E, [A], tempo_bpm=60).title == "Doubling on E: single then full"
    assert from_short_notes("throw on D", D, [A], tempo_bpm=60).title == "Throw on D: from short notes"


@pytest.mark.parametrize(
    ("kind", "on", "approaches", "options", "said"),
    [
        ("doubling", E, [], {}, "at least one note"),
        ("doubling", Note.HIGH_A, [Note.HIGH_A], {}, "a doubling on high A cannot be played from high A"),
        ("taorluath", F, [A], {}, "a taorluath on F cannot be played from low A"),
        ("doubling", E, [A], {"form": "thumb"}, "thumb form .* cannot be played from any"),
        ("doubling", E, [A], {"repeats": 0}, "1 to 8"),
        ("doubling", E, [A], {"tempo_bpm": 300}, "20 to 200"),
        ("doubling", E, [A], {"tempo_bpm": float("nan")}, "20 to 200"),
    ],
)
def test_what_cannot_be_written(kind: Kind, on: Note, approaches: list[Note], options: dict, said: str) -> None:
    for family in (single_then_full, from_short_notes):
        with pytest.raises(ValueError, match=said):
            family(kind, on, approaches, **{"tempo_bpm": 60, **options})


def test_a_share_that_cannot_be_written() -> None:
    with pytest.raises(ValueError, match="one of 1/2, 1/3, 1/4, 1/8 can"):
        from_short_notes("doubling", E, [A], cut_share=0.2, tempo_bpm=60)


def test_a_tachum_is_one_movement_over_two_theme_notes() -> None:
    score = single_then_full("tachum", A, [E, F], tempo_bpm=60)
    assert tune(score) == "e {g}A e {g}c {d}A f {g}A f {g}c {d}A"
    tachum = score.movements[1]
    assert (tachum.kind, tachum.on, tachum.approach, tachum.beat) == ("tachum", A, E, 4)
    assert (tachum.theme, tachum.first) == (4, 3)
    assert [note.abc for note in tachum.gracenotes] == ["g", "c", "d"]
    assert parse_abc(to_abc(score)) == score


def test_even_notes_with_the_same_gracenotes_are_two_gracenotes() -> None:
    score = parse_abc("X:1\nM:4/4\nL:1/4\nK:HP\ne {g}c {d}A e |")
    assert [movement.kind for movement in score.movements] == ["gracenote", "gracenote"]


def test_nothing_is_written_that_is_sounding_already() -> None:
    assert tune(single_then_full("crunluath", E, [Note.LOW_G], tempo_bpm=60)) == "G {g}e G {dGeAfA}e"
    with pytest.raises(ValueError, match="cannot be played from low G"):
        single_then_full("strike", B, [Note.LOW_G], tempo_bpm=60)
    with pytest.raises(ValueError, match="grip on low G"):
        single_then_full("grip", Note.LOW_G, [A], tempo_bpm=60)


MOVEMENTS = sorted({(entry.kind, entry.form, entry.on) for entry in SPELLINGS}, key=str)


def reachable(kind: Kind, form: str, on: Note) -> list[Note]:
    return [
        note
        for note in Note
        if any(entry.fits(note) for entry in SPELLINGS if (entry.kind, entry.form, entry.on) == (kind, form, on))
    ]


@pytest.mark.parametrize("family", [single_then_full, from_short_notes, one_finger, in_a_phrase])
@pytest.mark.parametrize(("kind", "form", "on"), MOVEMENTS)
def test_every_movement_in_every_family_from_every_note(family: Callable, kind: Kind, form: str, on: Note) -> None:
    for approach in reachable(kind, form, on):
        score = family(kind, on, [approach], form=form or None, tempo_bpm=60)
        assert (kind, form) in {(found.kind, found.form) for found in score.movements if found.on == on}
        assert all(found.kind != "unknown" for found in score.movements)
        assert parse_abc(to_abc(score)) == score


@pytest.mark.parametrize("family", [one_finger, in_a_phrase])
@pytest.mark.parametrize(("kind", "form", "on"), MOVEMENTS)
def test_no_note_comes_again_without_a_gracenote(family: Callable, kind: Kind, form: str, on: Note) -> None:
    for approach in reachable(kind, form, on):
        themes = family(kind, on, [approach], form=form or None, tempo_bpm=60, repeats=2).themes
        assert all(two.gracenotes for one, two in pairwise(themes) if one.note == two.note)


@pytest.mark.parametrize("kind", sorted({entry.kind for entry in SPELLINGS}))
@pytest.mark.parametrize("approaches", [[], [A], [D, Note.HIGH_G]])
def test_the_chain_has_the_movement_wherever_it_can_be_played(kind: Kind, approaches: list[Note]) -> None:
    score = chain(kind, approaches, tempo_bpm=60)
    written = [(found.on, found.approach) for found in score.movements if found.kind == kind]
    for on in {entry.on for entry in SPELLINGS if entry.kind == kind}:
        for approach in approaches or [n for n in (on - 1, on + 1) if n in range(9)]:
            if any(entry.fits(Note(approach)) for entry in SPELLINGS if (entry.kind, entry.on) == (kind, on)):
                assert (on, approach) in written
    assert score.beats % 4 == 0
    assert all(found.kind != "unknown" for found in score.movements)
    assert parse_abc(to_abc(score)) == score


def test_what_the_new_families_look_like() -> None:
    assert tune(one_finger("gracenote", E, [E], finger=F, tempo_bpm=60)) == " ".join(["{f}e"] * 8)
    assert tune(one_finger("doubling", E, [A], tempo_bpm=60)) == "A {f}e A {f}e A {f}e A {gef}e"
    assert tune(chain("doubling", tempo_bpm=60)).startswith(
        "G {gAd}A {gBd}B {gcd}c {gde}d {gef}e {gfg}f {gf}g {ag}a {gf}g {afg}f"
    )
    assert tune(in_a_phrase("doubling", E, [A, D], tempo_bpm=60)) == "{g}G A {gef}e {g}c d {gef}e"
    assert in_a_phrase("doubling", E, [A], tempo_bpm=60).themes[-1].bar == 2


def test_where_teachers_differ_the_caller_chooses() -> None:
    assert tune(single_then_full("grip", E, [D], tempo_bpm=60)).endswith("{GBG}e")
    assert tune(single_then_full("grip", E, [D], grip_from_d=D, tempo_bpm=60)).endswith("{GdG}e")
    assert tune(single_then_full("taorluath", A, [D], grip_from_d=D, tempo_bpm=60)).endswith("{GdGe}A")
    assert tune(single_then_full("taorluath", A, [E], grip_from_d=D, tempo_bpm=60)).endswith("{GdGe}A")
    assert "g {ef}e" in tune(chain("doubling", [Note.HIGH_G], form="half", tempo_bpm=60))


@pytest.mark.parametrize(
    ("write", "said"),
    [
        (lambda: in_a_phrase("doubling", E, list(Note)[:5], tempo_bpm=60), "room for 4 approach notes; 5"),
        (lambda: one_finger("gracenote", E, [Note.HIGH_A], tempo_bpm=60), "cannot be played from high A"),
        (lambda: one_finger("gracenote", E, [F], finger=F, tempo_bpm=60), "an F gracenote on E cannot .* from F"),
        (lambda: chain("gracenote", [Note.HIGH_A], tempo_bpm=60), "cannot be played from any of the chosen"),
        (lambda: chain("doubling", repeats=9, tempo_bpm=60), "1 to 8"),
    ],
)
def test_what_the_new_families_cannot_write(write: Callable[[], Score], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        write()
