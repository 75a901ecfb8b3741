"""Whole numbers on a lattice of a fractional period: an exact test, and a search for the period."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction

import numpy as np

from spinlag.capture import Ticks

_MOST_STEPS = 256
_MOST_NODES = 20_000
_MOST_FRACTIONS = 24
_LEAST = Fraction(2)


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
    return turn - widest <= window + unit * max(abs(int(edges[0])), abs(int(edges[-1]))) // 2**52


def gcd_of_steps(edges: Ticks) -> int:
    """Greatest common divisor of all differences, in ticks; 0 where all are equal."""
    return int(np.gcd.reduce(edges - edges[0])) if len(edges) else 0


def search(runs: Sequence[Ticks], edges: Ticks, tick: Fraction) -> Fraction | None:
    """The coarsest period of at least two ticks that fits, found from short intervals outwards; None if there is none.

    Each interval D between edges is k periods to within a tick, which narrows the period to [(D - 1) / k, (D + 1) / k];
    a longer interval narrows it further wherever its k is no longer in doubt. Of what is left, the simplest figure that
    passes the exact test over all edges counts: a simple rate in hertz, or a simple fraction of a tick.
    """
    steps = _spread_steps(runs)
    if not steps:
        return None
    budget = [_MOST_NODES]
    first = steps[0]
    for count in range(1, int((first + 1) / _LEAST) + 1):
        low, high = Fraction(first - 1, count), Fraction(first + 1, count)
        for narrow in _narrowed(max(low, _LEAST), high, steps[1:], budget):
            for period in _simplest(*narrow, tick):
                if fits(edges, period):
                    return period
        if budget[0] <= 0:
            return None
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


def _narrowed(
    low: Fraction, high: Fraction, steps: Sequence[int], budget: list[int]
) -> Iterator[tuple[Fraction, Fraction]]:
    """What the intervals leave of [low, high]; none or one range, as intervals in doubt are passed over."""
    for step in steps:
        budget[0] -= 1
        if high < low or budget[0] <= 0:
            return
        least = -(-(step - 1) // high) if step > 1 else 0
        most = (step + 1) // low
        if most < least or most < 1:
            return
        if most == least:
            low, high = max(low, Fraction(step - 1, least)), min(high, Fraction(step + 1, least))
    if low <= high:
        yield low, high


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
    yield _simplest_between(low, high)


def _simplest_between(low: Fraction, high: Fraction) -> Fraction:
    """The fraction of least denominator in [low, high], 0 < low <= high (Stern-Brocot tree)."""
    whole = -(-low.numerator // low.denominator)
    if whole <= high:
        return Fraction(whole)
    floor = low.numerator // low.denominator
    return floor + 1 / _simplest_between(1 / (high - floor), 1 / (low - floor))
