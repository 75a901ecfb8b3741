"""Departures from normal operation as each stage sees them, before anyone asks which came first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

Kind = Literal[
    "index-missed",
    "index-doubled",
    "index-runt",
    "index-shifted",
    "speed-step",
    "motor-sequence",
    "motor-dropout",
    "data-bit-time",
    "data-truncated",
    "data-pause",
    "data-silent",
    "data-overlong",
    "data-extra",
    "update-late",
    "update-missing",
    "update-repeated",
    "column-rate",
    "capture-gap",
]
KINDS: tuple[str, ...] = get_args(Kind)


@dataclass(frozen=True)
class Observation:
    """One departure: what, when, on which channel, and the evidence in numbers.

    `tick` is the instant in ticks of the capture; `expected` and `observed` are in `unit`; `threshold` says what made
    it a departure and where that figure came from (the rig, the part's sheet, the capture's own statistics).
    `chain` is the LED chain's name where it concerns one, `update` the index in that chain's updates.
    """

    kind: Kind
    tick: int
    channel: str
    detail: str
    expected: float | None = None
    observed: float | None = None
    unit: str = ""
    threshold: str = ""
    revolution: int | None = None
    chain: str | None = None
    update: int | None = None
