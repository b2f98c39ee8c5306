"""What each note looks like in this recording: spectra learned from it, at the length of window used for listening.

A template is the mean compressed magnitude spectrum of a note's surely known frames. Being taken from the recording it
holds the drones, the room and the microphone as well. A note that was never held has no such frames at first: it
starts as its neighbours' templates moved to where the note should lie, and is learned from the gracenotes that these
find.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from analysis import combs, odd_harmonics, spectra, tuning, variants
from analysis.chanter import Note
from analysis.click_removal import Clicks
from analysis.spectra import Floats

#: Magnitudes are raised to this power: between loudness (about 0.6) and amplitude, where sounds nearly add.
COMPRESSION: Final = 0.7
LOW_HZ: Final = 150.0
HIGH_HZ: Final = 6200.0
_LEAST_FRAMES: Final = 6
#: Fewer held frames than this may be a long window's mistake.
_FEW: Final = 500
_GUESSES_CENTS: Final = (-40.0, 0.0, 40.0)
#: Over drones low A alone, whose harmonics it shares: they beat with it.
_BEATING: Final = (Note.LOW_A,)
#: So many frames show whether a note has two spectra.
_MOST_FOR_VARIANTS: Final = 500
#: A guess lies this far from every note that is known.
_APART_CENTS: Final = 65.0

#: A spectrum's envelope is its mean over so many bins.
_ENVELOPE_BINS: Final = 15
#: So many frames of a note show what it looks like; so many of a take, how loud it is.
_ENOUGH: Final = 500
_FOR_FLOOR: Final = 3000
#: The part of a click that is still there, at most, after it was taken out (by ear and by experiment).
_LEFT_OF_CLICKS: Final = 0.5

#: Drones alone are known from so much of them; how alike and as loud as a note's what is no drones alone is.
_LEAST_DRONING_S: Final = 0.1
_ALIKE: Final = 0.9
_AS_LOUD: Final = 0.85

#: Owners of templates that are no note.
GROUND: Final = -1
STROKE: Final = -2


@dataclass(frozen=True)
class Templates:
    """Spectra (k, bins) and, for each, the note it belongs to, GROUND (what sounds while nobody plays) or STROKE;
    `octaves`: what tells low G from high G, low A from high A."""

    spectra: Floats
    owner: NDArray[np.int8]
    level: float
    guessed: frozenset[int] = frozenset()
    octaves: tuple[odd_harmonics.OddHarmonics, ...] = ()


@dataclass(frozen=True)
class Doubt:
    """What clicks of one kind may have left behind: levels (frames, bins), and the frames (k,) of which the first one
    lies at each click."""

    left: Floats
    firsts: NDArray[np.int64]


@dataclass(frozen=True)
class Listening:
    """A sound (n,) heard through compressed spectra: `window`, `hop` and `size` in samples, `floor` a level under all.

    Spectra are made of the frames that are asked for: those of a long recording would not fit into memory at once.
    """

    samples: Floats
    window: int
    hop: int
    size: int
    floor: float
    doubts: tuple[Doubt, ...] = ()

    @property
    def count(self) -> int:
        """How many frames there are."""
        return spectra.frame_count(self.samples, self.hop)

    @property
    def hop_s(self) -> float:
        """Seconds from frame to frame."""
        return self.hop / spectra.RATE_HZ

    @property
    def hz(self) -> NDArray[np.float64]:
        """The bins' frequencies in hertz."""
        first, last = spectra.bin_range(self.size, LOW_HZ, HIGH_HZ)
        return np.asarray(np.arange(first, last) * spectra.RATE_HZ / self.size)

    def levels(self, frames: NDArray[np.int64]) -> Floats:
        """The compressed spectra (k, bins) of `frames` (k,)."""
        magnitudes = _magnitudes(self.samples, frames, self.window, self.hop, self.size)
        magnitudes += np.float32(self.floor)
        np.power(magnitudes, np.float32(COMPRESSION), out=magnitudes)
        return magnitudes

    def mean(self, frames: NDArray[np.int64]) -> Floats:
        """The mean compressed spectrum (bins,) of `frames`, from enough of them."""
        return np.asarray(self.levels(some(frames)).mean(axis=0), dtype=np.float32)

    def trust(self, frames: NDArray[np.int64], levels: Floats) -> tuple[NDArray[np.int64], Floats]:
        """Which of `frames` (k,), whose spectra are `levels` (k, bins), clicks were taken out of, and how much of each
        level there is the chanter's, 0 to 1 (doubtful, bins)."""
        doubtful = np.zeros(frames.size, dtype=bool)
        rows: list[tuple[NDArray[np.int64], Floats]] = []
        for doubt in self.doubts:
            last = np.searchsorted(doubt.firsts, frames, side="right") - 1
            into = frames - doubt.firsts[last]
            # Two clicks never lie within each other's reach; where kinds were mixed up, the first one's doubt stands.
            own = np.flatnonzero((last >= 0) & (into < doubt.left.shape[0]) & ~doubtful)
            if own.size:
                doubtful[own] = True
                power = (levels[own] / np.maximum(doubt.left[into[own]], 1e-9)) ** 2
                rows.append((own, power / (1.0 + power)))
        if not rows:
            return np.zeros(0, dtype=np.int64), np.zeros((0, levels.shape[1]), dtype=np.float32)
        return np.concatenate([where for where, _ in rows]), np.concatenate([row for _, row in rows])


def some(frames: NDArray[np.int64], most: int = _ENOUGH) -> NDArray[np.int64]:
    """`most` of `frames` to twice as many, spread evenly: enough for what they have in common."""
    chosen: NDArray[np.int64] = frames[:: max(1, frames.size // most)]
    return chosen


def _magnitudes(samples: Floats, frames: NDArray[np.int64], window: int, hop: int, size: int) -> Floats:
    return spectra.magnitudes(samples, frames, window=window, hop=hop, size=size, low_hz=LOW_HZ, high_hz=HIGH_HZ)


def listen(samples: Floats, *, window: int, hop: int, size: int) -> Listening:
    """`samples` (n,) at the listening rate, to be heard through windows of `window` samples."""
    frames = some(np.arange(spectra.frame_count(samples, hop)), _FOR_FLOOR)
    loud = float(np.percentile(_magnitudes(samples, frames, window, hop, size).mean(axis=1), 90))
    # A floor well under the sound keeps silence, and what a codec silenced, from looking like structure.
    return Listening(samples, window, hop, size, 1e-5 + 0.004 * loud)


def doubting(sound: Listening, clicks: Clicks) -> Listening:
    """`sound` with less trust where `clicks` were taken out of it.

    The waveform that was taken out is the clicks' mean; codecs, rooms and fingers differ from stroke to stroke, and
    leave a part of it behind.
    """
    pad = sound.window
    around = listen(np.pad(clicks.wave, pad), window=sound.window, hop=sound.hop, size=sound.size)
    left = _LEFT_OF_CLICKS**COMPRESSION * around.levels(np.arange(around.count))
    lead = round((pad + clicks.lead) / sound.hop)
    firsts = np.sort(np.round(clicks.times_s / sound.hop_s).astype(np.int64) - lead)
    return replace(sound, doubts=(*sound.doubts, Doubt(left.astype(np.float32), firsts)))


def held_frames(fit: tuning.Fit, sound: Listening, *, margin: int = 2) -> NDArray[np.int8]:
    """The held note of every listening frame (frames,), -1 near changes and where none is held.

    `margin` is in long frames: their windows must not reach into another note.
    """
    labels = fit.labels
    sure = labels.copy()
    for shift in range(1, margin + 1):
        same = (np.roll(labels, shift) == labels) & (np.roll(labels, -shift) == labels)
        sure = np.where(same, sure, -1)
    places = np.round(np.arange(sound.count) * sound.hop / tuning.HOP).astype(int)
    return np.asarray(sure[np.minimum(places, sure.size - 1)], dtype=np.int8)


def _purest(note: int, fit: tuning.Fit, sound: Listening) -> NDArray[np.int64]:
    """The frames (k,) of short runs of `note` in which its own harmonics stand out most; none where others' do.

    A long window over a grip hears its two low Gs as held, and the D that lies between them is in its middle.
    """
    places = np.round(np.arange(sound.count) * sound.hop / tuning.HOP).astype(int)
    frames = some(np.flatnonzero(fit.labels[np.minimum(places, fit.labels.size - 1)] == note), _ENOUGH)
    if not frames.size:
        return frames
    levels = sound.levels(frames)
    # Without its envelope, by which notes differ less than by where their harmonics lie.
    flat = levels / scipy.ndimage.uniform_filter1d(levels, _ENVELOPE_BINS, axis=1)
    flat -= flat.mean(axis=1, keepdims=True)
    flat /= np.linalg.norm(flat, axis=1, keepdims=True) + 1e-9
    own = np.array([harmonics(hz, sound) for hz in fit.hz])
    own -= own.mean(axis=1, keepdims=True)
    own /= np.linalg.norm(own, axis=1, keepdims=True)
    likeness = flat @ own.T
    lead = likeness[:, note] - np.delete(likeness, note, axis=1).max(axis=1)
    clear = lead[lead > 0.0]
    if clear.size < _LEAST_FRAMES:
        return frames[:0]
    purest: NDArray[np.int64] = frames[lead >= np.median(clear)]
    return purest


def moved(spectrum: Floats, hz: NDArray[np.float64], ratio: float) -> Floats:
    """`spectrum` (bins,) with every frequency multiplied by `ratio`."""
    return np.interp(hz / ratio, hz, spectrum).astype(np.float32)


def first(sound: Listening, fit: tuning.Fit) -> tuple[Templates, NDArray[np.int8]]:
    """Templates from the held notes, the others guessed from their neighbours; and the frames held, as
    `held_frames`."""
    held = held_frames(fit, sound)
    known: dict[int, Floats] = {}
    heard_in: dict[int, NDArray[np.int64]] = {}
    for note in range(len(Note)):
        frames = np.flatnonzero(held == note)
        if frames.size < _FEW:
            # Short notes have no frame far from both of their ends; some near are better than a guess. Without a moment
            # in which its harmonics stand out, it was another note that was mistaken.
            frames = _purest(note, fit, sound)
        if frames.size >= _LEAST_FRAMES:
            heard_in[note] = frames
            known[note] = sound.mean(frames)
    grounds = _grounds(sound, fit, held, list(known.values()))
    steady = some(np.flatnonzero(held >= 0), _FOR_FLOOR)
    level = float(np.median(sound.levels(steady).sum(axis=1))) if steady.size else 1.0
    rows: list[Floats] = []
    owners: list[int] = []
    for note in range(len(Note)):
        if note not in known:
            own = _guesses(_pitches(note, known, fit), sound, level)
            own += _neighbours(note, known, fit, sound, grounds[0])
        elif note in (odd_harmonics.LOWER if fit.drone_hz is None else _BEATING):
            others = [known[n] for n in known if n not in (note, note + odd_harmonics.OCTAVE)]
            own = variants.two(sound.levels(some(heard_in[note], _MOST_FOR_VARIANTS)), others) or [known[note]]
        else:
            own = [known[note]]
        rows.extend(own)
        owners.extend([note] * len(own))
    guessed = frozenset(range(len(Note))) - frozenset(known)
    octaves = _octaves(heard_in, fit, sound, grounds[0], level)
    return replace(_with_others(rows, owners, grounds, level, sound), guessed=guessed, octaves=octaves), held


def _octaves(
    heard_in: dict[int, NDArray[np.int64]], fit: tuning.Fit, sound: Listening, ground: Floats, level: float
) -> tuple[odd_harmonics.OddHarmonics, ...]:
    """What tells the octaves apart, from the frames (k,) that each note was heard in."""
    found = [
        odd_harmonics.learn(note, sound.levels(some(heard_in[note])), sound.hz, fit.hz[note], ground, level)
        for note in odd_harmonics.LOWER
        if note in heard_in and not (note in _BEATING and fit.drone_hz is not None)
    ]
    return tuple(octave for octave in found if octave is not None)


def _grounds(sound: Listening, fit: tuning.Fit, held: NDArray[np.int8], known: Sequence[Floats]) -> list[Floats]:
    """The spectra while nobody plays: the room and the microphone, and the drones alone if there are any.

    From frames far from all held ones; where the whole recording is playing, the least that every note has.
    """
    near = scipy.ndimage.maximum_filter1d((fit.labels >= 0).astype(np.int8), 13)
    places = np.minimum(np.round(np.arange(held.size) * sound.hop / tuning.HOP).astype(int), near.size - 1)
    far = np.flatnonzero(near[places] == 0)
    away = sound.levels(some(far, _FOR_FLOOR))
    per_row_s = sound.hop_s * far.size / max(1, away.shape[0])
    least = np.min(known, axis=0) if known else sound.levels(some(np.arange(sound.count), _FOR_FLOOR)).min(axis=0)
    if fit.drone_hz is None:
        enough = far.size * sound.hop_s >= 0.15
        return [np.asarray(np.median(away, axis=0) if enough else 0.5 * least, dtype=np.float32)]
    droning = away.sum(axis=1) > 0.5 * least.sum()
    grounds = [
        np.asarray(np.median(part, axis=0), dtype=np.float32)
        for part in (away[droning], away[~droning])
        if part.shape[0] * per_row_s >= _LEAST_DRONING_S
    ]
    if droning.sum() * per_row_s < _LEAST_DRONING_S:
        return [np.asarray(least, dtype=np.float32), *grounds]
    return [np.asarray(least, dtype=np.float32), *grounds[1:]] if _is_played(grounds[0], known) else grounds


def _is_played(ground: Floats, known: Sequence[Floats]) -> bool:
    """Whether what seems to be drones alone is a note over them that was not heard as held: low A, whose harmonics are
    theirs. Drones alone are never as loud as with the chanter."""
    alike = max(known, key=lambda spectrum: variants.likeness(spectrum, ground), default=ground)
    return (
        bool(known)
        and variants.likeness(alike, ground) > _ALIKE
        and float(ground.sum()) > _AS_LOUD * float(alike.sum())
    )


def _pitches(note: int, known: dict[int, Floats], fit: tuning.Fit) -> list[float]:
    """Where in hertz a note that was not held may lie: about its place, and not on top of a note that is known."""
    pitches = [fit.hz[note] * 2.0 ** (cents / 1200.0) for cents in _GUESSES_CENTS]
    away = [min((abs(1200.0 * np.log2(hz / fit.hz[other])) for other in known), default=np.inf) for hz in pitches]
    clear = [hz for hz, cents in zip(pitches, away, strict=True) if cents > _APART_CENTS]
    return clear or [pitches[int(np.argmax(away))]]


def _guesses(pitches: list[float], sound: Listening, level: float) -> list[Floats]:
    """Templates for a note at one of `pitches` that was not held: its harmonics, at each and in several bands.

    Which of its harmonics are strong nobody knows before it was heard, and another note's envelope misleads; in bands,
    each with a weight of its own, they take whatever envelope they meet, and still only where the harmonics lie.
    """
    guesses = []
    for hz in pitches:
        comb = harmonics(hz, sound)
        for band in combs.bands(sound.hz, LOW_HZ, HIGH_HZ):
            shaped = comb * band
            guesses.append(np.asarray(shaped * (level / max(float(shaped.sum()), 1e-9)), dtype=np.float32))
    return guesses


def _neighbours(note: int, known: dict[int, Floats], fit: tuning.Fit, sound: Listening, ground: Floats) -> list[Floats]:
    """Templates for `note` that was not held: the sound of the notes held next below and above it, moved there."""
    guesses = []
    for neighbour in [*[n for n in known if n < note][-1:], *[n for n in known if n > note][:1]]:
        own = np.maximum(known[neighbour] - ground, 0.0)
        guesses += [ground + moved(own, sound.hz, hz / fit.hz[neighbour]) for hz in _pitches(note, known, fit)]
    return guesses


def harmonics(hz: float, sound: Listening) -> Floats:
    """The compressed spectrum (bins,) of equally strong harmonics of `hz` in a window of `sound`."""
    return combs.harmonics(hz, sound.hz, window=sound.window, size=sound.size) ** np.float32(COMPRESSION)


def _with_others(
    rows: list[Floats], owners: list[int], grounds: list[Floats], level: float, sound: Listening
) -> Templates:
    """The notes' templates with the ground and two shapes that clicks and taps take: even, and low."""
    even = np.ones_like(grounds[0])
    low = np.exp(-sound.hz / 150.0).astype(np.float32)
    others = [*grounds, even * level / even.sum(), low * level / low.sum()]
    owner = np.array([*owners, *[GROUND] * len(grounds), STROKE, STROKE], dtype=np.int8)
    return Templates(np.array([*rows, *others], dtype=np.float32), owner, level)


def learn(sound: Listening, before: Templates, sure: dict[int, NDArray[np.int64]], fit: tuning.Fit) -> Templates:
    """Templates learned anew from frames known by now: `sure` holds frame indices by note.

    A note that has no such frames keeps its template. If that was a guess, it is guessed again by the notes that are
    known, without leaving its harmonics free: with the others known, what is free would soak up what they share.
    """
    known: dict[int, Floats] = {}
    for note in range(len(Note)):
        frames = sure.get(note)
        if frames is not None and frames.size >= _LEAST_FRAMES:
            known[note] = sound.mean(frames)
        elif note not in before.guessed:
            known[note] = before.spectra[before.owner == note].mean(axis=0)
    ground = before.spectra[before.owner == GROUND][0]
    rows: list[Floats] = []
    owners: list[int] = []
    for note in range(len(Note)):
        own = [known[note]] if note in known else _neighbours(note, known, fit, sound, ground)
        if note in known and note not in before.guessed and (before.owner == note).sum() == 2:
            own = list(before.spectra[before.owner == note])  # what is surely the note shows but one of its two
        rows.extend(own)
        owners.extend([note] * len(own))
    rest = before.owner < 0
    return Templates(
        np.array([*rows, *before.spectra[rest]], dtype=np.float32),
        np.concatenate([np.array(owners, dtype=np.int8), before.owner[rest]]),
        before.level,
        frozenset(range(len(Note))) - frozenset(known),
        before.octaves,
    )
