"""Intervals that meet a stretch in which nobody looked at the line: a level of x or z, or a gap of the recording."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Capture, Channel, Ticks
from spinlag.leds.tally import Clock, tally_of
from spinlag.leds.updates import Tally

Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]


class Lost:
    """Finds the intervals that lean on an instant nobody saw. `count` is how many were left out of the figures."""

    def __init__(self, *channels: Channel) -> None:
        self.unknown = [channel.unknown for channel in channels if len(channel.unknown)]
        self.count = 0

    def among(self, begin: Ticks, end: Ticks) -> Bools | None:
        """Which of the intervals from the edges `begin` (ascending) to the edges `end` meet an unknown stretch, shape
        (n,); None where none does. Does not count them.

        An edge at the very end of a stretch counts as unseen: the recorder only noticed the new level there.
        """
        if not self.unknown or not len(begin):
            return None
        lost = np.zeros(len(begin), dtype=bool)
        for unknown in self.unknown:
            near = unknown[(unknown[:, 1] >= begin[0]) & (unknown[:, 0] < end.max())]
            if len(near):
                first = np.searchsorted(near[:, 1], begin, side="left")
                inside = first < len(near)
                lost[inside] |= near[first[inside], 0] < end[inside]
        return lost if lost.any() else None

    def tally(self, begin: Ticks, end: Ticks, clock: Clock) -> Tally | None:
        """Distribution of the independent intervals from `begin` (ascending) to `end` that were seen; None for none."""
        lost = self.among(begin, end)
        if lost is not None:
            self.count += int(lost.sum())
            begin, end = begin[~lost], end[~lost]
        return tally_of(end - begin, begin, clock)


def with_gaps(capture: Capture, gaps: Sequence[tuple[int, int]]) -> Capture:
    """The capture with every channel unknown in the gaps [begin, end) of the recording (ticks) too."""
    spans = np.array(sorted(gaps), dtype=np.int64).reshape(-1, 2)
    channels = (replace(one, unknown=united(one.unknown, spans)) for one in capture.channels)
    return replace(capture, channels=tuple(channels))


def united(first: Ticks, second: Ticks) -> Ticks:
    """Both sets of half-open intervals as one, in order, those that meet joined."""
    both = np.concatenate((first, second))
    both = both[np.argsort(both[:, 0], kind="stable")]
    reach = np.maximum.accumulate(both[:, 1])
    fresh = np.flatnonzero(np.concatenate(([True], both[1:, 0] > reach[:-1])))
    return np.stack((both[fresh, 0], reach[np.append(fresh[1:], len(both)) - 1]), axis=1)
