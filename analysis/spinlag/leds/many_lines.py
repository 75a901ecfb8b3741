"""Several lines read together, slice by slice."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Channel, Ticks

Ints = NDArray[np.int64]

SLICE_EDGES = 1 << 19


def merged(lines: Sequence[Channel], begin: Ints, end: Ints) -> tuple[Ticks, Ints]:
    """Edges [begin, end) of every line in order of time, and the line of each."""
    pieces = [
        np.asarray(line.edges[int(first) : int(stop)], dtype=np.int64)
        for line, first, stop in zip(lines, begin, end, strict=True)
    ]
    times = np.concatenate(pieces)
    owner = np.repeat(np.arange(len(lines)), [len(piece) for piece in pieces])
    order = np.argsort(times, kind="stable")
    return times[order], owner[order]


def slices(lines: Sequence[Channel], edges: int) -> Iterator[tuple[Ints, Ints, int]]:
    """Stretches of time of about so many edges in all: each line's edges [begin, end), and the tick they end before."""
    total = np.array([len(line.edges) for line in lines])
    begin = np.zeros(len(lines), dtype=np.int64)
    share = max(edges // max(len(lines), 1), 1)
    while (begin < total).any():
        reach = [
            int(line.edges[int(min(at + share, size) - 1)])
            for line, at, size in zip(lines, begin, total, strict=True)
            if at < size and at + share < size
        ]
        until = min(reach) + 1 if reach else None
        if until is None:
            end = total
            until = 1 + max(int(line.edges[len(line.edges) - 1]) for line in lines if len(line.edges))
        else:
            end = np.array([int(line.edges.searchsorted(until)) for line in lines], dtype=np.int64)
        yield begin, end, until
        begin = end
