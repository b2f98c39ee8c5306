"""From spectra to the sequence of notes: how much of each template a frame holds, and the likeliest path through that.

Each frame is explained as a sum of templates with weights that are not negative, by multiplicative updates for the
Kullback-Leibler divergence (Lee and Seung's, with the spectra fixed). A sum, because a window of 20 ms over a
gracenote of 40 ms and a crossing noise of 16 ms nearly always holds more than one note, and a room adds the last one's
ghost. The path is Viterbi's over nine notes and rest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from analysis import odd_harmonics
from analysis.chanter import Note
from analysis.spectra import Floats
from analysis.templates import GROUND, STROKE, Listening, Templates

REST: Final = len(Note)
#: Updates, each raised to a power, which gets as far as more of them: the error still falls for powers below 2.
_UPDATES: Final = 12
STRIDE: Final = np.float32(1.7)
_TRUST_UPDATES: Final = 7
_CHUNK: Final = 2048
#: A frame is plain if no more than this share of it is not its note's template, and it lies this far inside its note.
_PLAIN: Final = 0.2
_WELL_INSIDE_S: Final = 0.05
#: Frames with no level trusted less than this need no weighing of trust.
_TRUSTED: Final = 0.9
#: Part of a frame that may come from anywhere; keeps one odd frame from outweighing its neighbours.
_STRAY: Final = 0.02
#: How far from a change of state frames are looked at again with better templates.
_NEAR_CHANGE_S: Final = 0.040
#: A gracenote an octave from the note held around it: so many times as much of it (by made takes: at 4, gracenotes in
#: rooms are not heard), for so long, and its edges.
_PLAINLY: Final = 2.0
_SHORTEST_MOMENT_S: Final = 0.014
_LONGEST_MOMENT_S: Final = 0.11
_MOMENT_EDGE_S: Final = 0.012
#: Amounts of all notes together below which a moment tells little of which one sounds.
_LITTLE: Final = 0.5
#: How far a larger share counts as evidence: a room leaves a gracenote little more than half of its own moment.
_SHARPNESS: Final = 2.0
#: Share of a note's ordinary level below which nothing is playing, and above which something surely is.
_SILENT: Final = 0.25
_SOUNDING: Final = 0.45


@dataclass(frozen=True)
class Weights:
    """How much there is in each frame of all notes together, of the ground and of strokes (frames,); `own` is each note
    as a share of its ordinary level (frames, 9), `trusted` what share of each frame can be trusted (frames,), `octave`
    what odd harmonics say of low or high G and of low or high A (frames, 2)."""

    sounding: Floats
    own: Floats
    ground: Floats
    strokes: Floats
    trusted: Floats
    octave: NDArray[np.int8]

    @staticmethod
    def none(count: int) -> Weights:
        """Of `count` frames that hold nothing."""
        zeros = [np.zeros(count, dtype=np.float32) for _ in range(3)]
        own = np.zeros((count, len(Note)), dtype=np.float32)
        octave = np.full((count, len(odd_harmonics.LOWER)), odd_harmonics.IS_OPEN, dtype=np.int8)
        return Weights(zeros[0], own, zeros[1], zeros[2], np.ones(count, dtype=np.float32), octave)

    def put(self, frames: NDArray[np.int64] | slice, other: Weights) -> None:
        """Take over what `other` says of `frames`."""
        self.sounding[frames], self.own[frames], self.ground[frames] = other.sounding, other.own, other.ground
        self.strokes[frames], self.trusted[frames] = other.strokes, other.trusted
        self.octave[frames] = other.octave


def first_weights(sound: Listening, templates: Templates, held: NDArray[np.int8]) -> Weights:
    """All of `sound` explained by `templates`. `held` is the note of each frame, or -1.

    Well inside a long note most frames are plain: nothing but that note. To explain them as a sum of all notes would
    find the same at length.
    """
    weights = Weights.none(sound.count)
    inside = scipy.ndimage.minimum_filter1d(held, 2 * round(_WELL_INSIDE_S / sound.hop_s) + 1) == held
    inside &= held >= 0
    is_plain = _plain(sound, templates, np.where(inside, held, np.int8(-1)), weights)
    explain_again(sound, templates, weights, np.flatnonzero(~is_plain))
    return weights


def _plain(sound: Listening, templates: Templates, inside: NDArray[np.int8], weights: Weights) -> NDArray[np.bool_]:
    """Which frames (frames,) are nothing but the note `inside` gives for them; `weights` is filled in there.

    Every second frame is looked at; one between two plain ones, whose windows share most of its sound, is plain too.
    """
    is_plain = np.zeros(inside.size, dtype=bool)
    for note in range(len(Note)):
        rows = np.flatnonzero(templates.owner == note)
        frames = np.flatnonzero(inside == note)
        if rows.size != 1:
            continue
        template = templates.spectra[rows[0]]
        frames = frames[frames % 2 == 0]
        for start in range(0, frames.size, _CHUNK):
            block = frames[start : start + _CHUNK]
            levels = sound.levels(block)
            gain = (levels @ template) / float(template @ template)
            off = np.linalg.norm(levels - gain[:, None] * template, axis=1) / (np.linalg.norm(levels, axis=1) + 1e-9)
            alike = off < _PLAIN
            block, gain = block[alike], gain[alike]
            weights.own[block, note] = gain
            weights.sounding[block] = gain * template.sum()
            if note in odd_harmonics.LOWER:
                weights.octave[block, odd_harmonics.LOWER.index(Note(note))] = odd_harmonics.IS_LOWER
            is_plain[block] = True
    between = np.arange(1, inside.size - 1, 2)
    same = (inside[between] >= 0) & (inside[between - 1] == inside[between]) & (inside[between + 1] == inside[between])
    between = between[same & is_plain[between - 1] & is_plain[between + 1]]
    weights.own[between] = 0.5 * (weights.own[between - 1] + weights.own[between + 1])
    weights.sounding[between] = 0.5 * (weights.sounding[between - 1] + weights.sounding[between + 1])
    weights.octave[between] = weights.octave[between - 1]
    is_plain[between] = True
    return is_plain


def explain_again(sound: Listening, templates: Templates, weights: Weights, frames: NDArray[np.int64]) -> None:
    """Explain `frames` (k,) anew by `templates`, in `weights`: the others are plain enough."""
    for start in range(0, frames.size, _CHUNK):
        block = frames[start : start + _CHUNK]
        levels = sound.levels(block)
        weights.put(block, weigh(levels, templates, sound.trust(block, levels)))


def in_octave(own: Floats, held: NDArray[np.int8], heard: Sequence[bool], hop_s: float) -> Floats:
    """`own` (frames, 9) with what a note that was never held took of the one an octave away given back where that is
    held.

    The harmonics of the upper are harmonics of the lower; where a long window (`held`, the note of each frame or -1)
    has told which of the two sounds, a guess must not say otherwise. `heard`: which notes (9,) were held anywhere;
    frames are `hop_s` seconds apart. A gracenote, which a long window does not see, may: for a moment, and plainly.
    """
    own = own.copy()
    for low in odd_harmonics.LOWER:
        high = low + odd_harmonics.OCTAVE
        for known, guessed in ((low, high), (high, low)):
            if not heard[guessed]:
                where = held == known
                where &= ~_moments(where & (own[:, guessed] > _PLAINLY * own[:, known]), hop_s)
                own[where, known] += own[where, guessed]
                own[where, guessed] = 0.0
    return own


def _moments(plain: NDArray[np.bool_], hop_s: float) -> NDArray[np.bool_]:
    """Which frames (frames,) lie in, or at the edge of, a run of `plain` ones that is as long as a gracenote."""
    edges = np.flatnonzero(np.diff(plain.astype(np.int8), prepend=0, append=0))
    result = np.zeros(plain.size, dtype=bool)
    margin = round(_MOMENT_EDGE_S / hop_s)
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if _SHORTEST_MOMENT_S <= (last - first) * hop_s <= _LONGEST_MOMENT_S:
            result[max(0, first - margin) : last + margin] = True
    return result


def weigh(levels: Floats, templates: Templates, trust: tuple[NDArray[np.int64], Floats] | None = None) -> Weights:
    """Explain `levels` (frames, bins) by `templates`; in the frames that `trust` names, each level as far as it is
    trusted."""
    spectra = templates.spectra
    sums = spectra.sum(axis=1)
    weights = levels.sum(axis=1, keepdims=True) / (sums * sums.size)
    explained = np.empty_like(levels)
    for _ in range(_UPDATES):
        np.matmul(weights, spectra, out=explained)
        explained += 1e-9
        np.divide(levels, explained, out=explained)
        weights *= ((explained @ spectra.T) / sums) ** STRIDE
    trusted = np.ones(levels.shape[0], dtype=np.float32)
    if trust is not None and trust[0].size:
        doubtful, share = trust
        trusted[doubtful] = (share * levels[doubtful]).sum(axis=1) / levels[doubtful].sum(axis=1)
        _trusting(weights, levels, doubtful, share, spectra)
    mass = weights * sums
    own = np.zeros((levels.shape[0], len(Note)), dtype=np.float32)
    for note in range(len(Note)):
        own[:, note] = weights[:, templates.owner == note].sum(axis=1)
    return Weights(
        mass[:, templates.owner >= 0].sum(axis=1),
        own,
        mass[:, templates.owner == GROUND].sum(axis=1),
        mass[:, templates.owner == STROKE].sum(axis=1),
        trusted,
        _octave(own, levels, weights, templates),
    )


def _octave(own: Floats, levels: Floats, weights: Floats, templates: Templates) -> NDArray[np.int8]:
    """What odd harmonics say of frames (frames, 2) in which `weights` (frames, k) of all templates were found."""
    told = np.full((own.shape[0], len(odd_harmonics.LOWER)), odd_harmonics.IS_OPEN, dtype=np.int8)
    for octave in templates.octaves:
        pair = [octave.low, octave.low + odd_harmonics.OCTAVE]
        frames = odd_harmonics.candidates(own, octave)
        if frames.size:
            others = ~np.isin(templates.owner, pair)
            left = np.maximum(levels[frames] - weights[frames][:, others] @ templates.spectra[others], 0.0)
            both = own[frames][:, pair].sum(axis=1)
            told[frames, odd_harmonics.LOWER.index(octave.low)] = odd_harmonics.tell(left, both, octave)
    return told


def _trusting(weights: Floats, levels: Floats, doubtful: NDArray[np.int64], trust: Floats, spectra: Floats) -> None:
    """Go on improving `weights` (frames, k), in place, in the frames `doubtful` with each level counting as it is
    trusted."""
    much = trust.min(axis=1) < _TRUSTED
    doubtful, trust = doubtful[much], trust[much]
    if not doubtful.size:
        return
    known = trust * levels[doubtful]
    own = weights[doubtful]
    sums = trust @ spectra.T + 1e-9
    for _ in range(_TRUST_UPDATES):
        own *= ((known / (own @ spectra + 1e-9)) @ spectra.T / sums) ** STRIDE
    weights[doubtful] = own


def shares(amounts: Floats) -> Floats:
    """Each note's share of the moment (frames, 9), from what there is of it. Where there is little of all, shares sum
    to less than 1."""
    return np.asarray(amounts / np.maximum(amounts.sum(axis=1, keepdims=True), _LITTLE), dtype=np.float32)


def likelihoods(weights: Weights, own: Floats, share: Floats, *, drones: bool = False) -> Floats:
    """Log likelihoods (frames, 10) of the nine notes and of rest.

    `own` (frames, 9) are the notes' amounts, `share` (frames, 9) their shares of the moment.
    """
    count = share.shape[0]
    result = np.empty((count, len(Note) + 1), dtype=np.float32)
    for start in range(0, count, _CHUNK):
        part = slice(start, start + _CHUNK)
        result[part] = _likelihoods(
            weights.sounding[part], weights.ground[part], weights.strokes[part], weights.trusted[part], own[part],
            share[part], drones=drones,
        )  # fmt: skip
    return result


def _likelihoods(
    sounding: Floats, ground: Floats, strokes: Floats, trusted: Floats, own: Floats, share: Floats, *, drones: bool
) -> Floats:
    # A note, or the passage from one to the next, is one or two notes; drones alone look like a little of every note.
    loudest = np.sort(own, axis=1)[:, -2 if drones else 0 :].sum(axis=1)
    resting = np.maximum(
        ground / np.maximum(ground + sounding, 1e-9),
        np.clip((_SOUNDING - loudest) / (_SOUNDING - _SILENT), 0.0, 1.0),
    )
    # What the shares leave open may be any note.
    open_ = np.maximum(1.0 - share.sum(axis=1, keepdims=True), 0.0)
    parts = np.column_stack([(share + open_) * (1.0 - resting)[:, None], resting])
    # Where strokes drown the notes, a frame tells little; where it fits no sum of notes, hardly more.
    heard = (sounding + ground) / np.maximum(sounding + ground + strokes, 1e-9)
    heard = heard * trusted
    return np.asarray(_SHARPNESS * np.log(parts + _STRAY) * np.clip(heard * 1.5, 0.1, 1.0)[:, None], dtype=np.float32)


@dataclass(frozen=True)
class Segment:
    """A stretch of frames in one state, `stop` excluded."""

    start: int
    stop: int
    state: int


def segments(states: NDArray[np.int8] | NDArray[np.int64]) -> list[Segment]:
    """The runs of equal states."""
    edges = np.concatenate([[0], np.flatnonzero(np.diff(states)) + 1, [states.size]])
    return [Segment(int(a), int(b), int(states[a])) for a, b in pairwise(edges)]


def states(found: Sequence[Segment]) -> NDArray[np.int8]:
    """The state of each frame (frames,) of what was `found`."""
    lengths = [segment.stop - segment.start for segment in found]
    return np.repeat(np.array([segment.state for segment in found], dtype=np.int8), lengths)


def at_rest(log_likelihood: Floats, before: NDArray[np.int8], after: NDArray[np.int8]) -> Floats:
    """`log_likelihood` (frames, 10) where the path `after` (frames,) rests and the one `before` did not: there rest is
    as likely as its state was, and the other way round."""
    return as_likely(log_likelihood, np.where(after == REST, before, after), after)


def as_likely(log_likelihood: Floats, before: NDArray[np.int8], after: NDArray[np.int8]) -> Floats:
    """`log_likelihood` (frames, 10) with the states of the path `after` (frames,) as likely as those of `before` were,
    and the other way round."""
    frames = np.flatnonzero(before != after)
    if not frames.size:
        return log_likelihood
    result = log_likelihood.copy()
    result[frames, after[frames]] = log_likelihood[frames, before[frames]]
    result[frames, before[frames]] = log_likelihood[frames, after[frames]]
    return result


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
