"""MIDI and MEI out, as others read them."""

from __future__ import annotations

import io
from fractions import Fraction
from xml.etree import ElementTree as ET

import mido
import music21
import pytest
import verovio

from analysis.chanter import Note
from analysis.engraving import mei
from analysis.families import single_then_full
from analysis.mei import MEI_NAMESPACE
from analysis.midi import KEYS, PROGRAM, TICKS_A_QUARTER, to_midi
from analysis.movements import written_as_themes
from analysis.score import Score, parse_abc
from tests.analysis.every_drill import every_drill

Played = tuple[int, int, int]  # key, first tick, last tick


def read(data: bytes) -> tuple[mido.MidiFile, list[Played]]:
    """The file and its notes as mido reads them; a key is never down twice, nor two at a time."""
    file = mido.MidiFile(file=io.BytesIO(data), charset="utf-8")
    notes: list[Played] = []
    down: dict[int, int] = {}
    now = 0
    for message in file.tracks[0]:
        now += message.time
        if message.type == "note_on" and message.velocity:
            assert not down
            down[message.note] = now
        elif message.type in ("note_on", "note_off"):
            notes.append((message.note, down.pop(message.note), now))
    assert not down
    return file, notes


def of_type(file: mido.MidiFile, name: str) -> mido.Message:
    return next(message for message in file.tracks[0] if message.type == name)


def keys_of(score: Score) -> list[int]:
    """What sounds, by the score alone: one key for each change of note."""
    sounds: list[int] = []
    for theme in score.themes:
        for note in (*theme.gracenotes, theme.note):
            if not sounds or sounds[-1] != KEYS[note]:
                sounds.append(KEYS[note])
    return sounds


def test_every_movement_in_every_family_sounds_as_written() -> None:
    for name, score in list(every_drill().items())[::3]:
        assert [key for key, _, _ in read(to_midi(score))[1]] == keys_of(score), name


def test_theme_notes_without_gracenotes_stand_on_the_grid() -> None:
    score = parse_abc("M:4/4\nL:1/4\nQ:60\nK:HP\nA B c {g}d | e/ f/ {ag}a z d |]")
    _, notes = read(to_midi(score))
    starts = {start for _, start, _ in notes}
    for theme in score.themes:
        if not theme.gracenotes:
            assert (4 + theme.onset) * TICKS_A_QUARTER in starts
    assert notes[-1][2] == 12 * TICKS_A_QUARTER
    # The gracenote on D closes on the beat; the rest is silent.
    assert notes[4][1] == notes[3][2] == 7 * TICKS_A_QUARTER
    high_a = next(place for place, note in enumerate(notes) if note[1] > 9.5 * TICKS_A_QUARTER)
    assert notes[-2][2] == 10 * TICKS_A_QUARTER
    assert high_a == len(notes) - 1


def test_beat_points_are_followed() -> None:
    score = parse_abc("M:4/4\nL:1/4\nQ:60\nK:HP\nA {g}B c d |]")
    for point, on_the_beat in (("closes", 1), ("opens", 0)):
        _, notes = read(to_midi(score, beat_points={"gracenote": point}))
        gracenote = next(note for note in notes if note[0] == KEYS[Note.HIGH_G])
        assert gracenote[1 + on_the_beat] == 5 * TICKS_A_QUARTER


@pytest.mark.parametrize(
    ("meter", "tempo", "quarter_us"), [("4/4", 60, 1_000_000), ("6/8", 50, 800_000), ("2/2", 60, 500_000)]
)
def test_metre_tempo_and_name(meter: str, tempo: int, quarter_us: int) -> None:
    file, notes = read(to_midi(parse_abc(f"T:Mòrag’s drill\nM:{meter}\nL:1/8\nQ:{tempo}\nK:HP\nA6 {{g}}B|c6 d|]")))
    time = of_type(file, "time_signature")
    assert f"{time.numerator}/{time.denominator}" == meter
    assert of_type(file, "set_tempo").tempo == quarter_us
    assert of_type(file, "track_name").name == "Mòrag’s drill"
    assert of_type(file, "program_change").program == PROGRAM
    assert notes


def test_a_pickup_ends_with_its_bar() -> None:
    _, notes = read(to_midi(parse_abc("M:4/4\nL:1/4\nQ:60\nK:HP\nA|B c d e|]")))
    assert [start / TICKS_A_QUARTER for _, start, _ in notes] == [7, 8, 9, 10, 11]


def test_another_tempo_and_music_without_notes() -> None:
    score = single_then_full("doubling", Note.E, [Note.LOW_A], tempo_bpm=60)
    assert of_type(read(to_midi(score, tempo_bpm=90))[0], "set_tempo").tempo == round(60e6 / 90)
    with pytest.raises(ValueError, match="no notes"):
        to_midi(Score("", (4, 4), Fraction(1, 4), 60.0, ()))


def test_music21_reads_the_same_keys() -> None:
    score = single_then_full("taorluath", Note.LOW_A, [Note.C, Note.D], tempo_bpm=60)
    file = music21.midi.MidiFile()
    file.readstr(to_midi(score))
    assert [event.pitch for event in file.tracks[0].events if event.isNoteOn()] == keys_of(score)
    assert file.ticksPerQuarterNote == TICKS_A_QUARTER


def test_the_mei_file_has_its_tempo_and_instruction_and_all_notes() -> None:
    for name, score in list(every_drill().items())[::9]:
        document = mei(score)
        notes = list(ET.fromstring(document).iter(f"{{{MEI_NAMESPACE}}}note"))
        assert sum(1 for note in notes if note.get("grace")) == sum(len(theme.gracenotes) for theme in score.themes)
        toolkit = verovio.toolkit()
        assert toolkit.loadData(document), name
        ends = [name for event in toolkit.renderToTimemap() for name in event.get("off", [])]
        assert len(ends) >= len(score.themes) - sum(theme.tied for theme in score.themes)
    score = parse_abc("T:Reel\nM:6/8\nL:1/8\nQ:50\nN:Lift the E\nK:HP\nA3 {g}B3|]")
    root = ET.fromstring(mei(score))
    tempo = next(root.iter(f"{{{MEI_NAMESPACE}}}tempo"))
    assert (tempo.get("mm"), tempo.get("mm.unit"), tempo.get("mm.dots"), tempo.get("midi.bpm")) == (
        "50",
        "4",
        "1",
        "75",
    )
    assert next(root.iter(f"{{{MEI_NAMESPACE}}}dir")).text == "Lift the E"
    toolkit = verovio.toolkit()
    assert toolkit.loadData(mei(score))
    first = toolkit.renderToTimemap({"includeMeasures": True})[0]
    assert first["tempo"] == 75.0


def test_music21_reads_the_same_notes_from_mei() -> None:
    for name, score in list(every_drill().items())[::15]:
        read_back = music21.converter.parseData(mei(score), format="mei").recurse().notes
        written = [KEYS[note] for theme in score.themes for note in (*theme.gracenotes, theme.note)]
        assert [note.pitch.midi for note in read_back] == written, name


def test_short_theme_notes_of_a_tachum_are_notes_of_their_own() -> None:
    score = single_then_full("tachum", Note.LOW_A, [Note.E], tempo_bpm=60)
    movement = next(movement for movement in score.movements if movement.kind == "tachum")
    assert written_as_themes(movement.gracenotes, movement.on, movement.kind)
    lengths = {key: stop - start for key, start, stop in read(to_midi(score))[1]}
    assert lengths[KEYS[Note.C]] > TICKS_A_QUARTER / 8
