"""Which kinds of incident explain which: the one table, and what is known of each kind."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from spinlag.observations import KINDS

Scope = Literal["any", "chain", "update"]


@dataclass(frozen=True)
class KindFacts:
    """What holds for every incident of a kind.

    `title` is how a sentence names it, `plural` several of them. `depth` orders kinds from first causes (0) outwards:
    of two that start at one instant the shallower explains the deeper. `of_turn`: it concerns a whole turn and is dated
    to the turn's first sign of it, so a cause anywhere in that turn may explain it. `anywhere`: it can happen at
    any shaft angle, so that bunching at one angle would mean something.
    """

    title: str
    plural: str
    depth: int
    of_turn: bool = False
    anywhere: bool = True


FACTS: dict[str, KindFacts] = {
    "capture-gap": KindFacts("gap in the recording", "gaps in the recording", 0),
    "motor-dropout": KindFacts("motor line silent", "silent motor lines", 1),
    "motor-sequence": KindFacts("motor lines out of sequence", "motor lines out of sequence", 2),
    "speed-step": KindFacts("step of the shaft's speed", "steps of the shaft's speed", 3, of_turn=True, anywhere=False),
    "index-missed": KindFacts("missed index pulse", "missed index pulses", 4, anywhere=False),
    "index-doubled": KindFacts("second index pulse", "second index pulses", 4),
    "index-runt": KindFacts("index pulse too short", "index pulses too short", 4),
    "index-shifted": KindFacts("shifted index pulse", "shifted index pulses", 4, anywhere=False),
    "data-silent": KindFacts("LED line silent", "silences of the LED line", 5),
    "data-bit-time": KindFacts("bit of a wrong length", "bits of a wrong length", 6),
    "data-pause": KindFacts("pause inside an update", "pauses inside updates", 7),
    "data-truncated": KindFacts("update cut short", "updates cut short", 8),
    "data-overlong": KindFacts("update too long", "updates too long", 8),
    "data-extra": KindFacts("update too many", "updates too many", 9),
    "column-rate": KindFacts(
        "turn drawn at a wrong rate", "turns drawn at a wrong rate", 10, of_turn=True, anywhere=False
    ),
    "update-late": KindFacts("late update", "late updates", 12),
    "update-missing": KindFacts("missing columns", "runs of missing columns", 12),
    "update-repeated": KindFacts("column sent twice", "columns sent twice", 11),
}
"""Every kind of incident (the keys are those of observations.KINDS)."""


@dataclass(frozen=True)
class Rule:
    """A `cause` may explain an `effect` that starts after it, at most `turns` turns of the shaft or `seconds` later.

    Turns count from the cause to the start of the effect, in turns of the shaft that really happened; a cause that
    lasts (a gap, a silence) counts from its end. `slots` is the same in column slots of the effect's chain. Where the
    capture has no revolutions, only `seconds` counts. `scope` says what both must share: nothing, the LED chain, or the
    very update (or the one right after it). With `disturbed` the effect must stand where a wrong time of a turn shows:
    at the start or the end of a turn, or anywhere in a turn whose grid is in doubt. With `at_start` both must stand at
    the first column of their turns. With `of_turn` the cause may come
    later in the effect's own turn: a new start half-way bends the grid on which all of that turn's updates are judged.
    A rule of one update admits a cause anywhere in it.
    With `strict` it must come before the instant to which the effect is dated, whatever the effect's kind. `why`
    finishes the sentence "this follows because ...".
    """

    cause: str
    effect: str
    why: str
    turns: float | None = None
    slots: float | None = None
    seconds: float | None = None
    scope: Scope = "any"
    disturbed: bool = False
    at_start: bool = False
    strict: bool = False
    of_turn: bool = False


def _rules(cause: str, effects: dict[str, str], **limits: object) -> tuple[Rule, ...]:
    return tuple(Rule(cause, effect, why, **limits) for effect, why in effects.items())  # type: ignore[arg-type]


_TIMED_WRONG = {
    "column-rate": "the firmware took a wrong time for a turn",
    "update-missing": "the turn's columns were cut off or stretched beyond its end",
    "update-late": "the firmware's clock for the columns started at the wrong instant",
    "update-repeated": "the firmware started its columns over",
    "data-extra": "the firmware started its columns over",
}

_STARTED_OVER = {
    "data-truncated": "a new start of the columns broke off the update under way",
    "data-overlong": "a new start of the columns ran into the update under way",
    "data-bit-time": "a new start of the columns broke into the update under way",
    "data-pause": "a new start of the columns broke into the update under way",
}

_GAP_EFFECTS = {
    kind: "the recorder was not looking" for kind in KINDS if kind not in ("capture-gap", "column-rate", "update-late")
}

RULES: tuple[Rule, ...] = (
    *_rules("capture-gap", _GAP_EFFECTS, turns=1.5, seconds=0.002),
    *_rules(
        "capture-gap",
        {"column-rate": "the turn holds a gap", "update-late": "the turn holds a gap"},
        turns=1.5,
        seconds=0.002,
    ),
    *_rules("motor-dropout", {"motor-sequence": "a dead line breaks the sequence"}, turns=1.0, seconds=0.1),
    *_rules("motor-dropout", {"speed-step": "the drive faltered"}, turns=3.0, seconds=0.2),
    *_rules("motor-sequence", {"speed-step": "the drive faltered", "motor-dropout": "the drive faltered"}, turns=3.0),
    *_rules("motor-sequence", {"motor-sequence": "it is the same fault"}, turns=1.2, seconds=0.05),
    *_rules("speed-step", _TIMED_WRONG, turns=3.0, disturbed=True),
    *_rules("speed-step", {"speed-step": "the speed is still settling"}, turns=2.0),
    *_rules("index-missed", _TIMED_WRONG, turns=3.5, disturbed=True),
    *_rules("index-missed", {"data-silent": "without an index the firmware drew nothing"}, turns=3.5, disturbed=True),
    *_rules("index-doubled", _TIMED_WRONG, turns=3.5, disturbed=True, of_turn=True),
    *_rules("index-doubled", {"data-silent": "the columns were over long before the turn"}, turns=3.5, disturbed=True),
    *_rules("index-runt", {"data-silent": "the columns were over long before the turn"}, turns=3.5, disturbed=True),
    *_rules("index-shifted", {"data-silent": "the columns were over long before the turn"}, turns=3.5, disturbed=True),
    *_rules("speed-step", {"data-silent": "the columns were over long before the turn"}, turns=3.5, disturbed=True),
    *_rules("index-doubled", _STARTED_OVER, seconds=0.005),
    *_rules("index-runt", _TIMED_WRONG, turns=3.5, disturbed=True, of_turn=True),
    *_rules("index-runt", _STARTED_OVER, seconds=0.005),
    *_rules("index-shifted", _TIMED_WRONG, turns=3.5, disturbed=True),
    *_rules("index-shifted", _STARTED_OVER, seconds=0.005),
    *_rules("data-silent", {"update-missing": "nothing was sent"}, turns=0.5, seconds=0.05, scope="chain"),
    *_rules("data-silent", {"column-rate": "too few columns were left"}, turns=1.0, scope="chain", strict=True),
    *_rules("data-silent", {"data-silent": "what silenced the line was still at work"}, turns=2.5, scope="chain"),
    *_rules("data-silent", {"update-late": "the line came back late"}, turns=0.5, seconds=0.05, scope="chain"),
    *_rules(
        "data-bit-time",
        {
            "data-truncated": "a bit was lost in the wrong one",
            "data-overlong": "a bit was gained in the wrong one",
            "data-pause": "a bit was too long",
            "data-bit-time": "it is the same update",
        },
        scope="update",
    ),
    *_rules(
        "data-pause",
        {
            "data-truncated": "the pause was long enough to end the update",
            "data-extra": "the pause split the update in two",
            "data-overlong": "the pause split the update in two",
            "data-bit-time": "the pause is part of that bit",
            "update-repeated": "the pause split the update in two",
            "data-pause": "it is the same stall",
        },
        scope="update",
    ),
    *_rules(
        "data-pause",
        {"update-late": "the update before it took longer", "update-missing": "the update before it took longer"},
        slots=2.5,
        seconds=0.005,
        scope="chain",
    ),
    *_rules(
        "data-truncated",
        {
            "data-bit-time": "the update broke off inside a bit",
            "data-extra": "what was left followed as an update of its own",
            "data-pause": "the update broke off",
            "update-repeated": "what was left followed as an update of its own",
        },
        scope="update",
    ),
    *_rules(
        "data-overlong",
        {"update-late": "the update before it took longer", "update-missing": "the update before it took longer"},
        slots=2.5,
        seconds=0.005,
        scope="chain",
    ),
    *_rules("data-overlong", {"data-bit-time": "two updates ran into each other"}, scope="update"),
    *(
        Rule(
            cause,
            "update-late",
            "its LEDs wait for the end of an update, which came only with the next",
            scope="update",
        )
        for cause in ("data-truncated", "data-overlong")
    ),
    *_rules(
        "data-extra",
        {
            "update-late": "the wire was busy with the update too many",
            "update-missing": "the wire was busy with the update too many",
            "update-repeated": "it is the update too many",
        },
        slots=2.5,
        seconds=0.005,
        scope="chain",
    ),
    *_rules(
        "column-rate",
        {
            "update-missing": "the columns were over before the turn or cut off by its end",
            "update-late": "the columns were spaced for another speed",
            "update-repeated": "the columns were spaced for another speed",
            "data-extra": "the columns were spaced for another speed",
            "data-silent": "the columns were over long before the turn",
        },
        turns=1.5,
        scope="chain",
        disturbed=True,
    ),
    *_rules("column-rate", {"column-rate": "the wrong time of a turn was still in use"}, turns=1.5, scope="chain"),
    *_rules(
        "update-late",
        {
            "update-late": "updates queued behind it",
            "update-missing": "columns were dropped behind it",
            "update-repeated": "updates queued behind it",
        },
        slots=2.5,
        seconds=0.005,
        scope="chain",
    ),
    *(
        Rule(kind, kind, "it has been so since the turn before", turns=2.2, scope="chain", at_start=True)
        for kind in ("update-late", "update-missing", "update-repeated")
    ),
    *_rules("update-late", {"update-late": "the same stall held up both chains"}, slots=1.0, seconds=0.002),
    *_rules(
        "update-missing",
        {"update-late": "it followed the columns that were lost"},
        slots=2.5,
        seconds=0.005,
        scope="chain",
    ),
    *_rules("update-repeated", {"update-late": "the wire was busy"}, slots=1.5, seconds=0.005, scope="chain"),
)
"""The one table of causes and effects. Of several causes the nearest before the effect is taken."""

ECHO = Rule("index-shifted", "column-rate", "the shifted pulse left the firmware's mean of several turns")
"""Applies by figures instead of by distance, see `link`."""


def causes_of(kind: str) -> tuple[Rule, ...]:
    """The rules whose effect is `kind`, in table order."""
    return _BY_EFFECT.get(kind, ())


_BY_EFFECT: dict[str, tuple[Rule, ...]] = {kind: tuple(rule for rule in RULES if rule.effect == kind) for kind in KINDS}
