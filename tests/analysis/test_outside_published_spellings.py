"""Published gracenote spellings: what others print for a movement, we name so; and what we write is what they print.

Sources, read for this file and typed by hand in ABC letters:

* S: The ABC music standard 2.1 (December 2011), section 4.12, and its Highland example in section 14.2 (the second tune
  of Strspys.abc, a traditional strathspey).
* L: LilyPond's predefined bagpipe gracings (S. Axelsson and A. McNabb, ly/bagpipe.ly, 2005).
* C: J. Chambers, "ABC gracenotes", 2001 and 2002 (trillian.mit.edu/~jc/music/abc/doc/ABCtut_GraceNotes.html).
* (mem): from memory; no source was found.
"""

from __future__ import annotations

import pytest

from analysis.chanter import Note
from analysis.families import single_then_full
from analysis.movements import Form, Kind, classify, fits, notes, spelling
from analysis.musicxml import from_musicxml, to_musicxml
from analysis.score import parse_abc

#: Source, approach and spelling, kind, form. The approach is one from which the spelling is meant.
PUBLISHED: list[tuple[str, str, Kind, Form]] = [
    ("S", "A {GdGe}A", "taorluath", ""),
    ("S C", "A {gcd}c", "doubling", "full"),
    ("S C", "d {gAGAG}A", "birl", "with-gracenote"),
    ("S", "A {gef}e", "doubling", "full"),
    ("S", "e {ag}a", "doubling", "full"),
    ("S", "B {gf}g", "doubling", "full"),
    ("S C", "c {gBd}B", "doubling", "full"),
    ("S C", "g {Gdc}d", "throw on D", "light"),
    ("S L", "G {dc}d", "throw on D", "light"),
    ("S C", "c {GdG}e", "grip", ""),
    ("S", "a {GdG}a", "grip", ""),
    ("S", "a {f}g", "strike", ""),
    ("S C", "B {e}G", "gracenote", ""),
    ("S", "G {d}B", "gracenote", ""),
    ("L", "A {gGd}G", "doubling", "full"),
    ("L", "B {gAd}A", "doubling", "full"),
    ("L", "A {gde}d", "doubling", "full"),
    ("L", "e {gfg}f", "doubling", "full"),
    ("L", "a {Gd}G", "doubling", "half"),
    ("L", "a {Ad}A", "doubling", "half"),
    ("L", "a {Bd}B", "doubling", "half"),
    ("L", "a {cd}c", "doubling", "half"),
    ("L", "a {de}d", "doubling", "half"),
    ("L", "a {ef}e", "doubling", "half"),
    ("L", "a {fg}f", "doubling", "half"),
    ("L", "g {aGd}G", "doubling", "thumb"),
    ("L", "g {aAd}A", "doubling", "thumb"),
    ("L", "g {aBd}B", "doubling", "thumb"),
    ("L", "g {acd}c", "doubling", "thumb"),
    ("L", "g {ade}d", "doubling", "thumb"),
    ("L", "g {aef}e", "doubling", "thumb"),
    ("L", "g {afg}f", "doubling", "thumb"),
    ("L", "A {GdGc}d", "throw on D", "heavy"),
    ("L", "c {AGAG}A", "birl", ""),
    ("L", "A {GAG}A", "birl", ""),
    ("L", "d {GBG}e", "grip", ""),
    ("L", "d {GBGe}A", "taorluath", ""),
    ("L", "G {dGe}A", "taorluath", ""),
    ("L", "A {GdGeAfA}e", "crunluath", ""),
    ("L", "d {GBGeAfA}e", "crunluath", ""),
    ("(mem)", "G {dG}A", "grip", ""),
    ("(mem)", "G {dGc}d", "throw on D", "heavy"),
    ("(mem)", "G {dGeAfA}e", "crunluath", ""),
]

#: S, section 14.2, in the key of the pipes.
STRATHSPEY = """X:2
T:Atholl Brose
M:4/4
K:HP
{gcd}c<{e}A {gAGAG}A2 {gef}e>A {gAGAG}Ad|
{gcd}c<{e}A {gAGAG}A>e {ag}a>f {gef}e>d|
{gcd}c<{e}A {gAGAG}A2 {gef}e>A {gAGAG}Ad|
{g}c/d/e {g}G>{d}B {gf}gG {dc}d>B:|
{g}c<e {gf}g>e {ag}a>e {gf}g>e|
{g}c<e {gf}g>e {ag}a2 {GdG}a>d|
{g}c<e {gf}g>e {ag}a>e {gf}g>f|
{gef}e>d {gf}g>d {gBd}B<{e}G {dc}d>B|
{g}c<e {gf}g>e {ag}a>e {gf}g>e|
{g}c<e {gf}g>e {ag}a2 {GdG}ad|
{g}c<{GdG}e {gf}ga {f}g>e {g}f>d|
{g}e/f/g {Gdc}d>c {gBd}B<{e}G {dc}d2|]
"""


def split(spelt: str) -> tuple[Note, tuple[Note, ...], Note]:
    """The approach, the gracenotes and the theme note of ``A {gef}e``."""
    approach, _, rest = spelt.partition(" ")
    graces, _, on = rest.strip("{").partition("}")
    return Note.from_abc(approach), notes(graces), Note.from_abc(on)


@pytest.mark.parametrize(("source", "spelt", "kind", "form"), PUBLISHED, ids=lambda value: str(value))
def test_a_published_spelling_has_its_name(source: str, spelt: str, kind: Kind, form: Form) -> None:
    approach, graces, on = split(spelt)
    named = classify(graces, on, approach)
    assert (named.kind, named.form) == (kind, form), source
    assert fits(graces, on, approach)
    read = parse_abc(f"M:4/4\nL:1/4\nK:HP\n{spelt}2|").movements[-1]
    assert (read.kind, read.form, read.gracenotes) == (kind, form, graces)


@pytest.mark.parametrize(("source", "spelt", "kind", "form"), PUBLISHED, ids=lambda value: str(value))
def test_what_is_written_is_what_is_published(source: str, spelt: str, kind: Kind, form: Form) -> None:
    approach, graces, on = split(spelt)
    if kind in ("gracenote", "strike"):  # there is more than one: the finger is chosen
        return
    found = spelling(kind, on, approach, form=form)
    assert found is not None
    assert found.gracenotes == graces, source
    made = single_then_full(kind, on, [approach], form=form or None, tempo_bpm=60)
    assert made.movements[-1].gracenotes == graces


def test_there_are_enough_of_them_and_memory_is_marked() -> None:
    sourced = [spelt for source, spelt, _, _ in PUBLISHED if source != "(mem)"]
    assert len(set(sourced)) >= 12 + 1
    assert {kind for source, _, kind, _ in PUBLISHED if source != "(mem)"} == {
        "gracenote", "strike", "doubling", "throw on D", "grip", "taorluath", "birl", "crunluath",
    }  # fmt: skip


def test_the_standards_own_highland_tune_is_understood_to_the_last_gracenote() -> None:
    score = parse_abc(STRATHSPEY)
    said = [(movement.kind, movement.form, movement.on.label) for movement in score.movements]
    assert not [movement for movement in score.movements if movement.kind == "unknown"]
    assert said[:5] == [
        ("doubling", "full", "C"),
        ("gracenote", "", "low A"),
        ("birl", "with-gracenote", "low A"),
        ("doubling", "full", "E"),
        ("birl", "with-gracenote", "low A"),
    ]
    assert said[-4:] == [
        ("throw on D", "light", "D"),
        ("doubling", "full", "B"),
        ("gracenote", "", "low G"),
        ("throw on D", "light", "D"),
    ]
    assert [movement.kind for movement in score.movements].count("grip") == 3
    # Sixteen bars: the first four are played twice. Every bar holds four beats.
    assert score.beats == 16 * 4
    assert all(fits(m.gracenotes, m.on, m.approach) for m in score.movements)
    assert from_musicxml(to_musicxml(score).encode()) == score
