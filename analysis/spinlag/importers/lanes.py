"""From what was recorded of each line, in order, to its edges and the stretches where it was unknown."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import UNKNOWN, Edges, Ticks
from spinlag.importers.edge_store import EdgeBudget, EdgeLog

LOST = 2
"""State of a line whose level is not known: x, z and their kin. 0 and 1 are the levels."""

States = NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Recorded:
    """What one block recorded: for line `lanes[i]`, in order, states[bounds[i]:bounds[i+1]] at the `ticks` beside them.

    Ticks of one line never decrease; neighbouring states of one line differ. `plain` promises more: levels only, and
    strictly increasing ticks.
    """

    lanes: list[int]
    bounds: list[int]
    ticks: Ticks
    states: States
    plain: bool


@dataclass(frozen=True, eq=False)
class Line:
    """One line of the finished record, in the terms of `Channel`."""

    initial: int
    edges: Edges
    unknown: Ticks
    zero_width: int
    """Pulses that began and ended at one tick, and so are no edges."""


class _Lane:
    __slots__ = ("begins", "ends", "initial", "level", "log", "state", "zero_width")

    def __init__(self, log: EdgeLog) -> None:
        self.log = log
        self.initial = UNKNOWN
        self.level = UNKNOWN
        self.state = LOST
        self.begins: list[Ticks] = []
        self.ends: list[Ticks] = []
        self.zero_width = 0


class Lanes:
    """The lines of a capture while it is being read.

    A line is unknown from the start of the record to its first level. Its first level becomes `initial`, even where
    another follows at the same tick; after that, changes at one tick count by their net effect.
    """

    def __init__(self, count: int, budget: EdgeBudget | None = None) -> None:
        self._budget = budget if budget is not None else EdgeBudget()
        self._lanes = [_Lane(self._budget.log()) for _ in range(count)]

    def __len__(self) -> int:
        return len(self._lanes)

    def add(self, recorded: Recorded) -> None:
        """Take in the next block; its ticks are not earlier than those before."""
        for number, (a, b) in zip(recorded.lanes, pairwise(recorded.bounds), strict=True):
            lane = self._lanes[number]
            if not recorded.plain or lane.state == LOST:
                self._mixed(lane, recorded.ticks[a:b], recorded.states[a:b])
                continue
            if recorded.states[a] == lane.level:
                a += 1
            if a < b:
                self._toggle(lane, recorded.ticks[a:b])
                lane.level = lane.state = int(recorded.states[b - 1])

    def finish(self, number: int, start: int, end: int) -> Line:
        """The line of that number; the record covers [start, end)."""
        lane = self._lanes[number]
        return Line(lane.initial, lane.log.finish(), _unknown(lane, start, end), lane.zero_width)

    def _toggle(self, lane: _Lane, ticks: Ticks) -> None:
        if len(lane.log) and lane.log.last() == int(ticks[0]):
            lane.log.drop_last()
            lane.zero_width += 1
            ticks = ticks[1:]
        lane.log.append(ticks)

    def _mixed(self, lane: _Lane, ticks: Ticks, states: States) -> None:
        known = states != LOST
        before = np.concatenate([[lane.state], states[:-1]])
        lane.begins.append(ticks[~known & (before != LOST)])
        lane.ends.append(ticks[known & (before == LOST)])
        lane.state = int(states[-1])
        ticks, levels = ticks[known], states[known]
        if not len(levels):
            return
        if lane.initial == UNKNOWN:
            lane.initial = lane.level = int(levels[0])
        changed = np.empty(len(levels), dtype=bool)
        changed[0] = levels[0] != lane.level
        np.not_equal(levels[1:], levels[:-1], out=changed[1:])
        lane.level = int(levels[-1])
        toggles, lost = _net(ticks[changed])
        lane.zero_width += lost
        if len(toggles):
            self._toggle(lane, toggles)


def _net(toggles: Ticks) -> tuple[Ticks, int]:
    """Toggles with those at one tick cancelled in pairs, and the number of pairs."""
    if len(toggles) < 2 or not (repeated := toggles[1:] == toggles[:-1]).any():
        return toggles, 0
    first = np.flatnonzero(np.concatenate([[True], ~repeated]))
    count = np.diff(np.append(first, len(toggles)))
    return toggles[first[count % 2 == 1]], int((count // 2).sum())


def _unknown(lane: _Lane, start: int, end: int) -> Ticks:
    """Half-open intervals, shape (n, 2), none of them empty, none touching the next."""
    begins = np.concatenate([np.array([start], dtype=np.int64), *lane.begins])
    ends = np.concatenate([*lane.ends, np.array([end] if lane.state == LOST else [], dtype=np.int64)])
    real = ends > begins
    begins, ends = begins[real], ends[real]
    if not len(begins):
        return np.empty((0, 2), dtype=np.int64)
    apart = begins[1:] > ends[:-1]
    return np.stack([begins[np.append(True, apart)], ends[np.append(apart, True)]], axis=1)
