"""A data line read piece by piece, active-high, with glitch pulses taken out; never the whole line at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import UNKNOWN, Capture, Channel, Edges, Ticks

Bools = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Line:
    """One channel seen from its resting level: `first` is the index of the first edge that leaves it.

    Edges first, first + 2, ... begin pulses ("rise", whatever the polarity), the ones between end them. `known_from` is
    the tick from which the level is known without a break up to the first edge; `known_to` the end of what is known.
    """

    channel: Channel
    inverted: bool
    first: int
    known_from: int
    known_to: int

    @property
    def edges(self) -> Edges:
        """The channel's edges, to be sliced."""
        return self.channel.edges

    @property
    def pulses(self) -> int:
        """Number of whole pulses."""
        return max(len(self.edges) - self.first, 0) // 2

    @property
    def ends_active(self) -> bool:
        """True where the record ends inside a pulse."""
        return len(self.edges) > self.first and (len(self.edges) - self.first) % 2 == 1


def line_of(capture: Capture, channel: Channel, *, inverted: bool) -> Line:
    """The channel as a line whose pulses leave the low level, or the high one where it is inverted."""
    resting = 1 if inverted else 0
    known_from, known_to = capture.start, capture.end
    for begin, end in channel.unknown:
        if begin <= known_from:
            known_from = max(known_from, int(end))
        if end >= known_to:
            known_to = min(known_to, int(begin))
    first = 0 if channel.initial in (resting, UNKNOWN) else 1
    return Line(channel, inverted, first, known_from, known_to)


def unknown_within(line: Line, start: Ticks, end: Ticks) -> Bools:
    """Which spans [start, end) meet a stretch in which the line was x or z; shape (n,)."""
    met = np.zeros(len(start), dtype=bool)
    unknown = line.channel.unknown
    if len(unknown) and len(start):
        first = np.searchsorted(unknown[:, 1], start, side="right")
        inside = first < len(unknown)
        met[inside] = unknown[first[inside], 0] < end[inside]
    return met


def without_glitches(edges: Ticks, shortest: int) -> tuple[Ticks, NDArray[np.int64] | None, NDArray[np.int64]]:
    """Edges without intervals shorter than `shortest` ticks.

    A run of m short intervals goes as a whole where that leaves the level as it was (m odd); otherwise its first edge
    stays. Returns the edges, which of the old ones stayed (None: all of them), and the old index of each run's first.
    """
    if shortest <= 0 or len(edges) < 2:
        return edges, None, np.empty(0, dtype=np.int64)
    short = np.diff(edges) < shortest
    if not short.any():
        return edges, None, np.empty(0, dtype=np.int64)
    change = np.diff(short.astype(np.int8), prepend=0, append=0)
    begin, end = np.flatnonzero(change > 0), np.flatnonzero(change < 0)
    drop = np.zeros(len(edges), dtype=bool)
    drop[:-1] |= short
    drop[1:] |= short
    drop[begin[(end - begin) % 2 == 0]] = False
    kept = np.flatnonzero(~drop)
    return edges[kept], kept, begin


def shortest_usual(pieces: Sequence[Ticks]) -> float:
    """Half of what all but a tenth of the intervals between edges reach: no pulse that a line is used to is shorter."""
    return 0.5 * float(np.quantile(np.concatenate([np.diff(piece) for piece in pieces]), 0.1))


def sample_windows(line: Line, windows: int, pulses: int) -> Iterator[Ticks]:
    """Up to `windows` stretches of at most `pulses` pulses, spread over the line, each from a rise to a fall."""
    total = line.pulses
    if total <= windows * pulses:
        spans = [(0, total)] if total else []
    else:
        starts = np.linspace(0, total - pulses, windows).astype(np.int64)
        spans = [(int(start), int(start) + pulses) for start in starts]
    for begin, end in spans:
        yield np.asarray(line.edges[line.first + 2 * begin : line.first + 2 * end], dtype=np.int64)
