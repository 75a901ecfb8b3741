"""How often the recorder looked: the lattice that its edges lie on, and what the file or the rig claims.

A recorder that samples every P seconds and writes rounded ticks leaves every edge within half a tick of a whole
multiple of P from a common origin, so that all edges modulo P lie in a window one tick wide. The coarsest such P is
what the edges have to say, provided that chance or round numbers cannot explain the fit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from spinlag.capture import Capture, Edges, SamplePeriod, Ticks
from spinlag.lattice import fits, gcd_of_steps, search

USUAL_MHZ = "1 2 4 5 8 10 12 12.5 16 20 24 25 32 40 48 50 62.5 64 80 96 100 125 160 192 200 250 400 500 1000 2000"
"""Sample rates that recorders offer, MHz; a thousandth of each too. Common practice, no source."""

EDGES_PER_RUN = 1024
RUNS = 3
MOST_EDGES = 32_768
"""Edges looked at in all, in runs from the start, the middle and the end of each line."""

EVIDENCE_BITS = 16
"""A lattice counts when the chance of so good a fit is below 2^-16; about 60 rates are tried, which leaves 10^-3."""

ROUND_FIGURES = 1000
"""Durations of fewer than so many periods may have been chosen by a person who likes round numbers."""

_LEAST_TICKS = 2
"""A lattice finer than this is hidden by the rounding to ticks."""


@dataclass(frozen=True)
class ClaimedRate:
    """A sample rate in Hz that somebody (`by`: the rig, the file's header) states."""

    hz: Fraction
    by: str


def detect_sample_period(
    lines: Sequence[Edges], tick: Fraction, claimed: ClaimedRate | None = None
) -> tuple[SamplePeriod, tuple[str, ...]]:
    """The sample period in ticks, where it comes from, and warnings where a claim and the edges disagree.

    `lines` are the edges of every channel, `tick` is in seconds. Without a claim the source is `lattice`, or
    `timescale` (one tick) where the edges are too few or too regular to tell. A claim that the edges bear out gives
    `given`; one that they contradict is never followed silently: the coarser of the two periods is used.
    """
    runs = edge_runs(lines)
    found = lattice_period(runs, tick)
    if claimed is None:
        return (SamplePeriod(Fraction(1), "timescale") if found is None else SamplePeriod(found, "lattice")), ()
    period = 1 / (claimed.hz * tick)
    if period < 1:
        return SamplePeriod(Fraction(1), "timescale"), ()
    said = f"{claimed.by} gives a sample rate of {_rate(period, tick)}"
    edges = _merged(runs)
    if not fits(edges, period):
        if found is None:
            warning = f"{said}, but the edges do not lie on multiples of that; they show no other rate, so it is used"
            return SamplePeriod(period, "given"), (warning,)
        return _coarser(found, period, f"{said}, but the edges lie on multiples of {_interval(found, tick)}", tick)
    if found is not None and found >= period * 3 / 2:
        return _coarser(found, period, f"{said}, but all edges lie on a lattice of {_interval(found, tick)}", tick)
    return SamplePeriod(period, "given"), ()


def resolution_ticks(capture: Capture) -> float:
    """The step in ticks that no edge shows to be finer, at least the sample period.

    Times that were rounded for export lie on a lattice that too few edges may prove; what stands within it is no
    departure all the same.
    """
    edges = _merged(edge_runs([channel.edges for channel in capture.channels]))
    return max(float(capture.sample_period.ticks), float(gcd_of_steps(edges)))


def edge_runs(lines: Sequence[Edges]) -> list[Ticks]:
    """Runs of neighbouring edges of each line, a bounded number in all."""
    active = [edges for edges in lines if len(edges)]
    length = max(8, min(EDGES_PER_RUN, MOST_EDGES // (RUNS * max(len(active), 1))))
    runs: list[Ticks] = []
    for edges in active[: MOST_EDGES // (RUNS * 8)]:
        starts = {0, max(0, (len(edges) - length) // 2), max(0, len(edges) - length)}
        runs += [np.asarray(edges[start : start + length], dtype=np.int64) for start in sorted(starts)]
    return runs


def lattice_period(runs: Sequence[Ticks], tick: Fraction) -> Fraction | None:
    """The coarsest period in ticks that the edges bear out, None where they cannot tell."""
    edges = _merged(runs)
    if len(edges) < 3:
        return None
    steps = np.concatenate([np.diff(run) for run in runs])
    if not len(steps):
        return None
    period = _usual(edges, int(steps.min()), tick)
    if period is None:
        whole = gcd_of_steps(edges)
        period = Fraction(whole) if whole >= _LEAST_TICKS else search(runs, edges, tick)
    if period is None or period < _LEAST_TICKS:
        return None
    period *= _common_multiple(edges, period)
    return period if evidence_bits(steps, period) >= EVIDENCE_BITS else None


def evidence_bits(steps: Ticks, period: Fraction) -> float:
    """How unlikely it is that intervals between edges fit a lattice of `period` ticks by chance, in bits.

    If the line had been looked at every tick, an unrelated interval would come within a tick of a multiple of the
    period with the chance 2 / period; one that was met n times, within 1/n of that, as what it lacks adds up. Distinct
    intervals, counted in periods, pass for unrelated. A period of whole ticks has a rival, though: a person or a
    simulation that likes round figures, and never strays from them. There intervals that are short or round, counted
    in periods, bear one bit each, as against a recorder twice as fast, and repeats bear nothing.
    """
    counts, times = np.unique(np.rint(steps / float(period)).astype(np.int64), return_counts=True)
    times, counts = times[counts > 0], counts[counts > 0]
    each = max(0.0, math.log2(float(period) / 2))
    if period.denominator != 1:
        return len(counts) * each + float(np.log2(times).sum())
    round_figures = (counts < ROUND_FIGURES) | (counts % 10 == 0)
    few = int(round_figures.sum())
    return few * min(1.0, math.log2(float(period))) + (len(counts) - few) * max(each, 1.0)


def _usual(edges: Ticks, shortest_step: int, tick: Fraction) -> Fraction | None:
    """The slowest of the usual rates that fits, as a period in ticks."""
    rates = sorted(Fraction(rate) * scale for rate in USUAL_MHZ.split() for scale in (1000, 1_000_000))
    few = edges[:: max(1, len(edges) // 64)]
    for rate in rates:
        period = 1 / (rate * tick)
        if period < _LEAST_TICKS:
            return None
        if period <= shortest_step + 1 and fits(few, period) and fits(edges, period):
            return period
    return None


def _common_multiple(edges: Ticks, period: Fraction) -> int:
    """The greatest m for which all edges lie on a lattice m times as coarse."""
    ahead = edges - edges[0]
    count = np.rint(ahead / float(period)).astype(np.int64)
    multiple = int(np.gcd.reduce(count)) if len(count) else 1
    return multiple if multiple > 1 and fits(edges, period * multiple) else 1


def _merged(runs: Sequence[Ticks]) -> Ticks:
    return np.unique(np.concatenate(runs)) if runs else np.empty(0, dtype=np.int64)


def _coarser(found: Fraction, claimed: Fraction, said: str, tick: Fraction) -> tuple[SamplePeriod, tuple[str, ...]]:
    if found >= claimed:
        return SamplePeriod(found, "lattice"), (f"{said} ({_rate(found, tick)}); the slower rate is used",)
    return SamplePeriod(claimed, "given"), (f"{said} ({_rate(found, tick)}); the slower rate is used",)


def _rate(period: Fraction, tick: Fraction) -> str:
    hz = float(1 / (period * tick))
    return f"{hz / 1e6:.6g} MHz" if hz >= 1e5 else f"{hz / 1e3:.6g} kHz"


def _interval(period: Fraction, tick: Fraction) -> str:
    return f"{float(period * tick) * 1e9:.6g} ns"
