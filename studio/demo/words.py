"""What the tutor and the learners of the demo write: sentences filled in from a take's own measures."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from analysis.report import Flag, MovementReport

#: Where the noise is the note that was left: the fingers came too late.
_LEFT_BEHIND: Final = (
    "You are still on {frm} when the gracenote is over: it sounds again for {length} ms. "
    "All the fingers that {on} needs have to be up before the gracenote ends.",
    "The {noise} comes back for {length} ms after the gracenote. Lift with the gracenote, not after it.",
)
#: Where the noise is the note that was meant: the fingers came too soon.
_TOO_SOON: Final = (
    "{on} sounds {length} ms before the gracenote does. Let the gracenote open the door, and {on} come in behind it.",
    "A little {on} before the gracenote ({length} ms). Wait for the gracenote to cover the change.",
)

#: Of all movements from a note that failed in the same way.
ALL_FROM: Final = "Every time from {approach}. Ten slow ones from there, each clean, before you play on."
#: What the tutor says so often that it is kept.
PHRASES: Final = (
    "Slower, and every one clean.",
    "Listen to the loop at half speed first.",
    "Just like that: remember how it feels.",
    "Hold the note before for its whole length.",
)

#: The fault that is spoken of first where a movement has several.
FIRST: Final[tuple[Flag, ...]] = (
    "missed", "wrong-gracenote", "missing-gracenote", "run-together", "beat-on-second", "heavy-gracenote",
    "crossing-noise", "late", "early", "uneven",
)  # fmt: skip

_REMARKS: Final[Mapping[Flag, tuple[str, ...]]] = {
    "late": (
        "That is {ms} ms behind the beat, coming from {frm}. Hear the click in your head before it comes, then put the "
        "G finger down right on it.",
        "Late again ({ms} ms). Play the single one before it, then this one, and listen whether both start together.",
        "You wait for the click and then move. Be there with it: this one is {ms} ms after it.",
    ),
    "early": (
        "This one is {ms} ms before the beat. Hold {frm} for its whole length first.",
        "Too soon by {ms} ms. Nothing wrong with the fingers, only impatient.",
    ),
    "beat-on-second": (
        "Here the second gracenote is on the beat, and the first one before it. "
        "Put the first one where the single one is.",
    ),
    "run-together": (
        "The two gracenotes run into each other: {gap} of {on} between them. "
        "Let {on} speak, even if it feels far too slow.",
        'I cannot hear {on} between the gracenotes ({gap}). Say "one, and, two" with the fingers.',
        "Squeezed: {gap} of {on} in the middle. Play it at half speed five times, then once as it is.",
    ),
    "missing-gracenote": (
        "The second gracenote does not sound here. Lift that finger as if it were the only one that counts.",
        "One gracenote of the two is missing, coming from {frm}. It is there from the other notes, so you can do it.",
    ),
    "wrong-gracenote": (
        "Another finger moved here: I hear {played}. Look at the hand, not at the page, and do it slowly.",
    ),
    "heavy-gracenote": (
        "The {grace} gracenote lasts {length} ms here. Half of that. Touch and away.",
        "Heavy: {length} ms on {grace}. The finger is up for too long, it should flick.",
        "Listen to this at quarter speed: {grace} sounds like a note of its own ({length} ms).",
    ),
    "crossing-noise": (
        "There is {a_noise} in it, {length} ms long, where you come from {frm}. The fingers do not move together. "
        "Play {frm} to {on} without any gracenote, ten times, slowly, then put the gracenotes back.",
        "Hear the {noise} just there ({length} ms)? Loosen the hand, then move it in one piece.",
        "Between {frm} and {on} I hear {a_noise} of {length} ms. Only this change, very slowly, until it is gone.",
    ),
    "missed": (
        "The movement is not there. Never mind the tempo: leave the click out and play just this one, from {frm}.",
        "Nothing between {frm} and {on} here. Stop before it, think, then play it.",
    ),
    "uneven": ("The parts are not even here. Count them out slowly.",),
}

PRAISE: Final = (
    "This is how it should sound: light, and {on} rings after it.",
    "Listen to this one beside the others. Exactly so, every time.",
    "Good, a gracenote of {length} ms and nothing loose around it. Remember what the fingers did there.",
)

QUESTION: Final = "Is it this bit that sounds wrong? I tried it over and over and cannot tell."

_PLAN: Final[Mapping[Flag, str]] = {
    "late": "The fingers are fine, the beat is not: come in with the click, not after it.",
    "early": "Wait for the beat.",
    "beat-on-second": "Mind that the first gracenote is the one on the beat.",
    "run-together": "Open the doublings up. Slow and wide is right this week.",
    "missing-gracenote": "Every gracenote written has to sound.",
    "wrong-gracenote": "Look which finger moves before you move it.",
    "heavy-gracenote": "Short, light gracenotes. Flick, do not lift.",
    "crossing-noise": "The low hand has to lift in one piece. Nothing else matters this week.",
    "missed": "Slow enough that nothing is left out.",
    "uneven": "Even parts.",
}


def first_fault(movement: MovementReport) -> Flag | None:
    """The fault to speak of, or None for a movement without any."""
    return next((flag for flag in FIRST if flag in movement["flags"]), None)


def remark(movement: MovementReport, turn: int) -> str:
    """What the tutor writes at a faulty movement; `turn` picks one of several wordings."""
    fault = first_fault(movement)
    if fault is None:
        raise ValueError("the movement has no fault to remark on")
    return _fill(_noise_texts(movement) if fault == "crossing-noise" else _REMARKS[fault], movement, turn)


def _noise_texts(movement: MovementReport) -> tuple[str, ...]:
    noise = _name(movement)
    graced = bool(movement["gracenotes"])
    if graced and noise == movement["from"]:
        return _LEFT_BEHIND
    if graced and noise == movement["on"]:
        return _TOO_SOON
    return _REMARKS["crossing-noise"]


def praise(movement: MovementReport, turn: int) -> str:
    """What the tutor writes at a clean movement."""
    return _fill(PRAISE, movement, turn)


def plan_note(clean: int, total: int, fault: Flag | None) -> str:
    """The tutor's note over a week's plan, after `clean` of `total` movements in the week before."""
    if not total:
        return "Slowly, a little every day. Send me a take when you are happy with one."
    counts = f"Clean last week: {clean} of {total}."
    return f"{counts} {_PLAN[fault]}" if fault else f"{counts} Keep it just like that."


def _fill(texts: tuple[str, ...], movement: MovementReport, turn: int) -> str:
    """One of `texts` with the movement's own measures. A text whose measure is not there is passed over."""
    values = {name: get(movement) for name, get in _VALUES.items()}
    for text in texts[turn % len(texts) :] + texts:
        if all(values[name] is not None for name in values if f"{{{name}}}" in text):
            sentence = text.format(**values)
            return sentence[0].upper() + sentence[1:]
    return "Listen to this one again."


def _ms(movement: MovementReport) -> str | None:
    offset = movement["beat_offset_ms"]
    return None if offset is None else f"{abs(offset):.0f}"


def _gap(movement: MovementReport) -> str | None:
    gap = movement["gap_ms"]
    return "nothing" if gap is None or gap < 1 else f"{gap:.0f} ms"


def _longest(movement: MovementReport) -> tuple[str, float] | None:
    """The gracenote or, where there is one, the noise that lasts longest."""
    sounds = movement["crossing_noises"] if "crossing-noise" in movement["flags"] else movement["gracenotes"]
    if "heavy-gracenote" in movement["flags"]:
        sounds = movement["gracenotes"]
    longest = max(sounds, key=lambda sound: sound["length_ms"], default=None)
    return (longest["note"], longest["length_ms"]) if longest else None


def _length(movement: MovementReport) -> str | None:
    longest = _longest(movement)
    return f"{longest[1]:.0f}" if longest else None


def _name(movement: MovementReport) -> str | None:
    longest = _longest(movement)
    return longest[0] if longest else None


def _with_article(movement: MovementReport) -> str | None:
    """The noise's name after *a* or *an*, as it is spoken."""
    name = _name(movement)
    return name and f"{'an' if name in ('E', 'F') else 'a'} {name}"


def _played(movement: MovementReport) -> str | None:
    return ", ".join(sound["note"] for sound in movement["gracenotes"]) or None


_VALUES: Final[Mapping[str, Callable[[MovementReport], str | None]]] = {
    "ms": _ms,
    "frm": lambda movement: movement["from"],
    "on": lambda movement: movement["on"],
    "gap": _gap,
    "grace": _name,
    "noise": _name,
    "a_noise": _with_article,
    "length": _length,
    "played": _played,
}
