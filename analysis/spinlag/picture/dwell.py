"""How long LEDs are lit: the blank line of a latched chain darkens what its registers hold."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import UNKNOWN, Capture, Channel, Ticks
from spinlag.rig import Rig

LEVELS = 16
"""Steps in which the lit share of a bin is kept: finer than NOTICED, and blanking of some µs around a latch is none."""


@dataclass(frozen=True, eq=False)
class Blank:
    """A recorded line that keeps a chain dark while it is at level `dark` (0 or 1)."""

    line: Channel
    dark: int


def blank_of(capture: Capture, rig: Rig, chain: str) -> Blank | None:
    """The blank line of the chain of that name; None where there is none or its level is not known."""
    entry = next((entry for entry in rig.leds if entry.name == chain), None)
    if entry is None or entry.blank is None:
        return None
    line = capture.channel(entry.blank)
    return None if line.initial == UNKNOWN else Blank(line, 1 if entry.blank_dark == "high" else 0)


def lit_levels(blank: Blank, begin: Ticks, end: Ticks) -> NDArray[np.uint8]:
    """Share of each interval [begin, end), of any shape, in which the chain is lit, in whole LEVELS-ths."""
    if not begin.size:
        return np.zeros(begin.shape, dtype=np.uint8)
    edges = blank.line.edges
    first, last = int(edges.searchsorted(int(begin.min()))), int(edges.searchsorted(int(end.max())))
    inside = np.concatenate(([int(begin.min())], np.asarray(edges[first:last], dtype=np.int64)))
    level = blank.line.initial ^ ((first + np.arange(len(inside))) & 1)
    lit = level != blank.dark
    so_far = np.concatenate(([0], np.cumsum(np.diff(inside) * lit[:-1])))

    def lit_until(tick: Ticks) -> Ticks:
        at = np.maximum(inside.searchsorted(tick, side="right") - 1, 0)
        return np.asarray(so_far[at] + (tick - inside[at]) * lit[at])

    share = (lit_until(end) - lit_until(begin)) / np.maximum(end - begin, 1)
    return np.asarray(np.rint(share * LEVELS), dtype=np.uint8)
