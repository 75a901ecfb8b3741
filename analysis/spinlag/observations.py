"""Departures from normal operation as each stage sees them, before anyone asks which came first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from spinlag.capture import Ticks

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


_UNITS = ("ns", "µs", "ms", "s")


def told_in(seconds: float, unit: str) -> str:
    """A duration in the unit in which its kind is told, or a larger one where that would take five digits."""
    step = _UNITS.index(unit)
    while step < len(_UNITS) - 1 and abs(float(f"{seconds * 1000.0 ** (3 - step):.4g}")) >= 10_000:
        step += 1
    value = seconds * 1000.0 ** (3 - step)
    return f"{value:.0f} s" if step == 3 and abs(value) >= 10_000 else f"{value:.4g} {_UNITS[step]}"


def revolution_of(turns: Ticks, tick: int) -> int | None:
    """Revolution that holds `tick`, of those that begin at `turns` (the last entry ends the last one); None outside
    all."""
    k = int(np.searchsorted(turns, tick, side="right")) - 1
    return k if 0 <= k < len(turns) - 1 else None
