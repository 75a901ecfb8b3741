"""Places where a recorder fell out of step: edges on a lattice of one period, but of more than one origin.

A recorder that lost samples, or whose clock was set while it ran, goes on with the same period from another origin.
Then no lattice fits all edges together, though one fits every stretch between two such places.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

import numpy as np

from spinlag.capture import Edges, Ticks
from spinlag.lattice import fits
from spinlag.sampling import lattice_period

PROBES = 24
"""Short runs of edges, evenly over each line, whose origins are compared."""

PROBE_EDGES = 48
LEAST_EDGES = 8
"""Edges behind a break that show the new origin."""

MOST_BETWEEN = 64
"""Breaks told between two probes."""

LEARN_EDGES = 512
MOST_LINES = 2
"""The busiest lines show what there is to see."""

LEAST_PERIOD = 8
"""Ticks: unrelated stretches fit a finer lattice too often by chance (2 / period)."""

AGREE = 0.75
"""Share of the stretches that must show one period. Common practice, no source."""


@dataclass(frozen=True)
class Breaks:
    """`period` in ticks; `between`, (before, after) in ticks: edges of one line with a break between them, in order."""

    period: Fraction
    between: tuple[tuple[int, int], ...]


def find_breaks(lines: Sequence[Edges], tick: Fraction, period: Fraction | None) -> Breaks | None:
    """Breaks of the recorder's lattice; None where there is no such lattice or no break.

    `period` in ticks is that of the whole record, None where none was found. Stretches that show a coarser one are
    believed instead: two lattices out of step pass for one that is finer than either.
    """
    busy = sorted((edges for edges in lines if len(edges) >= PROBES * PROBE_EDGES), key=len, reverse=True)[:MOST_LINES]
    if not busy:
        return None
    coarser = _common_period(busy, tick)
    if coarser is not None and (period is None or coarser > period * 3 / 2):
        period = coarser
    if period is None or period < LEAST_PERIOD:
        return None
    for edges in busy:
        between = _breaks_of(edges, period)
        if between:
            return Breaks(period, between)
    return None


def _common_period(busy: Sequence[Edges], tick: Fraction) -> Fraction | None:
    """The period that most stretches show, each by itself."""
    found: Counter[Fraction] = Counter()
    stretches = 0
    for edges in busy:
        for start in np.linspace(0, len(edges) - LEARN_EDGES, 6, dtype=np.int64) if len(edges) > LEARN_EDGES else ():
            run = np.asarray(edges[int(start) : int(start) + LEARN_EDGES], dtype=np.int64)
            period = lattice_period([run], tick)
            stretches += 1
            if period is not None:
                found[period] += 1
    if not found:
        return None
    period, times = found.most_common(1)[0]
    return period if times >= AGREE * stretches else None


def _breaks_of(edges: Edges, period: Fraction) -> tuple[tuple[int, int], ...]:
    starts = np.linspace(0, len(edges) - PROBE_EDGES, PROBES, dtype=np.int64).tolist()
    runs = [(start, np.asarray(edges[start : start + PROBE_EDGES], dtype=np.int64)) for start in starts]
    whole = [(start, run) for start, run in runs if fits(run, period)]
    if len(whole) < AGREE * len(runs):
        return ()
    found: list[tuple[int, int]] = []
    stretches = 0
    for before, after in pairwise(whole):
        between = _breaks_between(edges, before, after, period)
        stretches += len(between) > 0
        found += between
    # a line whose every burst has an origin of its own shows the habits of its sender, not those of a recorder
    return tuple(found) if stretches <= (1 - AGREE) * (len(whole) - 1) else ()


def _breaks_between(
    edges: Edges, before: tuple[int, Ticks], after: tuple[int, Ticks], period: Fraction
) -> list[tuple[int, int]]:
    """All breaks from one probe (its first edge's row, and its edges) to the next."""
    low, run = before[0] + len(before[1]) - 1, before[1]
    found: list[tuple[int, int]] = []
    while len(found) < MOST_BETWEEN and not fits(np.concatenate([run, after[1]]), period):
        row = _narrowed(edges, run, low, after[0], period)
        found.append((int(edges[row - 1]), int(edges[row])))
        low, run = row, np.asarray(edges[row : row + LEAST_EDGES], dtype=np.int64)
    return found


def _narrowed(edges: Edges, run: Ticks, low: int, high: int, period: Fraction) -> int:
    """The first row whose edge is not of the run's origin, as edges[low] is and edges[high] not."""
    while high - low > 1:
        middle = (low + high) // 2
        if fits(np.append(run, int(edges[middle])), period):
            low = middle
        else:
            high = middle
    return high


def breaks_said(breaks: Breaks, tick: Fraction) -> str:
    """One sentence about the breaks."""
    period = f"{float(breaks.period * tick) * 1e9:.6g} ns"
    before, after = (float(instant * tick) for instant in breaks.between[0])
    places = "one place" if len(breaks.between) == 1 else f"at least {len(breaks.between)} places"
    return (
        f"the samples fall out of step in {places}, first between {before:.9g} s and {after:.9g} s: edges lie on "
        f"multiples of {period} on either side, but not from one origin. The recorder lost samples or its clock was "
        "set; intervals across such a place are wrong by an unknown amount and in no figure"
    )
