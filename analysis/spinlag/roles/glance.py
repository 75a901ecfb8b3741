"""Bounded looks at recorded lines: enough edges to guess what a line is, however long the capture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spinlag.capture import UNKNOWN, Capture, Channel, Ticks

STRETCH_EDGES = 200_000
"""Edges per stretch; a line of more than three stretches is looked at near its start, middle and end only."""

MOST_LINES = 128
"""Captures of more lines are not searched for lines that belong together: recorders have fewer, and in a simulator's
dump of everything inside a chip there is always something that looks like it."""
SHORTEST_SLOT_S = 4e-6
"""No display has columns this short, nor dims this fast (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Stretch:
    """Consecutive edges of one line: `edges`, int64 ticks, and the level that follows the first of them."""

    edges: Ticks
    level: int

    def widths(self, level: int) -> tuple[Ticks, Ticks]:
        """Starts and lengths, both in ticks, of the whole intervals at `level`."""
        first = 0 if self.level == level else 1
        starts = self.edges[first:-1:2]
        return starts, np.diff(self.edges)[first::2]

    def turning_to(self, level: int) -> Ticks:
        """Edges that end at `level`, ticks."""
        return self.edges[(0 if self.level == level else 1) :: 2]


@dataclass(frozen=True, eq=False)
class Look:
    """What was looked at of one line: `count` edges in all, of which `stretches` hold some or all."""

    channel: Channel
    count: int
    stretches: tuple[Stretch, ...]

    @property
    def whole(self) -> bool:
        """True where every edge was looked at."""
        return sum(len(stretch.edges) for stretch in self.stretches) == self.count


def _stretch(channel: Channel, low: int, high: int) -> Stretch:
    edges = np.asarray(channel.edges[low:high], dtype=np.int64)
    return Stretch(edges, channel.initial ^ ((low + 1) & 1))


def look_at(channel: Channel, stretch_edges: int = STRETCH_EDGES) -> Look:
    """A bounded look at one line: whole up to three stretches of edges, else its start, middle and end."""
    count = len(channel.edges)
    if count == 0 or channel.initial == UNKNOWN:
        return Look(channel, 0, ())
    if count <= 3 * stretch_edges:
        return Look(channel, count, (_stretch(channel, 0, count),))
    starts = (0, (count - stretch_edges) // 2, count - stretch_edges)
    return Look(channel, count, tuple(_stretch(channel, start, start + stretch_edges) for start in starts))


def edges_between(channel: Channel, start: int, end: int, limit: int = STRETCH_EDGES) -> Stretch:
    """At most `limit` edges of the line from tick `start` on, up to but without tick `end`."""
    low = int(channel.edges.searchsorted(start, side="left"))
    high = int(channel.edges.searchsorted(end, side="left"))
    return _stretch(channel, low, min(high, low + limit))


def same_line(a: Channel, b: Channel) -> bool:
    """True where two channels carry the same edges, as when one net has several names. Bounded like any look."""
    if len(a.edges) != len(b.edges) or a.initial != b.initial:
        return False
    if a.edges is b.edges:
        return True
    pairs = zip(look_at(a).stretches, look_at(b).stretches, strict=True)
    return all(np.array_equal(mine.edges, other.edges) for mine, other in pairs)


def sample_ticks(capture: Capture) -> float:
    """The sample period in ticks, at least one: no interval is known better."""
    return max(float(capture.sample_period.ticks), 1.0)
