"""Records of a block, in file order, sorted by line and cleared of what repeats."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks
from spinlag.importers.lanes import LOST, Recorded, States


def by_lane(lane: NDArray[np.uint16], order: NDArray[np.int64], ticks: Ticks, states: States) -> Recorded:
    """Group records that are sorted by lane, and in file order within each.

    `lane` is sorted, shape (n,); record i is ticks[order[i]], states[order[i]] (`order` undoes nothing in `lane`).
    """
    ticks = ticks[order]
    states = states[order]
    change = np.flatnonzero(lane[1:] != lane[:-1]) + 1
    seams = change - 1
    repeats = states[1:] == states[:-1]
    repeats[seams] = False
    if repeats.any():
        keep = np.flatnonzero(np.concatenate([[True], ~repeats])) if len(lane) else np.empty(0, dtype=np.int64)
        lane, ticks, states = lane[keep], ticks[keep], states[keep]
        change = np.flatnonzero(lane[1:] != lane[:-1]) + 1
        seams = change - 1
    stalls = ticks[1:] <= ticks[:-1]
    stalls[seams] = False
    plain = not stalls.any() and not (states == LOST).any()
    bounds = [0, *change.tolist(), len(lane)] if len(lane) else [0]
    lanes = lane[bounds[:-1]].tolist()
    return Recorded(lanes, bounds, ticks, states, plain)
