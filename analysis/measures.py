"""From an alignment to measures: what each written movement came to, in milliseconds, before any judgement."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from analysis.alignment import Match, Token
from analysis.beat import BeatLine
from analysis.chanter import Note
from analysis.movements import EVEN_KINDS, BeatPoint, Movement, audible, beat_point, gracenote_places
from analysis.notes import Sounded
from analysis.report import Measures, MovementReport, ShortNote
from analysis.score import Score, WrittenMovement


@dataclass
class Played:
    """One playing of a movement: the sounds for each of its written gracenotes (None: left out), the theme note after
    it, what else sounded before, inside or just after it, and the theme note it was approached from."""

    kind: Movement
    on: Note
    approach: Note | None
    written: tuple[Note, ...]
    sounds: list[Sounded | None]
    theme: Sounded | None
    extra: list[Sounded] = field(default_factory=list)
    written_movement: WrittenMovement | None = None

    @property
    def own(self) -> tuple[bool, ...]:
        """For each written sound whether it is a gracenote that can be heard: one that is sounding already cannot."""
        places = gracenote_places(self.written, self.on, self.kind.kind)
        return tuple(a and b for a, b in zip(places, self.heard, strict=True))

    @property
    def heard(self) -> tuple[bool, ...]:
        """For each written sound whether it can be told from its neighbours."""
        if self.written_movement is None:
            return (True,) * len(self.written)  # it is known by having sounded
        return audible(self.written, self.on, self.approach)

    @property
    def there(self) -> bool:
        """Whether any of its gracenotes sounded; where none of them can be heard, its theme note."""
        if not any(self.own):
            return self.theme is not None
        return any(sound is not None for sound, own in zip(self.sounds, self.own, strict=True) if own)


def gather(
    score: Score, written: Sequence[Token], matches: Sequence[Match], sounded: Sequence[Sounded]
) -> list[Played]:
    """Every playing of a written movement in the order played, then those never played, in written order."""
    by_theme = {movement.theme: movement for movement in score.movements}
    result: list[Played] = []
    current: Played | None = None
    loose: list[Sounded] = []
    for match in matches:
        sound = sounded[match.sounded]
        if match.token is None:
            if sound.length_ms < _LONGEST_UNWRITTEN_MS:
                loose.append(sound)
            continue
        token = written[match.token]
        if match.resumed:
            if current is not None and current.written_movement is not None and current.theme is not None:
                current.extra.extend(loose)
            loose = []
            continue
        movement = by_theme.get(token.theme)
        if movement is None:
            loose = []
            current = None
            continue
        passed = current is not None and current.written_movement is movement
        if not passed or (current is not None and _again(current, token)):
            current = _new(movement)
            result.append(current)
        assert current is not None
        current.extra.extend(loose)
        loose = []
        if token.place >= 0:
            current.sounds[token.place] = sound
        else:
            current.theme = sound
    played = {p.written_movement.index for p in result if p.written_movement is not None}
    never = [_new(movement) for movement in score.movements if movement.index not in played]
    return _in_written_order([_parted(p) for p in result], never)


#: Fingers that cross are soon past each other; an unwritten sound as long as this is a note that was played.
_LONGEST_UNWRITTEN_MS = 200.0
#: One sound this long where two equal gracenotes are written is both of them, with no theme note between.
_BOTH_MS = (62.0, 108.0)


def _parted(played: Played) -> Played:
    """`played` with one long gracenote taken for the two equal ones that are written (the doubling on F: ``{gfg}``).

    Run together, two high Gs are one sound of twice the length; an ordinary one with the other left out is half as
    long.
    """
    written, sounds = played.written, played.sounds
    if len(written) != 3 or written[0] != written[2] or written[1] != played.on or sounds[1] is not None:
        return played
    sounding = [sound for sound in (sounds[0], sounds[2]) if sound is not None]
    if len(sounding) != 1 or not _BOTH_MS[0] <= sounding[0].length_ms <= _BOTH_MS[1]:
        return played
    whole = sounding[0]
    middle = 0.5 * (whole.start_s + whole.end_s)
    played.sounds = [replace(whole, end_s=middle), None, replace(whole, start_s=middle)]
    return played


def _in_written_order(played: list[Played], never: list[Played]) -> list[Played]:
    """Movements never played, put after the last one before them that was."""
    result = list(played)
    for missing in never:
        assert missing.written_movement is not None
        place = 0
        for index, other in enumerate(result):
            if other.written_movement is not None and other.written_movement.index < missing.written_movement.index:
                place = index + 1
        result.insert(place, missing)
    return result


def _new(movement: WrittenMovement) -> Played:
    name = Movement(movement.kind, movement.form)
    empty: list[Sounded | None] = [None] * len(movement.gracenotes)
    return Played(name, movement.on, movement.approach, movement.gracenotes, empty, None, written_movement=movement)


def _again(current: Played, token: Token) -> bool:
    """Whether `token` starts the movement anew rather than going on with it."""
    if token.place < 0:
        return current.theme is not None
    later = current.sounds[token.place :]
    return current.theme is not None or any(sound is not None for sound in later)


def beat_time(played: Played, point: BeatPoint) -> float | None:
    """When the movement meets its beat point, in seconds; None where too little of it sounded."""
    sounds = [sound for sound in played.sounds if sound is not None]
    if point == "theme" or not sounds:
        hidden = bool(sounds) and _runs_into_theme(played)
        return played.theme.start_s if played.theme is not None and not hidden else None
    if point == "starts":
        return sounds[0].start_s
    if point == "d-gracenote":
        return next((sound.start_s for sound in sounds if sound.note == Note.D), None)
    place = next((number for number, heard in enumerate(played.heard) if heard), 0)
    first = played.sounds[place]
    if first is not None and not gracenote_places(played.written, played.on, played.kind.kind)[place]:
        # Doublings on high G and high A, and half ones, open with their theme note: there is no finger to come down.
        return first.start_s
    if first is None:
        # The first gracenote did not sound: its finger would have come down where the next sound starts.
        return sounds[0].start_s if point == "closes" else None
    return first.end_s if point == "closes" else first.start_s


def _runs_into_theme(played: Played) -> bool:
    """Whether a note of the movement and the theme note are one sound, the gracenote between them left out: nobody
    can hear where the theme note begins, as of ``{GdG}G`` where ``{GdGe}G`` is written."""
    for note, sound in zip(reversed(played.written), reversed(played.sounds), strict=True):
        if sound is not None:
            return False
        if note == played.on:
            return True
    return False


def _short(sound: Sounded) -> ShortNote:
    return {"note": sound.note.label, "start_s": round(sound.start_s, 4), "length_ms": round(sound.length_ms, 1)}


def _gap(played: Played, places: Sequence[bool]) -> float | None:
    """The theme note between two gracenotes in ms: 0 where both sound and nothing is between, None where there is no
    pair."""
    own = [place for place, gracenote in enumerate(places) if gracenote]
    inner = gracenote_places(played.written, played.on, played.kind.kind)
    between = [place for place, gracenote in enumerate(inner) if not gracenote and own and place > own[0]]
    if len(own) < 2 or not between:
        return None
    first, second = played.sounds[own[0]], played.sounds[own[1]]
    if first is None or second is None:
        return None
    middle = played.sounds[between[0]]
    return middle.length_ms if middle is not None else 0.0


def report_movement(
    index: int, played: Played, line: BeatLine | None, beat_s: float | None, beat_points: Mapping[str, str]
) -> MovementReport:
    """The movement's entry in the report, not yet judged. `beat_s` is the beat it belongs to."""
    places = played.own
    point = beat_point(played.kind, beat_points)
    there = played.there
    moment = beat_time(played, point) if there else None
    offset = 1000.0 * (moment - beat_s) if moment is not None and beat_s is not None else None
    sounds = [sound for sound in played.sounds if sound is not None]
    written = played.written_movement
    gap = _gap(played, places)
    start = sounds[0].start_s if sounds else (played.theme.start_s if played.theme else None)
    end = played.theme.start_s if played.theme else (sounds[-1].end_s if sounds else None)
    noises = [_short(sound) for sound in sorted(played.extra, key=lambda s: s.start_s)]
    measures: Measures = {
        "written": [note.label for note, own in zip(played.written, places, strict=True) if own],
        "aligned": [
            _short(sound) if sound is not None else None
            for sound, own in zip(played.sounds, places, strict=True)
            if own
        ],
        "parts_ms": [round(s.length_ms, 1) for s in sounds] if played.kind.kind in EVEN_KINDS else [],
        "first_offset_ms": _rounded(offset),
        "second_offset_ms": _second_offset(played, places, beat_s),
        "beat_length_ms": _rounded(1000.0 * line.nearest(beat_s)[1]) if line and beat_s is not None else None,
        "noises": noises,
        "played": there,
        "beat_point": point,
    }
    return {
        "index": index,
        "written_index": written.index if written else None,
        "kind": played.kind.kind,
        "form": played.kind.form,
        "on": played.on.label,
        "from": played.approach.label if played.approach is not None else None,
        "bar": written.bar if written else None,
        "beat": float(written.beat) if written else None,
        "start_s": _rounded(start, 4),
        "end_s": _rounded(end, 4),
        "beat_s": _rounded(beat_s, 4),
        "beat_offset_ms": _rounded(offset),
        "gap_ms": _rounded(gap),
        "gracenotes": [
            _short(sound) for sound, own in zip(played.sounds, places, strict=True) if own and sound is not None
        ],
        "crossing_noises": [],
        "flags": [],
        "confidence": round(_confidence(played), 3),
        "measures": measures,
    }


def _second_offset(played: Played, places: Sequence[bool], beat_s: float | None) -> float | None:
    own = [sound for sound, gracenote in zip(played.sounds, places, strict=True) if gracenote]
    if beat_s is None or len(own) < 2 or own[1] is None or played.kind.kind != "doubling":
        return None
    return _rounded(1000.0 * (own[1].end_s - beat_s))


def _rounded(value: float | None, digits: int = 2) -> float | None:
    return None if value is None else round(value, digits)


def _confidence(played: Played) -> float:
    """The least sure of the movement's sounds; a movement left out is as sure as the theme note that sounds instead."""
    sounds = [sound for sound in (*played.sounds, played.theme) if sound is not None]
    if not any(played.own):
        return 0.0  # nothing of it can be told from the notes around it
    return min((sound.confidence for sound in sounds), default=0.5)
