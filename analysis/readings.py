"""The reading of what sounded: which written movement is which, or which movements they are, and the beat they meet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis import alignment, beat, following, free, measures, runs
from analysis.beat import BeatLine
from analysis.following import ThemeNotes
from analysis.measures import Played
from analysis.movements import beat_point
from analysis.notes import Sounded
from analysis.report import MovementReport
from analysis.runs import Anchor, Run
from analysis.score import Score


@dataclass(frozen=True)
class Heard:
    """A beat that is heard: its line, the strokes that make it (k,) and all strokes like them (n,), in seconds."""

    line: BeatLine
    strokes_s: NDArray[np.float64]
    all_s: NDArray[np.float64]


#: Nobody keeps up a tempo this far from the one that was counted in: after a dozen beats it would be a whole beat off.
_OTHER_TEMPO: Final = 0.08
#: Notes that mostly lie this far from the beats (in beats) are played by others.
_OFF_BEATS: Final = 0.2
#: Nor do one in ten lie this far from them by fault alone.
_FAR_OFF_BEATS: Final = 0.3
#: A movement more beats than this off by the nearest run may belong to another, not more beats further away than that.
_BEATS_OFF: Final = 1.5
_NEAR_RUN: Final = 2.0


@dataclass(frozen=True)
class Reading:
    """The movements as played and as reported, the theme notes, and the beat line."""

    played: list[Played]
    themes: list[Sounded]
    line: BeatLine | None
    movements: list[MovementReport]


def written(
    score: Score,
    sounded: Sequence[Sounded],
    heard: Heard | None,
    *,
    tempo_bpm: float | None,
    beat_points: Mapping[str, str],
) -> Reading:
    """The reading of a take that has a score."""
    tokens = alignment.tokens(score)
    matches = alignment.align(tokens, sounded)
    played = measures.gather(score, tokens, matches, sounded)
    themes = [sounded[m.sounded] for m in matches if m.token is not None and tokens[m.token].place == -1]
    stretches = runs.split(_anchors(score, tokens, matches, sounded, played, beat_points))
    line = heard.line if heard is not None else None
    own = runs.fitted(stretches, until_s=sounded[-1].end_s, tempo_bpm=tempo_bpm)
    if heard is not None and heard.line.source == "count-in":
        line = runs.carried_on(heard.line, stretches, heard.all_s)
        if own is not None and not _is_played_by(line, own, stretches):
            line = own
    elif line is None:
        line = own
    movements = [
        measures.report_movement(index, entry, line, _beat_of(score, entry, line, stretches, beat_points), beat_points)
        for index, entry in enumerate(played)
    ]
    return Reading(played, themes, line, movements)


def _is_played_by(counted: BeatLine, own: BeatLine, stretches: Sequence[Run]) -> bool:
    """Whether what was counted, or said, before the playing is what was played by: its tempo, and mostly on its
    beats."""
    if abs(own.tempo_bpm / counted.tempo_bpm - 1.0) > _OTHER_TEMPO:
        return False
    places = np.array(
        [counted.place(a.time_s) for run in stretches for a in run.anchors if float(a.place).is_integer()]
    )
    if not places.size:
        return True
    # A tempo that drifts away from what was counted is nowhere far off it for long: it passes between the beats.
    middle, far = np.percentile(np.abs(places - np.round(places)), (50, 90))
    return bool(middle < _OFF_BEATS and far < _FAR_OFF_BEATS)


def _anchors(
    score: Score,
    tokens: Sequence[alignment.Token],
    matches: Sequence[alignment.Match],
    sounded: Sequence[Sounded],
    played: Sequence[Played],
    beat_points: Mapping[str, str],
) -> list[Anchor]:
    """Every theme note that sounded, at its beat point, in the order played."""
    moments = {
        id(entry.theme): (entry, moment)
        for entry in played
        if entry.theme is not None
        and (moment := measures.beat_time(entry, beat_point(entry.kind, beat_points))) is not None
    }
    anchors: list[Anchor] = []
    silence = 0.0
    for match in matches:
        sound = sounded[match.sounded]
        if match.sounded:
            silence = max(silence, sound.start_s - sounded[match.sounded - 1].end_s)
        if match.token is None or match.resumed or tokens[match.token].place != -1:
            continue
        movement, moment = moments.get(id(sound), (None, sound.start_s))
        theme = tokens[match.token].theme
        if movement is not None and movement.written_movement is not None:
            theme = movement.written_movement.first
        rested = silence > runs.STOP_S and not _rest_before(score, theme)
        anchors.append(Anchor(float(score.themes[theme].onset), moment, rested))
        silence = 0.0
    return anchors


def _rest_before(score: Score, theme: int) -> bool:
    """Whether a rest is written before theme note number `theme`."""
    if theme == 0:
        return False
    before = score.themes[theme - 1]
    return before.onset + before.duration < score.themes[theme].onset


def _beat_of(
    score: Score,
    played: Played,
    line: BeatLine | None,
    stretches: Sequence[Run],
    beat_points: Mapping[str, str],
) -> float | None:
    """The time of the beat that `played` belongs to: its written place on the line, as its neighbours sit on it."""
    if line is None or played.written_movement is None or not played.there:
        return None
    moment = measures.beat_time(played, beat_point(played.kind, beat_points))
    if moment is None or not stretches:
        return None
    place = float(score.themes[played.written_movement.first].onset)
    return line.at(_on_line(line, stretches, place, moment))


def _on_line(line: BeatLine, stretches: Sequence[Run], place: float, time_s: float) -> float:
    """The place on the line of what is written at `place` and sounds at `time_s`: as its own run sits on it.

    That is the nearest run, unless this would make it beats off: before a step back it may be the one before.
    """
    away_s = [max(run.times_s[0] - time_s, time_s - run.times_s[-1], 0.0) for run in stretches]
    near_s = min(away_s) + _NEAR_RUN * 60.0 / line.tempo_bpm
    runs_near = sorted(zip(away_s, range(len(stretches)), strict=True))
    places = [place + _shift(line, stretches[number], time_s) for away, number in runs_near if away <= near_s]
    played = line.place(time_s)
    if abs(played - places[0]) <= _BEATS_OFF:
        return places[0]
    return min(places, key=lambda on_line: abs(played - on_line))


def _shift(line: BeatLine, run: Run, time_s: float) -> float:
    """By how many whole beats the written places lie before the line's, for what sounds around `time_s` in `run`.

    The median over the nearest theme notes of it: one movement far off its beat is then late, not on the next beat.
    """
    nearest = sorted(run.anchors, key=lambda anchor: abs(anchor.time_s - time_s))[:9]
    return float(np.round(np.median([line.place(anchor.time_s) - anchor.place for anchor in nearest])))


def unwritten(
    sounded: Sequence[Sounded],
    heard: Heard | None,
    *,
    tempo_bpm: float | None,
    beat_points: Mapping[str, str],
) -> Reading:
    """The reading of free playing."""
    played, themes = free.recognise(sounded)
    moments = [measures.beat_time(entry, beat_point(entry.kind, beat_points)) for entry in played]
    line = _unwritten_line(sounded, _theme_notes(sounded, played, themes, moments), heard, tempo_bpm=tempo_bpm)
    movements = [
        measures.report_movement(
            index, entry, line, line.nearest(moment)[0] if line and moment is not None else None, beat_points
        )
        for index, (entry, moment) in enumerate(zip(played, moments, strict=True))
    ]
    return Reading(played, themes, line, movements)


def _theme_notes(
    sounded: Sequence[Sounded], played: Sequence[Played], themes: Sequence[Sounded], moments: Sequence[float | None]
) -> ThemeNotes:
    """`themes`, those that a movement ends on at its moment, those within one (a tachum's) left out."""
    within = {id(sound) for entry in played for sound in entry.sounds}
    ends_on = {id(entry.theme): moment for entry, moment in zip(played, moments, strict=True) if moment is not None}
    outer = [theme for theme in themes if id(theme) not in within]
    gaps = zip(sounded[1:], (after.start_s - before.end_s for before, after in pairwise(sounded)), strict=True)
    starts_s = np.array([sound.start_s for sound, gap in gaps if gap > runs.STOP_S])
    # How many rests have been when each begins.
    rests = np.searchsorted(starts_s, [theme.start_s for theme in outer], side="right")
    moments_s = np.array([ends_on.get(id(theme), theme.start_s) for theme in outer], dtype=np.float64)
    lengths_s = np.array([theme.end_s - theme.start_s for theme in outer], dtype=np.float64)
    return ThemeNotes(moments_s, lengths_s, np.diff(rests, prepend=0) > 0)


def _unwritten_line(
    sounded: Sequence[Sounded], notes: ThemeNotes, heard: Heard | None, *, tempo_bpm: float | None
) -> BeatLine | None:
    """The beat of free playing whose theme notes are `notes`: what is heard, or the notes'."""
    if heard is not None and heard.line.source != "count-in":
        return heard.line
    span_s = (sounded[0].start_s, sounded[-1].end_s)
    if heard is None:
        chain = beat.free_beat(notes.moments_s, notes.lengths_s, playing_s=span_s, tempo_bpm=tempo_bpm)
        if chain is None:
            return None
        return runs.fitted(runs.split(following.follow(chain, notes)), until_s=span_s[1], tempo_bpm=tempo_bpm) or chain
    stretches = runs.split(following.follow(heard.line, notes))
    own = runs.fitted(stretches, until_s=span_s[1], tempo_bpm=tempo_bpm)
    if own is None:
        return heard.line
    line = heard.line if tempo_bpm is not None else following.at_tempo(heard.line, heard.strokes_s, own.tempo_bpm)
    counted = runs.carried_on(line, stretches, heard.all_s)
    return counted if _is_played_by(counted, own, stretches) else own
