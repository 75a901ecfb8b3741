"""Columns of chains on which an update is seen only where it changes something, as on lines that drive LEDs directly.

A column that shows the same as the one before it leaves no trace there, so the updates of a turn are a part of its
columns, and nothing tells which but their instants. The first column is taken to come within a slot of the index edge.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks
from spinlag.columns import Matching, refined_spacing
from spinlag.leds.updates import ChainUpdates
from spinlag.paged import paged

USUAL_SHARE = 0.8
"""A column that changes in so many of the turns is missed where it does not."""
_EARLY = 0.1
"""Share of a slot by which the first column may come before the index edge that it answers."""


def leaves_gaps(chain: ChainUpdates, bounds: Ticks, columns: int) -> bool:
    """True where most turns hold fewer updates than columns, on a chain that shows only what changes."""
    counts = np.diff(np.asarray(chain.start.searchsorted(bounds), dtype=np.int64))
    counts = counts[counts > 0]
    return chain.changes_only and bool(counts.size) and float(np.median(counts)) < columns - 0.5


def match_changes(start: Ticks, bounds: Ticks, columns: int, *, slack: int = 0) -> Matching:
    """As `match_columns`, for updates of which most columns have none: each on the nearest slot of its turn's grid.

    The grid begins the usual response after the index edge, which is known but for whole slots and taken to be less
    than one; its step is the turn's period over `columns`, refined by the updates themselves.
    """
    turns = len(bounds) - 1
    group = (bounds - slack).searchsorted(start, side="right").astype(np.int64)
    inside = (group > 0) & (group <= turns)
    turn = np.clip(group - 1, 0, turns - 1)
    step = np.diff(bounds) / columns
    lead = group.searchsorted(group, side="left")
    since = (start - start[lead]).astype(np.float64)
    padded = np.concatenate((step[:1], step, step[-1:]))
    step = refined_spacing(since, group, padded, float(np.median(padded)))[1 : turns + 1]
    slots = (start - bounds[turn]) / step[turn]
    phase = float(np.angle(np.exp(2j * np.pi * slots[inside]).sum())) / (2 * np.pi) if inside.any() else 0.0
    response = (phase + _EARLY) % 1.0 - _EARLY
    column = np.where(inside, np.maximum(np.rint(slots - response), 0), -1).astype(np.int64)
    revolution = np.where(inside, group - 1, -1)
    usual = response * float(np.median(step))
    return Matching(paged(revolution.astype(np.int32)), paged(column.astype(np.int32)), step, usual)


def usual_columns(
    revolution: NDArray[np.signedinteger], column: NDArray[np.signedinteger], turns: int, columns: int
) -> NDArray[np.int64]:
    """Columns that change in most of the turns that have updates, ascending."""
    shown = (revolution >= 0) & (column >= 0) & (column < columns)
    seen = np.zeros((turns, columns), dtype=bool)
    seen[revolution[shown], column[shown]] = True
    seen = seen[seen.any(axis=1)]
    share = seen.mean(axis=0) if len(seen) else np.zeros(columns)
    return np.flatnonzero(share >= USUAL_SHARE)


def missing_of(
    usual: NDArray[np.int64],
    revolution: NDArray[np.signedinteger],
    column: NDArray[np.signedinteger],
    turns: int,
    columns: int,
) -> NDArray[np.int64]:
    """How many of the usual columns each turn lacks, shape (turns,)."""
    shown = (revolution >= 0) & np.isin(column, usual)
    keys = np.unique(revolution[shown].astype(np.int64) * columns + column[shown])
    return np.asarray(len(usual) - np.bincount(keys // columns, minlength=turns), dtype=np.int64)
