"""Which revolution, and which column of it, each update was meant for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks
from spinlag.paged import Column
from spinlag.rotation import NO_TICK, Rotation

Indices = NDArray[np.int64]
Floats = NDArray[np.float64]

_NEAR = 0.25
"""Share of a column slot within which an update counts as standing on a grid."""

ROWS_AT_ONCE = 1 << 14
"""Updates that are worked on together, give or take a turn: enough for numpy, few enough to cost no memory."""

_TAIL_LIMIT = 8
"""Updates of the turn before that may follow an index edge; more would be a different fault."""


@dataclass(frozen=True, eq=False)
class Matching:
    """`revolution` and `column` per update, shape (n,), -1 where none; `spacing` in ticks per revolution, shape
    (turns,), NaN where fewer than two updates; `response` the usual ticks from index edge to first update."""

    revolution: NDArray[np.int32]
    column: NDArray[np.int32]
    spacing: Floats
    response: float


def firmware_bounds(rotation: Rotation) -> Ticks:
    """Instants at which the firmware starts its columns over, ticks, shape (turns + 1,): the index edge that it saw,
    or where it saw none the instant at which the shaft passed."""
    seen = np.append(rotation.turns["index_tick"].to_numpy(dtype=np.int64), NO_TICK)
    return np.where(seen == NO_TICK, rotation.turn_ticks, seen)


def group_bounds(groups: NDArray[np.signedinteger], n_groups: int) -> tuple[Indices, Indices]:
    """First index of each group and one past its last, for a non-decreasing `groups`; equal where a group is empty."""
    which = np.arange(n_groups, dtype=groups.dtype)
    return groups.searchsorted(which, "left"), groups.searchsorted(which, "right")


def match_columns(start: Ticks, bounds: Ticks, columns: int | None, *, slack: int = 0) -> Matching:
    """Match updates to revolutions and columns.

    `start`, shape (n,): first data edge of each update, ticks, ascending. `bounds`, shape (turns + 1,): the instants on
    which the firmware restarts its columns. An update after an index edge that still stands on the grid of the turn
    before, while that turn lacks one, belongs to that turn. Within a turn the updates' own spacing makes the grid, so
    one missing update does not shift those that follow. An update up to `slack` ticks before an edge counts as after
    it: two lines that change together may be seen a sample apart, in either order.
    """
    if len(bounds) < 2:
        nothing = np.full(len(start), -1, dtype=np.int32)
        return Matching(nothing, nothing.copy(), np.empty(0), 0.0)
    turns = len(bounds) - 1
    # one group more at either end: updates before the first and after the last whole revolution
    ends = np.maximum.accumulate(start.searchsorted(bounds - slack)).astype(np.int64)
    ends = np.concatenate(([0], ends, [len(start)]))
    edges = np.concatenate((bounds[:1], bounds)).astype(np.int64)  # the first group has no edge of its own
    response = _usual_response(start, ends, edges)
    ends = _claim_tails(start, ends, edges, _spacing(start, ends), response, columns)
    spacing = _spacing(start, ends)
    usual = float(np.nanmedian(spacing)) if np.isfinite(spacing).any() else 1.0
    revolution, column = Column(np.int32), Column(np.int32)
    for first, last in _runs(ends):
        rows = slice(int(ends[first]), int(ends[last]))
        group = np.repeat(np.arange(last - first), np.diff(ends[first : last + 1]))
        turn, these = group + (first - 1), slice(first, last)
        own = _columns_on_grid(start[rows], group, edges[these], spacing[these], usual, response, columns)
        outside = (turn < 0) | (turn >= turns)
        revolution.append(np.where(outside, -1, turn))
        column.append(np.where(outside, -1, own))
    return Matching(revolution.join(), column.join(), spacing[1 : turns + 1], response)


def _runs(ends: Indices) -> Iterator[tuple[int, int]]:
    """Groups [first, last) of about ROWS_AT_ONCE updates together; `ends`, shape (groups + 1,): where they begin."""
    groups = len(ends) - 1
    first = 0
    while first < groups:
        last = int(ends.searchsorted(ends[first] + ROWS_AT_ONCE, side="right"))
        last = min(max(last - 1, first + 1), groups)
        yield first, last
        first = last


def _spacing(start: Ticks, ends: Indices) -> Floats:
    """Median ticks between neighbouring updates of a group; NaN where there are fewer than two."""
    import pandas as pd

    spacing = np.full(len(ends) - 1, np.nan)
    for first, last in _runs(ends):
        group = np.repeat(np.arange(first, last), np.diff(ends[first : last + 1]))
        if len(group) < 2:
            continue
        same = group[1:] == group[:-1]
        steps = np.diff(start[ends[first] : ends[last]])[same]
        medians = pd.Series(steps, dtype="float64").groupby(group[1:][same]).median()
        spacing[medians.index.to_numpy(dtype=np.int64)] = medians.to_numpy()
    return spacing


def _usual_response(start: Ticks, ends: Indices, edges: Ticks) -> float:
    first, after = ends[:-1], ends[1:]
    there = (after > first) & (np.arange(len(edges)) > 0)
    if not there.any():
        return 0.0
    return float(np.median(start[first[there]] - edges[there]))


def _claim_tails(
    start: Ticks, ends: Indices, edges: Ticks, spacing: Floats, response: float, columns: int | None
) -> Indices:
    """Hand updates that finish the turn before back to it: where the groups begin then."""
    ends = ends.copy()
    first, after = ends[:-1], ends[1:]
    for _ in range(_TAIL_LIMIT):
        count = after - first
        here = np.flatnonzero((count[1:] >= 2) & (count[:-1] >= 1)) + 1
        here = here[here > 1]
        if not here.size:
            break
        lead, before = start[first[here]], start[after[here - 1] - 1]
        old = spacing[here - 1]
        new = np.where(np.isfinite(spacing[here]), spacing[here], old)
        on_old_grid = np.abs(lead - before - old) < _NEAR * old
        early = lead - edges[here] < response - _NEAR * new
        off_new_grid = np.abs(start[first[here] + 1] - lead - new) > _NEAR * new
        wanted = (count[here - 1] < columns) | (count[here] > columns) if columns else np.ones(here.size, dtype=bool)
        claim = here[on_old_grid & (early | off_new_grid) & wanted]
        if not claim.size:
            break
        ends[claim] += 1
    return ends


def _columns_on_grid(
    start: Ticks,
    group: Indices,
    edges: Ticks,
    spacing: Floats,
    usual: float,
    response: float,
    columns: int | None,
) -> Indices:
    """Columns of the updates of some groups, numbered from 0; `usual` is the spacing of most groups, in ticks."""
    n = len(start)
    column = np.full(n, -1, dtype=np.int64)
    if n == 0:
        return column
    first, after = group_bounds(group, len(edges))
    lead = first[group]
    since = (start - start[lead]).astype(np.float64)
    step = refined_spacing(since, group, spacing, usual)[group]
    # a first update that comes whole slots later than usual means that whole columns are missing before it
    skipped = np.maximum(np.rint((start[lead] - edges[group] - response) / step), 0)
    slots = since / step
    turning = np.exp(2j * np.pi * slots)
    phase = np.bincount(group, turning.real, len(edges)) + 1j * np.bincount(group, turning.imag, len(edges))
    on_grid = np.rint(slots - np.angle(phase)[group] / (2 * np.pi))
    column[:] = _keep_order((skipped + np.maximum(on_grid, 0)).astype(np.int64), group)
    if columns:
        past = column[after[group] - 1] - (columns - 1)
        column -= np.clip(np.minimum(past, column[lead]), 0, None).astype(np.int64)
    return column


def refined_spacing(since: Floats, group: Indices, spacing: Floats, usual: float) -> Floats:
    """Ticks per column of each group, from medians over ever longer stretches, so that no late update bends the grid.

    `spacing`, from neighbours, is good to a slot over a few columns; that settles how many columns lie between updates
    four apart, which settles sixteen, and so on. Groups with a single update get the `usual` spacing, at least 1.
    """
    import pandas as pd

    refined = np.where(np.isfinite(spacing) & (spacing > 0), spacing, max(usual, 1.0))
    lag = 4
    while lag < len(since):
        same = group[lag:] == group[:-lag]
        if not same.any():
            break
        which = group[lag:][same]
        apart = (since[lag:] - since[:-lag])[same]
        columns = np.maximum(np.rint(apart / refined[which]), 1)
        medians = pd.Series(apart / columns).groupby(which).median()
        refined[medians.index.to_numpy(dtype=np.int64)] = np.maximum(medians.to_numpy(), 1.0)
        lag *= 4
    return refined


def _keep_order(column: Indices, group: Indices) -> Indices:
    """Where a late update was rounded onto the column of its follower and its own stands empty, give it its own."""
    column = column.copy()
    same = np.zeros(len(column), dtype=bool)
    same[:-1] = (group[1:] == group[:-1]) & (column[1:] <= column[:-1])
    before = np.full(len(column), -1, dtype=np.int64)
    before[1:] = np.where(group[1:] == group[:-1], column[:-1], -1)
    column[same & (column - before >= 2)] -= 1
    return column
