"""The motor lines at gaps of the recording: states that nobody saw are no fault of theirs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from spinlag.capture import Capture
from spinlag.motor import Motor

_NEARBY = 12
"""Edges to either side of a gap that tell a line's usual step."""

_STEPS = 2
"""Usual steps by which a dead line may outlast a gap that explains it: one at either end."""


def _known_again(motor: Motor, end: int, capture: Capture) -> int:
    """When every line has moved after a gap, ticks: a file that only lists changes does not say what a line is until
    then. No later than one and a half of its usual steps, as lines may die."""
    latest = end
    for name in motor.phases:
        edges = capture.channel(name).edges
        first = int(edges.searchsorted(end))
        near = np.asarray(edges[max(first - _NEARBY, 0) : first + _NEARBY], dtype=np.int64)
        if first < len(edges) and len(near) > 2:
            latest = max(latest, min(int(edges[first]), end + int(1.5 * float(np.median(np.diff(near))))))
    return latest


def without_gaps(motor: Motor, gaps: Sequence[tuple[int, int]], capture: Capture) -> Motor:
    """The motor without the irregularities that gaps of the recording (last edge before, first one after, in ticks)
    brought about, and a note on how many. Angles stay as they are: they are fitted to edges that were seen."""
    tick_s, slack = float(capture.tick), 2 * math.ceil(capture.sample_period.ticks)
    spans = [(begin, _known_again(motor, end, capture) + slack) for begin, end in gaps]
    dead = [seen for seen in motor.observations if seen.kind == "motor-dropout"]
    step = max((round((seen.expected or 0.0) / tick_s) for seen in dead), default=0)

    def recorded(tick: int, length: int) -> bool:
        """Whether it has its place outside of all gaps; `length` is 0 but for dead lines."""
        for begin, end in spans:
            if not length and begin <= tick <= end:
                return False
            if length and tick < end and begin < tick + length and length <= end - begin + _STEPS * step:
                return False
        return True

    def length_of(kind: str, seconds: float | None) -> int:
        return round((seconds or 0.0) / tick_s) if kind.endswith("dropout") else 0

    kept = [recorded(seen.tick, length_of(seen.kind, seen.observed)) for seen in motor.observations]
    if all(kept):
        return motor
    table = motor.faults
    rows = zip(table["tick"].tolist(), table["kind"].tolist(), table["length_s"].tolist(), strict=True)
    inside = np.array([recorded(tick, length_of(kind, seconds)) for tick, kind, seconds in rows], dtype=bool)
    lost = kept.count(False)
    said = "1 irregularity" if lost == 1 else f"{lost} irregularities"
    return replace(
        motor,
        faults=table[inside].reset_index(drop=True),
        observations=tuple(seen for seen, stays in zip(motor.observations, kept, strict=True) if stays),
        notes=(*motor.notes, f"{said} at gaps of the recording left out: nobody saw what the lines did there"),
    )
