"""Did the shaft itself stand still, or did nobody look? No shaft stops or starts without losing or gaining speed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from spinlag.capture import Capture, Channel, Ticks
from spinlag.rig import Rig

SLOWED = 1.2
"""A shaft that comes to rest over n periods takes at least 0.83 sqrt(n) times as long over the last whole one (constant
deceleration, seen up to one period before it stands); so even three periods show."""

_USUAL = 12
"""Periods beside a stillness that tell the speed there."""

_NEAREST = 3
"""The periods nearest to it, which the shaft may have come to rest in already."""

Pace = Literal["kept", "lost", "unknown"]


def marks_of(rig: Rig) -> int:
    """Places on the index wheel, a missing tooth's included."""
    return rig.index.pulses_per_revolution + int(rig.index.missing_tooth) if rig.index is not None else 1


def shaft_lines(capture: Capture, rig: Rig) -> list[tuple[str, Channel]]:
    """The lines that the shaft moves, each with its family."""
    lines = [("index", rig.index.channel)] if rig.index is not None else []
    lines += [("motor", name) for name in rig.motor.phases] if rig.motor is not None else []
    return [(family, capture.channel(name)) for family, name in lines]


def pace_beside(lines: Sequence[tuple[str, Channel]], begin: int, end: int, marks: int) -> Pace:
    """`lost` where the shaft's lines (family and channel) show that it came to rest before the stillness [begin, end]
    or set out after it, `kept` where it was at speed up to it and from it on. The motor's lines, which show parts of a
    turn, are asked first. `marks`: places on the index wheel, a missing tooth's included."""
    for family, usual in (("motor", _USUAL), ("index", _USUAL + marks)):
        reach = 2 * (usual + _NEAREST) + 1
        ratios = []
        for _, channel in (line for line in lines if line[0] == family):
            first, after = int(channel.edges.searchsorted(begin, side="right")), int(channel.edges.searchsorted(end))
            before = np.asarray(channel.edges[max(first - reach, 0) : first], dtype=np.int64)
            behind = np.asarray(channel.edges[after : after + reach], dtype=np.int64)
            # the edge at the very end was only noticed there
            ratios += [_last_period(before, marks), _last_period(-behind[behind > end][::-1], marks)]
        told = [ratio for ratio in ratios if ratio is not None]
        if told:
            return "lost" if max(told) > SLOWED else "kept"
    return "unknown"


def _last_period(edges: Ticks, marks: int) -> float | None:
    """The last period between every other edge against the longest of those before it; None with too few of them."""
    period = (edges[2:] - edges[:-2]).astype(np.float64)
    if len(period) <= _NEAREST + max(2, marks if marks > 1 else 0):
        return None
    return float(period[-1] / period[:-_NEAREST].max())
