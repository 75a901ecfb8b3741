"""Records of a block, in file order, brought together line by line and cleared of what repeats."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks
from spinlag.importers.lanes import LOST, Recorded, States
from spinlag.importers.vcd_codes import Bytes, Indices
from spinlag.importers.vcd_scheme import NO_LANE

_FEW_CODES = 16
"""Up to so many codes it is cheaper to look for each than to sort."""


def by_lane(lane: NDArray[np.uint16], order: Indices, ticks: Ticks, states: States) -> Recorded:
    """Group records: `lane`, shape (n,), is sorted; record i is ticks[order[i]], states[order[i]]."""
    change = np.flatnonzero(lane[1:] != lane[:-1]) + 1
    bounds = [0, *change.tolist(), len(lane)] if len(lane) else [0]
    return _cleared(lane[bounds[:-1]].tolist(), bounds, ticks[order], states[order])


def by_code(code: Bytes, ticks: Ticks, states: States, lane_of: NDArray[np.int32]) -> Recorded | None:
    """Group records of one-character codes; None where a code is not one of a one-bit line.

    `lane_of`, shape (256,), gives the lane of each such code, NO_LANE for every other.
    """
    candidates = np.flatnonzero(lane_of != NO_LANE)
    if len(candidates) > _FEW_CODES:
        order = np.argsort(code, kind="stable")
        recorded = by_lane(code[order].astype(np.uint16), order, ticks, states)
        lanes = lane_of[recorded.lanes].tolist()
        if NO_LANE in lanes:
            return None
        return Recorded(lanes, recorded.bounds, recorded.ticks, recorded.states, recorded.plain)
    lanes, bounds = [], [0]
    grouped_ticks, grouped_states = np.empty_like(ticks), np.empty_like(states)
    for candidate in candidates.tolist():
        mine = code == candidate
        count = int(np.count_nonzero(mine))
        if count:
            which = mine if 2 * count > len(code) else np.flatnonzero(mine)
            stop = bounds[-1] + count
            grouped_ticks[bounds[-1] : stop] = ticks[which]
            grouped_states[bounds[-1] : stop] = states[which]
            lanes.append(int(lane_of[candidate]))
            bounds.append(stop)
    return _cleared(lanes, bounds, grouped_ticks, grouped_states) if bounds[-1] == len(code) else None


def _cleared(lanes: list[int], bounds: list[int], ticks: Ticks, states: States) -> Recorded:
    """Leave out states that repeat the one before on the same line, and see what can be promised."""
    seams = np.array(bounds[1:-1], dtype=np.int64)
    repeats = states[1:] == states[:-1]
    repeats[seams - 1] = False
    if repeats.any():
        keep = np.flatnonzero(np.concatenate([[True], ~repeats]))
        ticks, states = ticks[keep], states[keep]
        bounds = keep.searchsorted(bounds).tolist()
        seams = np.array(bounds[1:-1], dtype=np.int64)
    stalls = ticks[1:] <= ticks[:-1]
    stalls[seams - 1] = False
    plain = not stalls.any() and not (states == LOST).any()
    return Recorded(lanes, bounds, ticks, states, plain)
