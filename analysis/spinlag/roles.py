"""A first guess at the rig from the capture alone: which line is what, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from spinlag.capture import Capture
from spinlag.rig import Rig

Role = Literal["index", "leds-data", "motor-phase", "marker", "idle", "other"]


@dataclass(frozen=True)
class RoleGuess:
    """One channel's likely role, how sure (0 to 1) and the reasons in words."""

    channel: str
    role: Role
    confidence: float
    reasons: tuple[str, ...]


def guess_roles(capture: Capture) -> tuple[RoleGuess, ...]:
    """A guess for every channel, in the capture's order, from rates, duty, pulse widths and mutual phase."""
    raise NotImplementedError


def guess_rig(capture: Capture) -> Rig:
    """A rig built from the guesses, `guessed` filled with a sentence for each assumption."""
    raise NotImplementedError


def draft_rig_toml(capture: Capture) -> str:
    """The guessed rig as a commented TOML text that read_rig accepts."""
    raise NotImplementedError
