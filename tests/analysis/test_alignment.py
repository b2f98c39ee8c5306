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


def test_nothing_sounded_matches_nothing():
    assert align(tokens(parse_abc(PAIR)), []) == []
