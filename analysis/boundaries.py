"""Where exactly a note gives way to the next: an edge fitted to the change of mixture, to a fraction of a millisecond.

Decoding places a boundary within a few milliseconds. Around each one a short window (10 ms) slides in steps of 0.5 ms;
the share of what comes after the boundary rises from one level to another as the window crosses it. Both levels are
left free, since in a room the old note lingers: only the place of the step is wanted.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis import echo, spectra
from analysis.decoding import REST, Segment, weigh
from analysis.percussion import Clicks
from analysis.spectra import Floats
from analysis.templates import GROUND, Listening, Templates, doubting, listen

WINDOW: Final = 176
HOP: Final = 8
SIZE: Final = 512
#: Share of its ordinary amplitude at which a note from or into silence counts as sounding.
_SPEAKING: Final = 0.15
_REACH_S: Final = 0.014
_FITS_S: Final = 0.011
#: The room's echo of the note before hides the beginning of the next: decoding is late by up to this, by its share.
_HIDDEN_S: Final = 0.03
_NEAR_CLICK_S: Final = 0.15


def short_listening(samples: Floats, start_s: float, stop_s: float) -> tuple[Listening, float]:
    """The fine spectrogram of a stretch of `samples` and the time of its first frame."""
    first = max(0, int(start_s * spectra.RATE_HZ) // HOP * HOP)
    # Whole windows of true sound on both sides: padding with silence would look like an edge.
    lead = min(first, WINDOW // HOP * HOP)
    stop = min(samples.size, int(stop_s * spectra.RATE_HZ) + WINDOW)
    sound = listen(samples[first - lead : stop], window=WINDOW, hop=HOP, size=SIZE)
    frames = slice(lead // HOP, lead // HOP + max(1, (int(stop_s * spectra.RATE_HZ) - first) // HOP))
    return Listening(sound.levels[frames], WINDOW, HOP, SIZE), first / spectra.RATE_HZ


def step_shape(offsets_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """The share of a Hann window that lies after an edge, for windows centred `offsets_s` after the edge."""
    place = np.clip(offsets_s * spectra.RATE_HZ / WINDOW + 0.5, 0.0, 1.0)
    return np.asarray(place - np.sin(2.0 * np.pi * place) / (2.0 * np.pi))


def edge(times_s: NDArray[np.float64], rise: NDArray[np.float64], near_s: float, low_s: float, high_s: float) -> float:
    """The time in [low_s, high_s] at which a step best explains `rise`, a share sampled at `times_s` (both (n,)).

    Least squares over the step's place with both levels free; the finest place by a parabola through the best three.
    """
    step = HOP / spectra.RATE_HZ / 2.0
    places = np.arange(low_s, high_s + step, step)
    if places.size < 3 or times_s.size < 5:
        return near_s
    away = times_s[None, :] - places[:, None]
    # Only what lies near the edge counts: further away other notes and the room's decay come in.
    weight = np.clip(1.4 - np.abs(away) / 0.010, 0.0, 1.0)
    total = np.maximum(weight.sum(axis=1, keepdims=True), 1e-9)
    shape = step_shape(away)
    shape -= (weight * shape).sum(axis=1, keepdims=True) / total
    level = rise[None, :] - (weight @ rise)[:, None] / total
    covariance = (weight * shape * level).sum(axis=1)
    power = (weight * shape * shape).sum(axis=1)
    gains = np.maximum(covariance, 0.0) * covariance / np.maximum(power, 1e-9)
    gains[total[:, 0] < 3.0] = -np.inf
    best = int(np.argmax(gains))
    if 0 < best < places.size - 1:
        left, mid, right = gains[best - 1 : best + 2]
        bend = left - 2.0 * mid + right
        if np.isfinite(bend) and bend < -1e-9:
            return float(places[best] + np.clip(0.5 * (left - right) / bend, -1.0, 1.0) * step)
    return float(places[best])


def refine(
    samples: Floats,
    found: list[Segment],
    hop_s: float,
    templates: Templates,
    room: echo.Room,
    clicks: Sequence[Clicks] = (),
) -> list[float]:
    """The refined times in seconds of all boundaries between `found`, one fewer than segments.

    `templates` must be learned at this module's window; `clicks` were taken out of the samples.
    """
    coarse = [segment.start * hop_s for segment in found[1:]]
    refined: list[float] = []
    for index, near in enumerate(coarse):
        before, after = found[index], found[index + 1]
        early = _FITS_S + _HIDDEN_S * room.share
        low = max(near - early, (refined[-1] + 0.003) if refined else 0.0)
        high = min(near + _FITS_S, (coarse[index + 1] - 0.002) if index + 1 < len(coarse) else np.inf)
        sound, start_s = short_listening(samples, near - _REACH_S - early, near + _REACH_S + _FITS_S)
        for kind in clicks:
            if np.abs(kind.times_s - near).min() < _NEAR_CLICK_S:
                sound = doubting(sound, kind, start_s=start_s)
        later = found[index + 2].state if index + 2 < len(found) and _short(after, hop_s) else None
        earlier = found[index - 1].state if index > 0 and _short(before, hop_s) else None
        rise = _rise(sound, templates, room, [before.state, earlier], [after.state, later])
        times = start_s + np.arange(rise.size) * HOP / spectra.RATE_HZ
        refined.append(float(np.clip(edge(times, rise, near, low, high), low, max(low, high))))
    return refined


def _short(segment: Segment, hop_s: float) -> bool:
    return (segment.stop - segment.start) * hop_s < 0.035


def _rise(
    sound: Listening, templates: Templates, room: echo.Room, before: list[int | None], after: list[int | None]
) -> NDArray[np.float64]:
    """The share (frames,) of the notes `after` the boundary among those on both sides; against silence, their level."""
    early = {state for state in before if state is not None}
    late = {state for state in after if state is not None} - early
    if not late:
        late = {state for state in after[:1] if state is not None}
        early -= late
    wanted = [note for note in early | late if note != REST]
    keep = np.isin(templates.owner, [*wanted, GROUND])
    weights = weigh(sound, Templates(templates.spectra[keep], templates.owner[keep], templates.level))
    energy = echo.direct(echo.energies(weights.own), room, sound.hop_s)
    late_level = energy[:, [n for n in late if n != REST]].sum(axis=1) ** 0.5
    early_level = energy[:, [n for n in early if n != REST]].sum(axis=1) ** 0.5
    if REST in (before[0], after[0]):
        # A reed that starts to speak, or stops, may take a while: what counts is when there is some of it, not half.
        level = late_level if after[0] != REST else -early_level
        return np.asarray(np.clip(level, -_SPEAKING, _SPEAKING), dtype=np.float64)
    return np.asarray(late_level / np.maximum(late_level + early_level, 1e-9), dtype=np.float64)
