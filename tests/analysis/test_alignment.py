import random

import pytest

from analysis.alignment import align, tokens
from analysis.score import parse_abc
from tests.analysis.sequences import sounded

PAIR = "X:1\nT:Pair\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\nA {g}e A {gef}e | B {g}e B {gef}e |]\n"


def read(words: str, abc: str = PAIR) -> list[str]:
    """Each sound's place in the writing: its letter with its bar's theme number, or what it is otherwise."""
    score = parse_abc(abc)
    written = tokens(score)
    result = []
    for match in align(written, sounded(words)):
        if match.token is None:
            result.append("extra")
        elif match.resumed:
            result.append("goes on")
        else:
            token = written[match.token]
            result.append(f"{token.theme}{'' if token.place < 0 else '.' + str(token.place)}")
    return result


def test_playing_as_written_matches_every_sound():
    assert read("A:950 g:45 e:950 A:950 g:45 e:60 f:45 e:850") == ["0", "1.0", "1", "2", "3.0", "3.1", "3.2", "3"]


def test_a_missing_second_gracenote_leaves_the_theme_note_whole():
    assert read("A:950 g:45 e:950 A:950 g:45 e:950") == ["0", "1.0", "1", "2", "3.0", "3"]


def test_gracenotes_run_together_have_no_theme_note_between():
    assert read("A:950 g:45 e:950 A:950 g:45 f:45 e:900") == ["0", "1.0", "1", "2", "3.0", "3.2", "3"]


def test_a_crossing_noise_is_extra_wherever_it_stands():
    assert read("A:950 B:20 g:45 e:950 A:950 g:45 A:22 e:60 f:45 e:850")[1] == "extra"
    assert read("A:950 B:20 g:45 e:950 A:950 g:45 A:22 e:60 f:45 e:850")[6] == "extra"


def test_a_theme_note_broken_by_a_noise_goes_on():
    assert read("A:950 g:45 e:300 d:20 e:600 A:950 g:45 e:60 f:45 e:850")[2:5] == ["1", "extra", "goes on"]


def test_another_gracenote_in_place_is_still_that_gracenote():
    assert read("A:950 d:45 e:950 A:950 g:45 e:60 f:45 e:850")[1] == "1.0"


def test_a_restart_goes_back_to_the_bar():
    once = "A:950 g:45 e:950 A:950 g:45 e:60 f:45 e:850"
    again = read(f"{once} -:600 {once} B:950 g:45 e:950 B:900 g:45 e:60 f:45 e:900")
    assert again[:8] == again[8:16]
    assert again[16:] == ["4", "5.0", "5", "6", "7.0", "7.1", "7.2", "7"]


def test_where_a_movement_was_not_played_two_notes_sound_as_one_and_its_length_tells_which():
    chain = "X:1\nT:Chain\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\nB {g}B {g}B {g}B | {g}B2 c2 |]\n"
    assert read("B:1950 g:45 B:950 g:45 B:950 g:45 B:1950 c:2000", chain) == [
        "0",
        "2.0",
        "2",
        "3.0",
        "3",
        "4.0",
        "4",
        "5",
    ]
    assert read("B:950 g:45 B:2950 g:45 B:1950 c:2000", chain) == ["0", "1.0", "1", "4.0", "4", "5"]
    assert read("B:950 g:45 B:950 g:45 B:950 g:45 B:2950 c:2000", chain)[-2:] == ["3", "5"]


def test_a_note_held_on_by_a_learner_is_still_one_note():
    chain = "X:1\nT:Chain\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\nB {g}B {g}B {g}B | {g}B2 c2 |]\n"
    assert read("B:950 g:45 B:1800 g:45 B:950 g:45 B:950 g:45 B:1950 c:2000", chain) == [
        *("0", "1.0", "1", "2.0", "2", "3.0", "3", "4.0", "4", "5")
    ]


def test_tied_notes_are_one_sound_as_long_as_both():
    tied = "X:1\nT:Tied\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\nB2- | B2 {g}B {g}c | c4 |]\n"
    rests = "X:1\nT:Rest\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\nB2 z2 | B2 {g}B {g}c |]\n"
    assert [token.beats for token in tokens(parse_abc(tied))] == [4.0, 0.0, 1.0, 0.0, 5.0]
    assert [token.beats for token in tokens(parse_abc(rests))] == [2.0, 0.0, 1.0, 0.0, 1.0]
    chain = "X:1\nT:Tied\nM:2/4\nL:1/4\nQ:1/4=60\nK:HP\nA2 | B {g}B | B2- | B {g}B | {g}B c | c2 |]\n"
    assert read("A:1950 B:950 g:45 B:3950 g:45 B:1950 c:3000", chain) == ["0", "1", "2.0", "2", "5.0", "5", "7"]


def test_two_notes_that_sound_as_one_and_go_on_are_named_by_the_first():
    chain = "X:1\nT:Chain\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\nB {g}B {g}B {g}B | {g}B2 c2 |]\n"
    score = parse_abc(chain)
    played = sounded("B:1950 d:20 B:400 g:45 B:950 g:45 B:950 g:45 B:1950 c:2000")
    assert read("B:1950 d:20 B:400 g:45 B:950 g:45 B:950 g:45 B:1950 c:2000", chain)[:4] == [
        *("0", "extra", "goes on", "2.0")
    ]
    assert [match.token for match in align(tokens(score), played)][:3] == [0, None, 0]


def test_nothing_goes_on_before_it_was_played():
    chain = "X:1\nT:Chain\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\ne4 {g}e A A A | {g}B2 c2 |]\n"
    assert read("e:20 g:45 e:950 A:2950 g:45 B:1950 c:2000", chain)[0] == "0"


@pytest.mark.parametrize("seed", range(40))
def test_whatever_is_played_of_whatever_is_written_is_named_in_order(seed):
    """Every sound has its match; the order is the written one but where a bar begins anew; what goes on was there."""
    chance = random.Random(seed)
    letters = chance.choice(("GABcdefga", "B", "Be", "Gg"))
    bars = [
        " ".join(
            chance.choice(("", "", "{g}", "{gBd}", "{GdG}", "{GdGeAfA}", "{gAGAG}"))
            + chance.choice(letters)
            + chance.choice(("", "2", "/2", " z"))
            for _ in range(chance.randint(1, 6))
        )
        for _ in range(chance.randint(1, 5))
    ]
    written = tokens(parse_abc("M:4/4\nL:1/4\nQ:1/4=60\nK:HP\n" + " | ".join(bars) + " |]\n"))
    words = " ".join(
        f"{chance.choice(letters + 'gGd-')}:{chance.choice((6, 20, 45, 60, 100, 300, 950, 2000, 4000))}"
        for _ in range(chance.randint(0, 60))
    )
    played = sounded(words)
    matches = align(written, played)
    assert [match.sounded for match in matches] == list(range(len(played)))
    last = -1
    for match in matches:
        if match.token is None:
            continue
        token = written[match.token]
        if match.resumed:
            assert match.token == last
            assert token.note == played[match.sounded].note
        else:
            assert match.token > last or match.token == 0 or token.starts_bar
            last = match.token


def test_a_tachum_that_was_not_tried_leaves_the_gracenote_after_it_where_it_is():
    chain = "X:1\nT:One\nM:2/4\nL:1/4\nQ:1/4=60\nK:HP\nG {g}B/4 {d}G3/4 | {d}G2 |]\n"
    assert read("G:1950 d:45 G:1950", chain) == ["0", "3.0", "3"]
    assert read("G:950 g:45 B:200 d:45 G:700 d:45 G:1950", chain) == ["0", "2.0", "2.1", "2.2", "2", "3.0", "3"]


def test_a_long_movement_that_was_not_tried_is_left_out_where_it_stands():
    crunluaths = "X:1\nT:Two\nM:2/4\nL:1/4\nQ:1/4=60\nK:HP\nc {GdGeAfA}e | c {GdGeAfA}e |]\n"
    played = "c:950 e:950 c:600 G:45 d:45 G:45 e:45 A:45 f:45 A:45 e:950"
    assert read(played, crunluaths) == ["0", "1", "2", *(f"3.{place}" for place in range(7)), "3"]


def test_after_a_stop_a_start_from_the_bar_is_a_start_from_the_bar():
    taorluaths = "X:1\nT:One\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\nG {g}d G {dGe}d | A {g}d A {GdGe}d |]\n"
    start = "G:1100 g:58 d:1170 G:1150 d:1250"  # the taorluath not played
    again = read(f"{start} -:2200 {start} A:1100 g:58 d:1150 A:1140 G:58 d:60 G:51 e:58 d:960", taorluaths)
    assert again[:5] == again[5:10] == ["0", "1.0", "1", "2", "3"]
    assert again[10:13] == ["4", "5.0", "5"]


def test_nothing_sounded_matches_nothing():
    assert align(tokens(parse_abc(PAIR)), []) == []
