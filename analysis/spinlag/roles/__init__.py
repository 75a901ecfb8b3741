"""A first guess at the rig from the capture alone: which line is what, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from spinlag.capture import Capture
from spinlag.rig import Rig

Role = Literal[
    "index",
    "leds-data",
    "leds-clock",
    "leds-latch",
    "leds-blank",
    "leds-direct",
    "motor-phase",
    "marker",
    "idle",
    "other",
]


@dataclass(frozen=True)
class RoleGuess:
    """One channel's likely role, how sure (0 to 1) and the reasons in words."""

    channel: str
    role: Role
    confidence: float
    reasons: tuple[str, ...]


def guess_roles(capture: Capture) -> tuple[RoleGuess, ...]:
    """A guess for every channel, in the capture's order, from rates, duty, pulse widths and mutual phase.

    Long lines are looked at near their start, middle and end only, so the cost does not grow with the capture. Names
    count for little: they break ties.
    """
    from spinlag.roles.draft import rig_names
    from spinlag.roles.survey import survey
    from spinlag.roles.verdict import judge_channel

    seen = survey(capture)
    names = rig_names(capture)
    return tuple(RoleGuess(names[channel.path], *judge_channel(capture, seen, channel)) for channel in capture.channels)


def guess_rig(capture: Capture) -> Rig:
    """A rig built from the guesses, `guessed` filled with a sentence for each assumption."""
    from spinlag.rig import rig_from_mapping
    from spinlag.roles.draft import rig_tables
    from spinlag.roles.survey import survey

    tables, said = rig_tables(capture, survey(capture))
    return rig_from_mapping(tables).model_copy(update={"guessed": said})


def draft_rig_toml(capture: Capture) -> str:
    """The guessed rig as a commented TOML text that read_rig accepts."""
    from spinlag.roles.draft import draft_text
    from spinlag.roles.survey import survey

    return draft_text(capture, survey(capture), guess_roles(capture))
