"""Where each motor edge sits on the rotor, learned from many turns, and the instants that can be believed.

Positions are shares of a turn's time ("even turns"): an edge at 0.25 comes a quarter of the turn's duration after the
turn began. They equal angles for a shaft whose speed does not change within the turn; `motor.warp` tells the two apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks
from spinlag.motor.lines import CountedLines, Series
from spinlag.paged import paged
from spinlag.rotation.noise import MAD_TO_SIGMA
from spinlag.rotation.shifts import Shifts, find_shifts

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

TOGETHER = 0.25
"""Edges closer than this share of the mean spacing are one node: their order may change with every turn."""

LEAST_TURNS = 3
_PASSES = 4
"""Rounds in which crossing nodes are dropped: one is enough for a motor's lines."""

CALM = 0.1
"""Turns whose neighbours differ from them by more than this share are not learned from."""


@dataclass(frozen=True, eq=False)
class Pattern:
    """Positions of the edges of one rotor turn, E of them, ascending: `at` in even turns (0 ... 1), `series` and `pole`
    (which series, and which of its `poles` edges of a turn), `error`: standard error of each position, `node`: the node
    that each belongs to, `nodes` of them in a turn (that number itself stands for node 0 of the next turn). `turns`:
    how many turns it was learned from."""

    poles: int
    at: Floats
    series: Indices
    pole: Indices
    error: Floats
    node: Indices
    nodes: int
    turns: int

    def position(self, cycle: Indices, series: int) -> Floats:
        """Even turns, whole ones included, at which an edge of a series in that cycle should come."""
        table = np.empty(self.poles)
        own = np.flatnonzero(self.series == series)
        table[self.pole[own]] = self.at[own]
        return np.asarray(cycle // self.poles + table[cycle % self.poles])


@dataclass(frozen=True, eq=False)
class Nodes:
    """Believed instants in order: `ticks` and `even`, even turns of the rotor. `shifts`: what was found of nodes off
    their place, as indices into `all_ticks`; `sigma_turns`: robust scatter of one node about its neighbours; `seams`:
    stretches through which nothing was counted, as nobody looked, shape (k, 2)."""

    ticks: Ticks
    even: Floats
    all_ticks: Ticks
    shifts: Shifts
    sigma_turns: float
    seams: Ticks


def learn_pattern(lines: CountedLines, poles: int) -> Pattern | None:
    """Positions of all edges of a rotor turn of `poles` cycles; None with too few whole turns."""
    reference = next(one for one in lines.series if one.phase == 0.0)
    begin, period, number = _turns(reference, poles)
    if len(begin) < LEAST_TURNS:
        return None
    row = np.full(int(number[-1]) + 2, -1, dtype=np.int64)
    row[number] = np.arange(len(number))
    at, error, series, pole = [], [], [], []
    for s, one in enumerate(lines.series):
        believed = one.believed
        turn = one.cycle[believed] // poles
        known = (turn < len(row)) & (row[np.minimum(turn, len(row) - 1)] >= 0)
        turn, cycle, ticks = row[turn[known]], one.cycle[believed][known], one.ticks[believed][known]
        share = (ticks - begin[turn]) / period[turn]
        for j in range(poles):
            own = share[cycle % poles == j]
            if not len(own):
                return None
            centre, spread = _typical(own)
            at.append(centre)
            error.append(spread)
            series.append(s)
            pole.append(j)
    order = np.argsort(at, kind="stable")
    position = np.array(at)[order]
    node, count = _group(position, TOGETHER / len(position))
    return Pattern(
        poles,
        position,
        np.array(series)[order],
        np.array(pole)[order],
        np.array(error)[order],
        node,
        count,
        len(begin),
    )


def _turns(reference: Series, poles: int) -> tuple[Ticks, Floats, Indices]:
    """Begin, duration in ticks and number of the rotor turns to learn from."""
    believed = reference.believed
    cycle, ticks = reference.cycle[believed], reference.ticks[believed]
    starts = np.flatnonzero(cycle % poles == 0)
    number = cycle[starts] // poles
    whole = np.flatnonzero(np.diff(number) == 1)
    period = np.diff(ticks[starts])[whole].astype(np.float64)
    usual = np.median(period) if len(period) else 1.0
    calm = np.ones(len(period), dtype=np.bool_)
    calm[1:] &= np.abs(np.diff(period)) < CALM * usual
    calm[:-1] &= np.abs(np.diff(period)) < CALM * usual
    return ticks[starts][whole][calm], period[calm], number[whole][calm]


def _typical(values: Floats) -> tuple[float, float]:
    """Mean of what lies within five robust deviations of the median, and its standard error."""
    middle = float(np.median(values))
    reach = 5.0 * MAD_TO_SIGMA * float(np.median(np.abs(values - middle)))
    kept = values[np.abs(values - middle) <= max(reach, 1e-12)]
    return float(kept.mean()), float(kept.std() / np.sqrt(len(kept)))


def _group(position: Floats, tolerance: float) -> tuple[Indices, int]:
    """Node of each ascending position, and how many nodes a turn has. The last edges of a turn may belong to node 0 of
    the next: their node is that number."""
    node = np.concatenate(([0], np.cumsum(np.diff(position) > tolerance)))
    last = int(node[-1])
    if last > 0 and position[0] + 1.0 - position[-1] <= tolerance:
        return node, last
    return node, last + 1


def find_nodes(lines: CountedLines, pattern: Pattern, sample_ticks: float) -> Nodes:
    """Believed instants of all series, those off their place left out."""
    node_ticks, node_even = _instants(lines, pattern)
    cuts = np.unique(np.searchsorted(node_ticks, lines.seams[:, 1]))
    cuts = cuts[(cuts > 0) & (cuts < len(node_ticks))]
    shifts = find_shifts(node_ticks, node_even, pattern.nodes, sample_ticks, cuts=cuts)
    keep = np.delete(np.arange(len(node_ticks)), np.concatenate((shifts.shifted, shifts.stray)))
    # the cubic through four neighbours carries 17/18 of a node's own variance on top of it
    sigma = shifts.scatter_turns / np.sqrt(1 + 17 / 18)
    if len(keep) == len(node_ticks):  # the usual case, in which one array does for both
        return Nodes(node_ticks, node_even, node_ticks, shifts, float(sigma), lines.seams)
    return Nodes(node_ticks[keep], node_even[keep], node_ticks, shifts, float(sigma), lines.seams)


def _instants(lines: CountedLines, pattern: Pattern) -> tuple[Ticks, Floats]:
    """Ticks and places of all nodes, both ascending; edges of several series that make one node count as their mean."""
    node_of = np.empty((len(lines.series), pattern.poles), dtype=np.int64)
    node_of[pattern.series, pattern.pole] = pattern.node
    keys, evens, times = [], [], []
    for s, one in enumerate(lines.series):
        believed = one.believed
        cycle = one.cycle[believed]
        even = pattern.position(cycle, s)
        evens.append(even)
        keys.append(np.floor(even).astype(np.int64) * pattern.nodes + node_of[s, cycle % pattern.poles])
        times.append(one.ticks[believed])
    key, even, ticks = np.concatenate(keys), np.concatenate(evens), np.concatenate(times)
    order = np.argsort(key, kind="stable")
    key, even, ticks = key[order], even[order], ticks[order]
    first = np.flatnonzero(np.concatenate(([True], np.diff(key) > 0)))
    count = np.diff(np.concatenate((first, [len(key)])))
    base = ticks[first]
    mean = np.add.reduceat((ticks - np.repeat(base, count)).astype(np.float64), first) / count
    node_ticks = base + np.rint(mean).astype(np.int64)
    node_even = np.add.reduceat(even, first) / count
    rising = _ascending(node_ticks, node_even)
    return paged(node_ticks[rising]), paged(node_even[rising])


def _ascending(ticks: Ticks, even: Floats) -> Indices:
    """Indices of nodes that rise in time as in position; where two cross, both are dropped."""
    kept = np.arange(len(ticks))
    for _ in range(_PASSES):
        falls = np.flatnonzero((np.diff(ticks[kept]) <= 0) | (np.diff(even[kept]) <= 0))
        if not len(falls):
            return kept
        kept = np.delete(kept, np.concatenate((falls, falls + 1)))
    # a line that is no motor line at all can cross itself for ever: keep what lies beyond all before it
    beyond = np.ones(len(kept), dtype=np.bool_)
    for values in (ticks[kept], even[kept]):
        beyond[1:] &= values[1:] > np.maximum.accumulate(values)[:-1]
    return kept[beyond]
