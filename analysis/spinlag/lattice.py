"""Whole numbers on a lattice of a fractional period: an exact test, and a search for the period."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from fractions import Fraction

import numpy as np

from spinlag.capture import Ticks

_MOST_STEPS = 256
_MOST_COUNTS = 50_000
_MOST_RANGES = 8
_MOST_FRACTIONS = 24
_LEAST = Fraction(2)
_TICK = 1 + 1e-6
"""What rounding to ticks may do to an interval, and a little for 64-bit floating point; the last test is exact."""


def fits(edges: Ticks, period: Fraction) -> bool:
    """Whether all of `edges` (sorted) are multiples of `period` ticks, from any origin, rounded to whole ticks.

    Then they lie, modulo the period, in a window narrower than one tick, or as wide where halves were rounded either
    way. Exact: whole numbers only, over any span. The window is widened by what 64-bit floating point loses at the
    largest tick, for writers that compute their times that way.
    """
    if len(edges) < 2:
        return True
    turn, unit = period.numerator, period.denominator
    ahead = edges - edges[0]
    if turn * unit < 1 << 62:
        residue = ahead % turn * unit % turn
    else:
        residue = np.array([int(tick) * unit % turn for tick in ahead], dtype=object)
    residue.sort()
    widest = max(int(np.diff(residue).max()), int(residue[0]) + turn - int(residue[-1]))
    window = unit if unit % 2 == 0 else unit - 1
    return turn - widest <= window + unit * _lost_to_floats(edges)


def _lost_to_floats(edges: Ticks) -> int:
    """Ticks that a writer who computes times as 64-bit floating point may be off by at the largest of `edges`; 0 where
    their last binary digits show that they never were such numbers (times since 1970 in ns need 61 of them)."""
    near, far = sorted((abs(int(edges[0])), abs(int(edges[-1]))))
    same_side = (int(edges[0]) < 0) == (int(edges[-1]) < 0)
    step = 1 << max(near.bit_length() - 53, 0) if same_side else 1
    return 0 if step > 1 and bool((edges % step).any()) else far // 2**52


def gcd_of_steps(edges: Ticks) -> int:
    """Greatest common divisor of all differences, in ticks; 0 where all are equal."""
    return int(np.gcd.reduce(edges - edges[0])) if len(edges) else 0


def search(runs: Sequence[Ticks], edges: Ticks, tick: Fraction) -> Fraction | None:
    """The coarsest period of at least two ticks that fits, found from short intervals outwards; None if there is none.

    Each interval D between edges is k periods to within a tick, which narrows the period to [(D - 1) / k, (D + 1) / k].
    The shortest gives a range for each k, and longer ones narrow each range wherever their own k is no longer in doubt,
    or rule it out. Of what is left, the simplest figure that passes the exact test over all edges counts: a simple rate
    in hertz, or a simple fraction of a tick.
    """
    steps = _spread_steps(runs)
    if not steps:
        return None
    ranges = _narrowed(steps)
    for low, high in ranges[:_MOST_RANGES]:
        for period in _simplest(low, high, tick):
            if fits(edges, period):
                return period
    return None


def _spread_steps(runs: Sequence[Ticks]) -> list[int]:
    """Distinct intervals within runs, ascending: neighbours, and from the first edge on; a bounded number."""
    parts = [part for run in runs if len(run) > 1 for part in (np.diff(run), run[1:] - run[0])]
    if not parts:
        return []
    steps = np.unique(np.concatenate(parts))
    steps = steps[steps > 0]
    if len(steps) > _MOST_STEPS:
        steps = steps[np.unique(np.geomspace(1, len(steps), _MOST_STEPS).astype(np.int64) - 1)]
    return [int(step) for step in steps]


def _narrowed(steps: Sequence[int]) -> list[tuple[Fraction, Fraction]]:
    """What intervals leave of the period, coarsest first: at most one range for each k of the shortest."""
    count = np.arange(1, min(int((steps[0] + 1) / _LEAST), _MOST_COUNTS) + 1)
    low, high = np.maximum((steps[0] - _TICK) / count, float(_LEAST)), (steps[0] + _TICK) / count
    for step in steps[1:]:
        least, most = np.ceil((step - _TICK) / high), np.floor((step + _TICK) / low)
        certain = most == least
        near = np.maximum(least, 1)
        low = np.where(certain, np.maximum(low, (step - _TICK) / near), low)
        high = np.where(certain, np.minimum(high, (step + _TICK) / near), high)
        alive = (most >= np.maximum(least, 1)) & (low <= high)
        low, high = low[alive], high[alive]
        if not len(low):
            return []
    return [(Fraction(one), Fraction(other)) for one, other in zip(low.tolist(), high.tolist(), strict=True)]


def _simplest(low: Fraction, high: Fraction, tick: Fraction) -> Iterator[Fraction]:
    """Periods in [low, high] worth trying, simplest rates in hertz and simplest fractions of a tick in turn."""
    if low == high:
        yield low
        return
    rates = _simple_fractions(1 / (high * tick), 1 / (low * tick))
    periods = _simple_fractions(low, high)
    for _ in range(_MOST_FRACTIONS):
        rate, period = next(rates, None), next(periods, None)
        if rate:
            yield 1 / (rate * tick)
        if period:
            yield period
        if rate is None and period is None:
            return


def _simple_fractions(low: Fraction, high: Fraction) -> Iterator[Fraction]:
    """Fractions in [low, high]: one each of whole thousands, hundreds, ... thousandths and so on, then the simplest."""
    scale = Fraction(10) ** 9
    while scale > Fraction(1, 10**9):
        first = -(-low // scale) * scale
        if first and first <= high:
            yield first
        scale /= 10
    yield simplest_between(low, high)


def simplest_between(low: Fraction, high: Fraction, *, ends: bool = True) -> Fraction:
    """The fraction of least denominator in [low, high], without `ends` in (low, high); 0 <= low < high, or, with
    `ends`, 0 < low <= high (Stern-Brocot tree)."""
    whole = math.ceil(low) if ends else math.floor(low) + 1
    if whole < high or (ends and whole == high):
        return Fraction(whole)
    base = whole - 1
    if low == base:
        return base + Fraction(1, math.floor(1 / (high - base)) + 1)
    return base + 1 / simplest_between(1 / (high - base), 1 / (low - base), ends=ends)
