"""Distributions of intervals, gathered slice by slice, and the uncertainty of their means."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks
from spinlag.leds.updates import Tally
from spinlag.summary import summarise_counts
from spinlag.uncertainty import PPM, combined_uncertainty, mean_interval_uncertainty, triangular_half_width

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

MOST_BINS = 1 << 14
NORMAL_95 = 1.959963984540054
"""Two-sided 95 % quantile of the normal distribution."""


@dataclass(frozen=True)
class Clock:
    """What turns ticks into seconds and says how far to trust them."""

    tick: Fraction
    sample_ticks: Fraction
    clock_ppm: float

    @property
    def tick_s(self) -> float:
        """Seconds per tick."""
        return float(self.tick)

    @property
    def sample_s(self) -> float:
        """Sample period T_s in seconds."""
        return float(self.tick * self.sample_ticks)

    @property
    def slack_ticks(self) -> float:
        """Largest error of one interval in ticks: a sample, and a tick of rounding where samples fall between ticks."""
        return float(self.sample_ticks) + (1.0 if self.sample_ticks.denominator != 1 else 0.0)

    def samples(self, ticks: float) -> int:
        """The nearest whole number of samples in an interval."""
        return round(ticks / float(self.sample_ticks))


def bin_shift(longest: float) -> int:
    """How many low bits to drop so that intervals up to `longest` ticks fill at most MOST_BINS bins."""
    return max(0, math.ceil(math.log2(max(longest, 1.0) / MOST_BINS)))


@dataclass
class Extremes:
    """Shortest and longest interval of a set, each with the instant (ticks) at which it was first seen."""

    shortest: int
    shortest_at: int
    longest: int
    longest_at: int


@dataclass
class Gathering:
    """A distribution in the making: a dense histogram of intervals of fewer than `len(counts)` bins of 2^shift ticks,
    single counts of longer ones, extremes, and sums per cluster (update) for the uncertainty of the mean.

    A cluster is its sum in ticks and its number of intervals, shape (m,), or (m, 2) where it mixes two kinds whose
    share varies (bit periods of 0 and of 1). `chained` intervals follow one another, so a cluster's sum is itself one
    interval. Where shift > 0, `sums` holds the sum of `summed` intervals of each bin: where in it a length really lies.
    """

    shift: int
    counts: Ints
    sums: Floats
    summed: Ints
    longer: dict[int, int] = field(default_factory=dict)
    extremes: Extremes | None = None
    clusters: list[tuple[Floats, Ints]] = field(default_factory=list)
    chained: bool = False

    @classmethod
    def of(cls, longest: float) -> Gathering:
        """An empty one, for intervals up to `longest` ticks in its dense part."""
        shift = bin_shift(longest)
        return cls.sized(shift, (int(longest) >> shift) + 1)

    @classmethod
    def sized(cls, shift: int, bins: int) -> Gathering:
        """An empty one with so many bins of 2^shift ticks."""
        wide = bins if shift else 0
        return cls(shift, np.zeros(bins, dtype=np.int64), np.zeros(wide), np.zeros(wide, dtype=np.int64))

    def add_binned(self, counts: Ints, sums: Floats | None) -> None:
        """Take in a histogram of bins from 0 on, and where shift > 0 the sums of its intervals, if they are at hand."""
        self.counts += counts
        if sums is not None:
            self.sums += sums
            self.summed += counts

    def add_longer(self, intervals: Ticks, at: Ticks) -> None:
        """Take in intervals one by one, of any length (they are few), with the instants at which they begin."""
        if not len(intervals):
            return
        values, counts = np.unique(intervals, return_counts=True)
        for value, count in zip(values.tolist(), counts.tolist(), strict=True):
            self.longer[value] = self.longer.get(value, 0) + count
        self.extremes = merge_extremes(self.extremes, extremes_of(intervals, at))

    def widen(self, counts: Ints, find: Callable[[int], tuple[Ticks, Ticks]], *, exact: bool) -> tuple[int, int]:
        """Let a histogram's outer bins widen the extremes; `find(bin)` gives the intervals of a bin and their instants.

        Bins are looked into only where they lie outside the extremes so far, or (`exact`) hold one of them. Returns the
        outer bins, (-1, -1) for none.
        """
        used = np.flatnonzero(counts)
        if not used.size:
            return -1, -1
        low, high = int(used[0]), int(used[-1])
        known = self.extremes
        outside = 0 if exact and self.shift else 1
        if known is None or low <= (known.shortest >> self.shift) - outside:
            self.extremes = merge_extremes(self.extremes, extremes_of(*find(low)))
        if known is None or high >= (known.longest >> self.shift) + outside:
            self.extremes = merge_extremes(self.extremes, extremes_of(*find(high)))
        return low, high

    def lengths(self) -> tuple[Floats, Ints]:
        """Typical length in ticks of each bin in use, ascending, and its count."""
        used = np.flatnonzero(self.counts)
        counts = self.counts[used]
        lengths = used.astype(np.float64)
        if self.shift:
            lengths = (lengths + 0.5) * (1 << self.shift)
            known = self.summed[used] > 0
            lengths[known] = self.sums[used[known]] / self.summed[used[known]]
        if self.longer:
            more = np.array(sorted(self.longer.items()), dtype=np.int64).reshape(-1, 2)
            lengths = np.concatenate((lengths, more[:, 0].astype(np.float64)))
            counts = np.concatenate((counts, more[:, 1]))
            order = np.argsort(lengths, kind="stable")
            lengths, counts = lengths[order], counts[order]
        return lengths, counts

    def n(self) -> int:
        """Number of intervals taken in."""
        return int(self.counts.sum()) + sum(self.longer.values())


@dataclass(frozen=True)
class Grouping:
    """How the sampled clusters stand in time: `groups` numbers runs of consecutive ones; `total` clusters there are."""

    groups: Ints
    total: int


def finish(gathering: Gathering, clock: Clock, grouping: Grouping | None) -> Tally | None:
    """The finished distribution, None for an empty one. With no grouping the intervals count as independent."""
    lengths, counts = gathering.lengths()
    extremes = gathering.extremes
    if extremes is None:
        return None
    n = int(counts.sum())
    mean_s = float(np.dot(lengths, counts) / n) * clock.tick_s if n else 0.0
    uncertainty = (
        _independent(extremes, clock, n, mean_s)
        if grouping is None
        else clustered_uncertainty(gathering, grouping, extremes, clock, mean_s)
    )
    statistics = replace(
        summarise_counts(lengths * clock.tick_s, counts, uncertainty),
        min=extremes.shortest * clock.tick_s,
        max=extremes.longest * clock.tick_s,
    )
    return Tally(
        lengths=np.rint(lengths).astype(np.int64),
        counts=counts,
        bin_ticks=1 << gathering.shift,
        shortest=extremes.shortest,
        shortest_at=extremes.shortest_at,
        longest=extremes.longest,
        longest_at=extremes.longest_at,
        statistics=statistics,
    )


def tally_of(intervals: Ticks, at: Ticks, clock: Clock) -> Tally | None:
    """Distribution of a few independent intervals (ticks) that begin at `at`; None for none."""
    if not intervals.size:
        return None
    gathering = Gathering.of(0)
    gathering.add_longer(intervals, at)
    return finish(gathering, clock, None)


def extremes_of(intervals: Ticks, at: Ticks) -> Extremes:
    """Extremes of intervals (at least one) and where they were first seen."""
    low, high = int(np.argmin(intervals)), int(np.argmax(intervals))
    return Extremes(int(intervals[low]), int(at[low]), int(intervals[high]), int(at[high]))


def _locked(extremes: Extremes, clock: Clock) -> bool:
    """True where every interval is the same whole number of samples: no dither is seen, so averaging proves nothing."""
    return clock.samples(extremes.shortest) == clock.samples(extremes.longest)


def _independent(extremes: Extremes, clock: Clock, n: int, mean_s: float) -> float | None:
    locked = _locked(extremes, clock)
    return mean_interval_uncertainty(clock.sample_s, n, clock_ppm=clock.clock_ppm, mean_s=mean_s, locked=locked)


def clustered_uncertainty(
    gathering: Gathering, grouping: Grouping, extremes: Extremes, clock: Clock, mean_s: float
) -> float:
    """Expanded uncertainty (95 %) of the mean of intervals that come in updates, seconds.

    Bits of one update share the recorder's phase: at 24 MHz a bit of 1.25 us is 30.000 samples, so each update repeats
    one and the same error and only the updates are independent. The standard error is that of a ratio estimate over
    clusters (W. G. Cochran, Sampling Techniques, 3rd ed., 1977, 9A.1), with Student's quantile, widened where
    neighbouring updates resemble each other. It is at most what sampling can do at all: half a sample per independent
    update, and the triangular half-width of a single interval, which is kept where nothing ever varies. The recorder
    clock's tolerance comes on top and never averages out (JCGM 100).
    """
    rectangle = mean_s * clock.clock_ppm * PPM
    single = clock.sample_s
    if not gathering.clusters:
        return _full(single, rectangle)
    sums, kinds = (np.concatenate([cluster[i] for cluster in gathering.clusters]) for i in (0, 1))
    kinds = kinds.reshape(len(sums), -1).astype(np.float64)
    used = kinds.sum(axis=1) > 0
    sums, kinds, groups = sums[used], kinds[used], grouping.groups[used]
    sizes = kinds.sum(axis=1)
    n = len(sizes)
    if n and gathering.chained:
        single /= float(sizes.mean())
    if n < 2 or _locked(extremes, clock):
        return _full(single, rectangle)
    excess = _excess(sums, sizes, kinds)
    freedom = n - kinds.shape[1]
    spread = math.sqrt(float(np.dot(excess, excess)) * n / max(freedom, 1)) / float(sizes.sum()) * clock.tick_s
    if freedom < 1 or spread < 1e-6 * single or _repeats(excess, groups):
        return _full(single, rectangle)
    equal = float(sizes.sum()) ** 2 / float(np.dot(sizes, sizes)) / n
    independent = max(grouping.total, n) / _likeness(excess, groups)
    half = _student_95(freedom) * spread * math.sqrt(n / independent)
    most = NORMAL_95 * 0.5 * single / math.sqrt(independent * equal)
    return min(_full(single, rectangle), _with_clock(min(half, most) / NORMAL_95, rectangle))


def _full(single_s: float, rectangle_s: float) -> float:
    """Half-width of a triangular error of one interval and the clock's rectangular one, seconds."""
    if rectangle_s < 0.01 * single_s:
        # the sum is right to within 1 % there, on the safe side, and spares a numerical integral
        return triangular_half_width(single_s) + rectangle_s
    whole = mean_interval_uncertainty(single_s, 1, clock_ppm=rectangle_s / PPM, mean_s=1.0, locked=True)
    return whole if whole is not None else single_s


def _with_clock(normal_s: float, rectangle_s: float) -> float:
    """Half-width of a normal error of that standard deviation and the clock's rectangular one, seconds."""
    if rectangle_s < 0.3 * normal_s:
        # as good as normal there: the rectangle lowers the fourth moment by less than 0.1 %
        return NORMAL_95 * math.hypot(normal_s, rectangle_s / math.sqrt(3))
    return combined_uncertainty(normal_s, rectangle_s)


def _excess(sums: Floats, sizes: Floats, kinds: Floats) -> Floats:
    """What each cluster's sum has above its share; where it mixes kinds of intervals, each kind has its own mean."""
    alone = kinds.shape[1] == 1
    means = np.array([sums.sum() / sizes.sum()]) if alone else np.linalg.lstsq(kinds, sums, rcond=None)[0]
    excess: Floats = sums - kinds @ means
    return excess


def _student_95(freedom: int) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(freedom, 0.975))


def _likeness(excess: Floats, groups: Ints) -> float:
    """By what factor resemblance of neighbours cuts the number of independent clusters: (1 + r) / (1 - r), at least 1.

    r is the correlation of neighbouring clusters, taken only where it stands out of chance (2 / sqrt(n)).
    """
    r = _correlation(excess, groups, 1)
    if r is None or r <= 2 / math.sqrt(len(excess)):
        return 1.0
    r = min(r, 1 - 1e-9)
    return (1 + r) / (1 - r)


def _repeats(excess: Floats, groups: Ints) -> bool:
    """True where the clusters repeat a short pattern: then the recorder meets only a few phases, again and again."""
    most = min(len(excess) // 3, 64)
    for lag in range(1, most + 1):
        r = _correlation(excess, groups, lag)
        if r is not None and r >= 0.98:
            return True
    return False


def _correlation(excess: Floats, groups: Ints, lag: int) -> float | None:
    """Correlation of clusters `lag` apart within a run; None for fewer than 8 pairs."""
    same = groups[lag:] == groups[:-lag]
    a, b = excess[:-lag][same], excess[lag:][same]
    if a.size < 8:
        return None
    norm = math.sqrt(float(np.dot(a, a)) * float(np.dot(b, b)))
    return float(np.dot(a, b)) / norm if norm > 0 else None


def merge_extremes(first: Extremes | None, second: Extremes | None) -> Extremes | None:
    """Extremes of two sets, the first one earlier."""
    if first is None or second is None:
        return first or second
    low = first if first.shortest <= second.shortest else second
    high = first if first.longest >= second.longest else second
    return Extremes(low.shortest, low.shortest_at, high.longest, high.longest_at)
