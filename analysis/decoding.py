"""From spectra to the sequence of notes: how much of each template a frame holds, and the likeliest path through that.

Each frame is explained as a sum of templates with weights that are not negative, by multiplicative updates for the
Kullback-Leibler divergence (Lee and Seung's, with the spectra fixed). A sum, because a window of 20 ms over a
gracenote of 40 ms and a crossing noise of 16 ms nearly always holds more than one note, and a room adds the last one's
ghost. The path is found with librosa's Viterbi decoder over nine notes and rest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from analysis.chanter import Note
from analysis.compiled import allow_keeping
from analysis.spectra import Floats
from analysis.templates import GROUND, STROKE, Listening, Templates

REST: Final = len(Note)
_UPDATES: Final = 20
_TRUST_UPDATES: Final = 12
_CHUNK: Final = 4096
#: A frame is plain if no more than this share of it is not its note's template, and it lies this far inside its note.
_PLAIN: Final = 0.2
_WELL_INSIDE_S: Final = 0.05
#: Frames with no level trusted less than this need no weighing of trust.
_TRUSTED: Final = 0.9
#: A change of note costs this much log likelihood: two of them, and a noise of 10 ms can still pay.
_CHANGE_COST: Final = 6.0
#: Part of a frame that may come from anywhere; keeps one odd frame from outweighing its neighbours.
_STRAY: Final = 0.02
#: How far from a change of state frames are looked at again with better templates.
_NEAR_CHANGE_S: Final = 0.040
#: Amounts of all notes together below which a moment tells little of which one sounds.
_LITTLE: Final = 0.5
#: How far a larger share counts as evidence: a room leaves a gracenote little more than half of its own moment.
_SHARPNESS: Final = 2.0
#: Share of a note's ordinary level below which nothing is playing, and above which something surely is.
_SILENT: Final = 0.25
_SOUNDING: Final = 0.45


@dataclass(frozen=True)
class Weights:
    """How much of each note (frames, 9), of the ground and of strokes (frames,) the frames hold; `own` the same for
    notes as a share of each one's ordinary level (frames, 9); `trusted`, what share of each frame can be trusted
    (frames,)."""

    notes: Floats
    own: Floats
    ground: Floats
    strokes: Floats
    trusted: Floats


def plain(sound: Listening, templates: Templates, held: NDArray[np.int8]) -> tuple[Weights, NDArray[np.bool_]]:
    """Frames (frames,) that are nothing but the note held there, and weights that say so of them (0 elsewhere).

    Well inside a long note most frames are; explaining them as a sum of all notes would find the same at length.
    `held` is the note of each frame or -1.
    """
    count = sound.levels.shape[0]
    notes = np.zeros((count, len(Note)), dtype=np.float32)
    own = np.zeros_like(notes)
    is_plain = np.zeros(count, dtype=bool)
    inside = scipy.ndimage.minimum_filter1d(held, 2 * round(_WELL_INSIDE_S / sound.hop_s) + 1) == held
    for note in range(len(Note)):
        rows = np.flatnonzero(templates.owner == note)
        frames = np.flatnonzero(inside & (held == note))
        if rows.size != 1 or not frames.size:
            continue
        template, levels = templates.spectra[rows[0]], sound.levels[frames]
        gain = (levels @ template) / float(template @ template)
        off = np.linalg.norm(levels - gain[:, None] * template, axis=1) / (np.linalg.norm(levels, axis=1) + 1e-9)
        alike = off < _PLAIN
        frames, gain = frames[alike], gain[alike]
        own[frames, note] = gain
        notes[frames, note] = gain * template.sum()
        is_plain[frames] = True
    zeros = np.zeros(count, dtype=np.float32)
    return Weights(notes, own, zeros, zeros.copy(), np.ones(count, dtype=np.float32)), is_plain


def in_octave(weights: Weights, held: NDArray[np.int8], heard: Sequence[bool]) -> Weights:
    """`weights` with what a note that was never held took of the one an octave away given back where that is held.

    The harmonics of the upper are harmonics of the lower; where a long window (`held`, the note of each frame or -1)
    has told which of the two sounds, a guess must not say otherwise. `heard`: which notes were held anywhere.
    """
    notes, own = weights.notes.copy(), weights.own.copy()
    for low, high in ((Note.LOW_G, Note.HIGH_G), (Note.LOW_A, Note.HIGH_A)):
        for known, guessed in ((low, high), (high, low)):
            if not heard[guessed]:
                where = held == known
                notes[where, known] += notes[where, guessed]
                own[where, known] += own[where, guessed]
                notes[where, guessed] = own[where, guessed] = 0.0
    return replace(weights, notes=notes, own=own)


def weigh_again(sound: Listening, templates: Templates, before: Weights, where: NDArray[np.bool_]) -> Weights:
    """`before` with the frames in `where` (frames,) explained anew by `templates`: the others are plain enough."""
    trust_of = sound.trust_of[where] if sound.trust_of is not None else None
    fresh = weigh(replace(sound, levels=sound.levels[where], trust_of=trust_of), templates)
    parts = []
    for old, new in (
        (before.notes, fresh.notes),
        (before.own, fresh.own),
        (before.ground, fresh.ground),
        (before.strokes, fresh.strokes),
        (before.trusted, fresh.trusted),
    ):
        whole = old.copy()
        whole[where] = new
        parts.append(whole)
    return Weights(*parts)


def weigh(sound: Listening, templates: Templates) -> Weights:
    """Explain the levels of `sound` (frames, bins) by `templates`, each level as far as it is trusted."""
    levels = sound.levels
    count = levels.shape[0]
    spectra = templates.spectra
    sums = spectra.sum(axis=1)
    notes = np.zeros((count, len(Note)), dtype=np.float32)
    ground = np.zeros(count, dtype=np.float32)
    strokes = np.zeros(count, dtype=np.float32)
    own = np.zeros_like(notes)
    for start in range(0, count, _CHUNK):
        block = levels[start : start + _CHUNK]
        weights = block.sum(axis=1, keepdims=True) / (sums * sums.size)
        for _ in range(_UPDATES):
            weights *= (block / (weights @ spectra + 1e-9)) @ spectra.T / sums
        part = slice(start, start + block.shape[0])
        if sound.trust is not None and sound.trust_of is not None:
            _trusting(weights, block, sound.trust, sound.trust_of[part], spectra)
        mass = weights * sums
        for note in range(len(Note)):
            notes[part, note] = mass[:, templates.owner == note].sum(axis=1)
            own[part, note] = weights[:, templates.owner == note].sum(axis=1)
        ground[part] = mass[:, templates.owner == GROUND].sum(axis=1)
        strokes[part] = mass[:, templates.owner == STROKE].sum(axis=1)
    return Weights(notes, own, ground, strokes, _trusted(sound))


def _trusted(sound: Listening) -> Floats:
    """The share of each frame's level (frames,) that can be trusted."""
    result = np.ones(sound.levels.shape[0], dtype=np.float32)
    if sound.trust is not None and sound.trust_of is not None:
        frames = np.flatnonzero(sound.trust_of >= 0)
        levels = sound.levels[frames]
        result[frames] = (sound.trust[sound.trust_of[frames]] * levels).sum(axis=1) / levels.sum(axis=1)
    return result


def _trusting(weights: Floats, levels: Floats, trust: Floats, trust_of: NDArray[np.int32], spectra: Floats) -> None:
    """Go on improving `weights` (frames, k), in place, with each level counting as it is trusted."""
    doubtful = np.flatnonzero(trust_of >= 0)
    doubtful = doubtful[trust[trust_of[doubtful]].min(axis=1) < _TRUSTED] if doubtful.size else doubtful
    if not doubtful.size:
        return
    trust, levels = trust[trust_of[doubtful]], levels[doubtful]
    own = weights[doubtful]
    sums = trust @ spectra.T + 1e-9
    for _ in range(_TRUST_UPDATES):
        own *= (trust * levels / (own @ spectra + 1e-9)) @ spectra.T / sums
    weights[doubtful] = own


def shares(amounts: Floats) -> Floats:
    """Each note's share of the moment (frames, 9), from what there is of it. Where there is little of all, shares sum
    to less than 1."""
    return np.asarray(amounts / np.maximum(amounts.sum(axis=1, keepdims=True), _LITTLE), dtype=np.float32)


def likelihoods(weights: Weights, share: Floats, *, drones: bool = False) -> Floats:
    """Log likelihoods (frames, 10) of the nine notes, whose share of the moment is `share` (frames, 9), and of rest."""
    sounding = weights.notes.sum(axis=1)
    # A note, or the passage from one to the next, is one or two notes; drones alone look like a little of every note.
    loudest = np.sort(weights.own, axis=1)[:, -2 if drones else 0 :].sum(axis=1)
    resting = np.maximum(
        weights.ground / np.maximum(weights.ground + sounding, 1e-9),
        np.clip((_SOUNDING - loudest) / (_SOUNDING - _SILENT), 0.0, 1.0),
    )
    # What the shares leave open may be any note.
    open_ = np.maximum(1.0 - share.sum(axis=1, keepdims=True), 0.0)
    parts = np.column_stack([(share + open_) * (1.0 - resting)[:, None], resting])
    # Where strokes drown the notes, a frame tells little; where it fits no sum of notes, hardly more.
    heard = (sounding + weights.ground) / np.maximum(sounding + weights.ground + weights.strokes, 1e-9)
    heard = heard * weights.trusted
    return np.asarray(_SHARPNESS * np.log(parts + _STRAY) * np.clip(heard * 1.5, 0.1, 1.0)[:, None], dtype=np.float32)


def path(log_likelihood: Floats) -> NDArray[np.int64]:
    """The likeliest state of each frame: a note's number or REST."""
    allow_keeping()
    # Imported late: librosa is slow to import, and everything before this can fail on bad input without it.
    from librosa.sequence import viterbi

    states = log_likelihood.shape[1]
    change = float(np.exp(-_CHANGE_COST))
    transition = np.full((states, states), change)
    np.fill_diagonal(transition, 1.0 - (states - 1) * change)
    emission = np.exp(log_likelihood - log_likelihood.max(axis=1, keepdims=True)).T.astype(np.float64)
    return np.asarray(viterbi(emission, transition), dtype=np.int64)


@dataclass(frozen=True)
class Segment:
    """A stretch of frames in one state, `stop` excluded."""

    start: int
    stop: int
    state: int


def segments(states: NDArray[np.int64]) -> list[Segment]:
    """The runs of equal states."""
    edges = np.concatenate([[0], np.flatnonzero(np.diff(states)) + 1, [states.size]])
    return [Segment(int(a), int(b), int(states[a])) for a, b in pairwise(edges)]


def unsettled(found: list[Segment], share: Floats, hop_s: float) -> NDArray[np.bool_]:
    """Frames (frames,) worth another look: near a change of state, or with a rival to the note that was chosen."""
    count = share.shape[0]
    reach = round(_NEAR_CHANGE_S / hop_s)
    near = np.zeros(count, dtype=bool)
    rival = np.zeros(count, dtype=bool)
    for segment in found:
        near[max(0, segment.start - reach) : segment.start + reach] = True
        if segment.state != REST:
            inside = slice(segment.start, segment.stop)
            rival[inside] = share[inside, segment.state] < 0.8
    return near | rival


def sure_frames(found: list[Segment], share: Floats, sound: Listening) -> dict[int, NDArray[np.int64]]:
    """Frame indices by note that lie well inside a segment and belong to its note almost alone."""
    least = round(0.024 / sound.hop_s)
    result: dict[int, list[NDArray[np.int64]]] = {}
    for segment in found:
        length = segment.stop - segment.start
        if segment.state == REST or length < least:
            continue
        margin = 2 * least // 2 if length >= 60 else min(6, length // 3)
        frames = np.arange(segment.start + margin, segment.stop - margin)
        frames = frames[share[frames, segment.state] > 0.75]
        result.setdefault(segment.state, []).append(frames)
    return {note: np.concatenate(parts) for note, parts in result.items()}
