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


def test_a_long_movement_that_was_not_tried_is_left_out_where_it_stands():
    crunluaths = "X:1\nT:Two\nM:2/4\nL:1/4\nQ:1/4=60\nK:HP\nc {GdGeAfA}e | c {GdGeAfA}e |]\n"
    played = "c:950 e:950 c:600 G:45 d:45 G:45 e:45 A:45 f:45 A:45 e:950"
    assert read(played, crunluaths) == ["0", "1", "2", *(f"3.{place}" for place in range(7)), "3"]


def test_nothing_sounded_matches_nothing():
    assert align(tokens(parse_abc(PAIR)), []) == []
