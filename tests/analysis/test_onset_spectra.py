"""What a note looks like while a room has not yet filled with it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis import onset_spectra, templates
from analysis.api import analyse
from analysis.chanter import Note
from analysis.decoding import REST, Segment
from analysis.echo import DRY, Room
from analysis.notes import HOP, SIZE, WINDOW
from analysis.score import parse_abc
from analysis.spectra import RATE_HZ, Floats
from analysis.variants import likeness
from tests.benchmarks import made_takes
from tests.benchmarks.scoring import load_truth, score

ROOM = Room(0.3, 0.02)
HZ = {Note.LOW_A: 470.0, Note.E: 705.0, Note.B: 525.0}
#: Amplitudes of the first harmonics: of the direct sound, and of what the room makes of a note that is held.
DIRECT = (1.0, 0.2, 0.8, 0.1, 0.5)
HELD = (0.3, 0.9, 0.3, 0.6, 0.4)
HELD_S = 0.2
FILLS_S = 0.04
RINGS_S = 0.03


def tone(note: Note, amplitudes: tuple[float, ...], seconds: float) -> np.ndarray:
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return np.sum([a * np.sin(2 * np.pi * k * HZ[note] * time) for k, a in enumerate(amplitudes, 1)], axis=0)


def playing(notes: list[Note]) -> tuple[templates.Listening, list[Segment]]:
    """`notes` of HELD_S each, the first moments of E direct, while the note before rings on; and where they are."""
    length = round(HELD_S * RATE_HZ)
    samples = np.zeros(length * len(notes))
    for number, note in enumerate(notes):
        begin = tone(note, DIRECT if note == Note.E else HELD, FILLS_S)
        held = tone(note, HELD, HELD_S - FILLS_S)
        samples[number * length : (number + 1) * length] += np.concatenate([begin, held])
        if number:
            ring = tone(notes[number - 1], HELD, 4 * RINGS_S)
            ring *= 0.6 * np.exp(-np.arange(ring.size) / (RINGS_S * RATE_HZ))
            samples[number * length : number * length + ring.size] += ring
    samples += np.random.default_rng(1).normal(0.0, 1e-3, samples.size)
    sound = templates.listen(samples.astype(np.float32), window=WINDOW, hop=HOP, size=SIZE)
    frames = length // HOP
    return sound, [Segment(n * frames, (n + 1) * frames, int(note)) for n, note in enumerate(notes)]


def looks(note: Note, amplitudes: tuple[float, ...]) -> Floats:
    """What a tone of `note` looks like when it sounds alone."""
    alone = templates.listen(tone(note, amplitudes, 0.2).astype(np.float32), window=WINDOW, hop=HOP, size=SIZE)
    return alone.mean(np.arange(20, alone.count - 20))


def known_templates() -> templates.Templates:
    notes = [Note.LOW_A, Note.B, Note.E]
    rows = [looks(note, HELD) for note in notes]
    ground = np.full_like(rows[0], 0.01 * rows[0].mean())
    owner = np.array([*notes, templates.GROUND], dtype=np.int8)
    return templates.Templates(np.array([*rows, ground]), owner, float(rows[0].sum()))


ALTERNATING = [Note.LOW_A, Note.E, Note.B, Note.E] * 4


def test_the_direct_sound_is_learned_from_under_the_last_notes_ring() -> None:
    sound, found = playing(ALTERNATING)
    known = known_templates()
    more = onset_spectra.with_onsets(sound, known, found, ROOM)
    learned = {int(owner): row for owner, row in zip(more.owner[4:], more.spectra[4:], strict=True)}
    direct, held = looks(Note.E, DIRECT), looks(Note.E, HELD)
    assert likeness(learned[Note.E], direct) > 0.98 > likeness(held, direct) + 0.1
    assert learned[Note.E].sum() == pytest.approx(known.spectra[2].sum(), rel=1e-4)
    assert np.array_equal(more.spectra[:4], known.spectra)


def test_without_a_room_notes_begin_as_they_go_on() -> None:
    sound, found = playing(ALTERNATING)
    known = known_templates()
    assert onset_spectra.with_onsets(sound, known, found, DRY) is known


def owners_added(known: templates.Templates, sound: templates.Listening, found: list[Segment]) -> set[int]:
    more = onset_spectra.with_onsets(sound, known, found, ROOM)
    return {int(owner) for owner in more.owner[known.owner.size :]}


def test_what_was_guessed_and_what_shows_two_spectra_anyway_gets_none() -> None:
    sound, found = playing(ALTERNATING)
    known = known_templates()
    assert int(Note.E) in owners_added(known, sound, found)
    assert int(Note.E) not in owners_added(replace(known, guessed=frozenset({int(Note.E)})), sound, found)
    twice = replace(
        known,
        spectra=np.concatenate([known.spectra, known.spectra[2:3]]),
        owner=np.append(known.owner, np.int8(Note.E)),
    )
    assert int(Note.E) not in owners_added(twice, sound, found)


def test_notes_that_are_known_from_elsewhere_are_left_as_they_are() -> None:
    sound, found = playing(ALTERNATING)
    known = known_templates()
    more = onset_spectra.with_onsets(sound, known, found, ROOM, without=frozenset({int(Note.E)}))
    assert int(Note.E) not in more.owner[known.owner.size :]


@pytest.mark.parametrize("spoilt", ["few", "after rest", "after a guess", "short"])
def test_what_does_not_show_how_a_note_begins_is_left_out(spoilt: str) -> None:
    sound, found = playing(ALTERNATING)
    known = known_templates()
    if spoilt == "few":
        found = found[:6]  # three beginnings of E
    elif spoilt == "after rest":
        found = [replace(s, state=REST) if s.state != Note.E else s for s in found]
    elif spoilt == "after a guess":
        known = replace(known, guessed=frozenset({int(Note.LOW_A), int(Note.B)}))
    else:
        found = [
            part for s in found for part in (replace(s, stop=s.start + 12), replace(s, start=s.start + 12, state=REST))
        ]
    assert int(Note.E) not in owners_added(known, sound, found)


def test_what_looks_like_another_note_is_left_out() -> None:
    sound, found = playing(ALTERNATING)
    known = known_templates()
    rival = replace(
        known,
        spectra=np.concatenate([known.spectra, looks(Note.E, DIRECT)[None]]),
        owner=np.append(known.owner, np.int8(Note.F)),
    )
    assert int(Note.E) not in owners_added(rival, sound, found)


def test_silence_does_no_harm() -> None:
    sound, found = playing(ALTERNATING)
    silent = templates.listen(np.zeros_like(sound.samples), window=WINDOW, hop=HOP, size=SIZE)
    more = onset_spectra.with_onsets(silent, known_templates(), found, ROOM)
    assert np.isfinite(more.spectra).all()


def test_in_a_room_more_is_heard_with_it_than_without(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A made take in a room whose echoes differ much from the direct sound."""
    made = made_takes.wide(14002)
    truth = load_truth(made_takes.write(made, tmp_path, "take"))
    written = parse_abc((tmp_path / "take.abc").read_text())

    def notes_f1() -> float:
        return score(dict(analyse(tmp_path / truth["audio"], written)), truth).f1[0]

    with_it = notes_f1()
    monkeypatch.setattr(onset_spectra, "with_onsets", lambda sound, known, *others, **more: known)
    assert with_it > 0.99 > notes_f1() + 0.02
