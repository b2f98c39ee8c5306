"""What sounded: every note with its start, end and confidence, gapless where the chanter sounds.

The method, in order: fit the chanter to the held notes (:mod:`analysis.tuning`), learn each note's spectrum from them
(:mod:`analysis.templates`), explain every 2 ms by a sum of these, tell octaves apart (:mod:`analysis.odd_harmonics`)
and decode the likeliest path (:mod:`analysis.decoding`, :mod:`analysis.viterbi`), whose notes change where the sound
does (:mod:`analysis.steps`), learn again from what was found, gracenotes included, and how notes begin in a room
(:mod:`analysis.onset_spectra`), and fit every boundary (:mod:`analysis.boundaries`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis import (
    boundaries,
    decoding,
    echo,
    odd_harmonics,
    onset_spectra,
    plausible,
    spectra,
    steps,
    templates,
    tuning,
    viterbi,
)
from analysis.chanter import Note
from analysis.click_removal import Clicks
from analysis.decoding import REST, Segment
from analysis.harmonic_steps import HarmonicSteps
from analysis.spectra import Floats

WINDOW: Final = 352
HOP: Final = 32
SIZE: Final = 512
_PASSES: Final = 3
#: Energies are compared by this power: close to how a window shared by two notes divides between them.
_LOUDNESS: Final = 0.5
_SHORTEST_S: Final = 0.006
#: So many moments of a note are enough for its template at the short window.
_FOR_SHORT: Final = 400
#: What borders on silence, is shorter than this and hardly sure is the room, or a reed that catches as it stops.
_BLIP_S: Final = 0.030
_BLIP_CONFIDENCE: Final = 0.5
#: What sounds for less than this between silence and a note is how that note begins to speak, unless it is as long as
#: the second and as sure as the third; the note begins by so much earlier at most: before that it is what a click left
#: behind (by made takes).
_LONGEST_CATCH_S: Final = 0.025
_SHORTEST_GRACENOTE_S: Final = 0.016
_SURE_GRACENOTE: Final = 0.9
_SPEAKS_S: Final = 0.014
#: So long a rest is silence.
_SILENCE_S: Final = 0.05
#: What is heard for nothing is shorter than this and less sure than true noises of its length: by this, and by this
#: where a reed begins to speak, within one note, and where a room rings as loud as the notes (by made takes).
_LONGEST_SLUR_MS: Final = 22.0
_SLUR_CONFIDENCE: Final = 0.62
_LIKELY_SLUR_CONFIDENCE: Final = 0.75
_RINGING: Final = 0.5


@dataclass(frozen=True)
class Sounded:
    """One sounded note. `confidence` is 0 to 1."""

    start_s: float
    end_s: float
    note: Note
    confidence: float

    @property
    def length_ms(self) -> float:
        """How long it sounds, in milliseconds."""
        return 1000.0 * (self.end_s - self.start_s)


@dataclass(frozen=True)
class Decoded:
    """The likeliest `path` (frames,) through the nine notes and rest, and what it was found by: log likelihoods
    (frames, 10), what a change costs in these (frames,), each note's share of every frame (frames, 9); in the sound
    (n,) that clicks were taken out of, with the `edges` that notes have in it in a room."""

    path: NDArray[np.int8]
    log_likelihood: Floats
    change_cost: Floats
    share: Floats
    samples: Floats
    clicks: Sequence[Clicks]
    room: echo.Room
    edges: boundaries.Edges


def hear(
    samples: Floats, fit: tuning.Fit, clicks: Sequence[Clicks] = (), told: Sequence[Sounded] = ()
) -> Decoded | None:
    """What is played in `samples` (n,) at the listening rate on the chanter `fit`; None where no note is to be heard.

    `clicks` were taken out of the samples: what they left counts for little. `told`: moments whose note is known from
    elsewhere.
    """
    sound = _listening(samples, clicks, WINDOW, HOP, SIZE)
    known, held = templates.first(sound, fit)
    change_cost = steps.change_costs(steps.throughout(sound))
    weights = decoding.first_weights(sound, known, held)
    read = _decoded(weights, change_cost, echo.DRY, held, fit, sound.hop_s)
    for _ in range(_PASSES - 1):
        known = templates.learn(sound, known, _sure(read.found, read.share, sound, told), fit)
        again = decoding.unsettled(read.found, read.share, sound.hop_s)
        if told:
            again[:] = True
        told_of = frozenset(int(moment.note) for moment in told)
        with_onsets = onset_spectra.with_onsets(sound, known, read.found, read.room, without=told_of)
        decoding.explain_again(sound, with_onsets, weights, np.flatnonzero(again))
        read = _decoded(weights, change_cost, read.room, held, fit, sound.hop_s)
    known = templates.learn(sound, known, _sure(read.found, read.share, sound, told), fit)
    in_octave = plausible.in_their_octave(read.found, fit, change_cost, sound.hop_s)
    as_held = plausible.as_held(in_octave, fit, change_cost, sound.hop_s)
    found = plausible.only_playing(as_held, held, sound.hop_s)
    if all(segment.state == REST for segment in found):
        return None
    fine = _listening(samples, clicks, boundaries.WINDOW, boundaries.HOP, boundaries.SIZE)
    short = _short_templates(fine, found, _sure(found, read.share, sound, told), known)
    edges = boundaries.Edges(fine, short, read.room, HarmonicSteps(samples, fit.hz))
    path = decoding.states(found)
    # What was put back into its octave keeps its likelihoods: the score may have another word on that.
    log_likelihood = decoding.as_likely(read.log_likelihood, decoding.states(in_octave), decoding.states(as_held))
    log_likelihood = decoding.at_rest(log_likelihood, decoding.states(read.found), path)
    return Decoded(path, log_likelihood, change_cost, read.share, samples, clicks, read.room, edges)


def sounded(
    decoded: Decoded, path: NDArray[np.int8] | None = None, is_expected: Callable[[Sounded], bool] = lambda note: False
) -> list[Sounded]:
    """The notes of what was `decoded`, on the likeliest path or another one (frames,); what is expected is no slur."""
    found = decoding.segments(decoded.path if path is None else path)
    times = decoded.edges.refine(found, HOP / spectra.RATE_HZ)
    notes = _sounded(found, times, decoded.share, decoded.samples.size / spectra.RATE_HZ, is_expected)
    return _without_slurs(notes, decoded.room, is_expected)


def _listening(samples: Floats, clicks: Sequence[Clicks], window: int, hop: int, size: int) -> templates.Listening:
    sound = templates.listen(samples, window=window, hop=hop, size=size)
    for kind in clicks:
        sound = templates.doubting(sound, kind)
    return sound


def _sure(
    found: list[Segment], share: Floats, sound: templates.Listening, told: Sequence[Sounded]
) -> dict[int, NDArray[np.int64]]:
    """Surely known frames (k,) by note: those of what was found, and the middles of what was told."""
    sure = decoding.sure_frames(found, share, sound)
    if not told:
        return sure
    moments = [(int(moment.note), moment.start_s / sound.hop_s, moment.end_s / sound.hop_s) for moment in told]
    taken = np.concatenate([np.arange(int(start), int(end) + 1) for _, start, end in moments])
    sure = {note: frames[~np.isin(frames, taken)] for note, frames in sure.items()}
    for note in {note for note, _, _ in moments}:
        middles = [
            np.arange(round((2 * start + end) / 3), round((start + 2 * end) / 3) + 1)
            for other, start, end in moments
            if other == note
        ]
        # Nothing but what was told: what else was found under this name was found by a mistaken likeness.
        sure[note] = np.concatenate(middles)
    return sure


@dataclass(frozen=True)
class _Pass:
    """Each note's share of every frame (frames, 9), log likelihoods (frames, 10), the likeliest segments by these,
    and the room that they show."""

    share: Floats
    log_likelihood: Floats
    found: list[Segment]
    room: echo.Room


def _decoded(
    weights: decoding.Weights,
    change_cost: Floats,
    room: echo.Room,
    held: NDArray[np.int8],
    fit: tuning.Fit,
    hop_s: float,
) -> _Pass:
    """What `weights` show in a `room`."""
    own = odd_harmonics.settle(weights.own, weights.octave, hop_s)
    own = decoding.in_octave(own, held, fit.heard, hop_s)
    energy = echo.energies(own)
    share = decoding.shares(echo.direct(energy, room, hop_s) ** _LOUDNESS)
    likelihoods = decoding.likelihoods(weights, own, share, drones=fit.drone_hz is not None)
    found = plausible.of_one_note(decoding.segments(viterbi.path(likelihoods, change_cost)), change_cost, hop_s)
    found = plausible.of_one_octave(found, change_cost, hop_s)
    return _Pass(share, likelihoods, found, echo.measure(energy, found, hop_s))


def _short_templates(
    fine: templates.Listening,
    found: list[Segment],
    sure: dict[int, NDArray[np.int64]],
    known: templates.Templates,
) -> templates.Templates:
    """Templates at the boundaries' short window, from the same surely known moments."""
    step = HOP // boundaries.HOP
    rows: list[Floats] = []
    owners: list[int] = []
    levels: list[float] = []
    for note in range(len(Note)):
        frames = sure.get(note)
        if frames is None or not frames.size:
            frames = _middles(found, note)
        if not frames.size:
            continue
        rows.append(fine.mean(templates.some(frames, _FOR_SHORT) * step))
        levels.append(float(rows[-1].sum()))
        owners.append(note)
    resting = np.concatenate([np.arange(s.start, s.stop) for s in found if s.state == REST] or [np.zeros(0, dtype=int)])
    if resting.size > 50:
        rows.append(fine.mean(templates.some(resting, _FOR_SHORT) * step))
    else:
        rows.append(known.spectra[known.owner == templates.GROUND][0])
    owner = np.array([*owners, templates.GROUND], dtype=np.int8)
    return templates.Templates(np.array(rows, dtype=np.float32), owner, float(np.median(levels)) if levels else 1.0)


def _middles(found: list[Segment], note: int) -> NDArray[np.int64]:
    """The middle frames of every segment of `note`: all there is of one that only ever sounded for a moment."""
    parts = [np.arange((2 * s.start + s.stop) // 3, (s.start + 2 * s.stop) // 3 + 1) for s in found if s.state == note]
    return np.concatenate(parts) if parts else np.zeros(0, dtype=np.int64)


def _sounded(
    found: list[Segment],
    times: list[float],
    share: Floats,
    duration_s: float,
    is_expected: Callable[[Sounded], bool] = lambda note: False,
) -> list[Sounded]:
    edges = [0.0, *times, duration_s]
    last = len(found) - 1
    result = []
    for number, sound in enumerate(_with_beginnings(found, edges, share, is_expected)):
        if sound is None or sound.end_s - sound.start_s < _SHORTEST_S:
            continue
        by_rest = REST in (found[max(0, number - 1)].state, found[min(last, number + 1)].state)
        if by_rest and sound.end_s - sound.start_s < _BLIP_S and sound.confidence < _BLIP_CONFIDENCE:
            continue
        result.append(sound)
    return result


def _with_beginnings(
    found: list[Segment], edges: list[float], share: Floats, is_expected: Callable[[Sounded], bool]
) -> list[Sounded | None]:
    """What sounds in each segment of what was `found`, between its `edges`; nothing in rest, nor in moments between
    silence and a note, as which this note begins to speak: it begins so much earlier.

    Not so a moment that was expected, nor one that is as long as the shortest gracenotes and sure.
    """
    whole = [_sound(segment, edges[number], edges[number + 1], share) for number, segment in enumerate(found)]
    for silence in [number for number, segment in enumerate(found) if segment.state == REST]:
        first = number = silence + 1
        while number < len(found) and edges[number + 1] - edges[first] < _LONGEST_CATCH_S:
            number += 1
        moments = [moment for moment in whole[first:number] if moment is not None]
        note = whole[number] if number < len(found) else None
        if edges[first] - edges[silence] < _SILENCE_S or note is None or note.end_s - note.start_s < _BLIP_S:
            continue
        if len(moments) == number - first and not any(_is_sure(moment) or is_expected(moment) for moment in moments):
            whole[first:number] = [None] * len(moments)
            whole[number] = replace(note, start_s=max(edges[first], note.start_s - _SPEAKS_S))
    return whole


def _sound(segment: Segment, start_s: float, end_s: float, share: Floats) -> Sounded | None:
    if segment.state == REST:
        return None
    middle = share[segment.start : segment.stop, segment.state]
    confidence = min(max(spectra.upper_quartile(middle), 0.0), 1.0) if middle.size else 0.0
    return Sounded(start_s, end_s, Note(segment.state), confidence)


def _is_sure(moment: Sounded) -> bool:
    """Whether a moment after silence is a gracenote."""
    return moment.end_s - moment.start_s >= _SHORTEST_GRACENOTE_S and moment.confidence >= _SURE_GRACENOTE


def _without_slurs(
    notes: list[Sounded], room: echo.Room, is_expected: Callable[[Sounded], bool] = lambda note: False
) -> list[Sounded]:
    """`notes` with what is short and hardly sure, and was not expected, given to the note that follows.

    While a room still rings with the last note, the first moments of the next may look like neither. A moment within a
    note goes back to it.
    """
    result: list[Sounded] = []
    for note in notes:
        before = result[-1] if result else None
        earlier = result[-2] if len(result) > 1 and before is not None and _joins(result[-2], before) else None
        is_slur = before is not None and _joins(before, note) and _is_slur(before, earlier, note, room)
        if before is None or not is_slur or is_expected(before):
            result.append(note)
            continue
        result.pop()
        if earlier is not None and earlier.note == note.note:
            result[-1] = replace(earlier, end_s=note.end_s, confidence=max(earlier.confidence, note.confidence))
        else:
            result.append(replace(note, start_s=before.start_s))
    return result


def _joins(before: Sounded, after: Sounded) -> bool:
    return after.start_s <= before.end_s


def _is_slur(note: Sounded, before: Sounded | None, after: Sounded, room: echo.Room) -> bool:
    """Whether `note` is no note of its own; `before` is None after silence."""
    if note.length_ms >= _LONGEST_SLUR_MS:
        return False
    likely = before is None or before.note == after.note or room.share >= _RINGING
    return note.confidence < (_LIKELY_SLUR_CONFIDENCE if likely else _SLUR_CONFIDENCE)
