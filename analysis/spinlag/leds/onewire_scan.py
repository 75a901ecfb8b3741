"""One pass over a one-wire line, slice by slice: its bits in stretches between long lows, and what they measured."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Progress, Ticks
from spinlag.leds.line import Line, without_glitches
from spinlag.leds.lost import Lost
from spinlag.leds.onewire_learn import Habits
from spinlag.leds.tally import Gathering, Grouping, bin_shift
from spinlag.paged import Column

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

NAMES = ("t0h", "t1h", "t0l", "t1l", "bit_period")
SLICE_EDGES = 1 << 17
MOST_SLICE_EDGES = 1 << 23
SAMPLED_AT_FIRST = 1024
SAMPLED_PER_SLICE = 16
"""Updates whose sums are kept for the uncertainty of the means: all at first, then some of each slice."""
EXACT_SLICES = 16
"""Where bins are wider than a tick: slices in which extremes and means of bins are sought to the tick; later ones
are held to the bins so found."""

MOST_KEPT = 1000
"""Glitches and pauses kept one by one; beyond it they are only counted."""


@dataclass
class Kept:
    """Happenings kept one by one up to MOST_KEPT, and how many there were."""

    at: list[int] = field(default_factory=list)
    ticks: list[int] = field(default_factory=list)
    count: int = 0

    def add(self, at: Ticks, ticks: Ticks) -> None:
        """Take in happenings in order of time: their instants and lengths."""
        room = MOST_KEPT - len(self.at)
        self.count += len(at)
        if room > 0:
            self.at += at[:room].tolist()
            self.ticks += ticks[:room].tolist()


@dataclass(frozen=True)
class SliceRecord:
    """Where a slice begins in the line's edges, and its outermost bins: shape (5, 2), lowest and highest by NAMES, -1
    for none; the highest is the number of bins where some interval was longer than the histogram."""

    begin: int
    outer: Ints


class _Bits(NamedTuple):
    """Bits with a high and a low each: rise, fall, both lengths (ticks) and which are 1; `rises` and `falls` may be
    longer."""

    rises: Ticks
    falls: Ticks
    high: Ticks
    low: Ticks
    ones: Bools


@dataclass(frozen=True, eq=False)
class Stretches:
    """Bits between long lows, n stretches. `data` holds each stretch's bits from a fresh byte on, the last one padded
    with zeros; `last_high` and `last_one` are those of its last bit."""

    start: Ticks
    last: Ticks
    bits: Ints
    last_high: Ticks
    last_one: Bools
    data: Bytes

    @property
    def offsets(self) -> Ints:
        """Where each stretch's bytes begin in `data`, and the end of the last; shape (n + 1,)."""
        return np.concatenate(([0], np.cumsum((self.bits + 7) // 8))).astype(np.int64)


class Scan:
    """State of one pass. After `run`: the stretches, the distributions, the glitches and pauses met, and the slices."""

    def __init__(self, line: Line, habits: Habits) -> None:
        self.line = line
        self.habits = habits
        self.lost = Lost(line.channel)
        cap = max(int(4 * habits.period), 8)
        self.shift = bin_shift(cap)
        self.bins = (cap >> self.shift) + 1
        self.limit = min(cap, habits.end)
        # both sides of the threshold in bins of their own, so that one histogram of the highs serves 0 and 1
        self.threshold = (((habits.threshold >> self.shift) + 1) << self.shift) - 1
        kinds = (np.int64, np.int64, np.int64, np.int64, np.bool_, np.uint8)
        self.columns = tuple(Column(kind) for kind in kinds)
        self.gathered = {name: Gathering.of(cap) for name in NAMES}
        self.gathered["bit_period"].chained = True
        self.slices: list[SliceRecord] = []
        self.glitches = Kept()
        self.pauses = Kept()
        self.joined = Kept()
        self.groups: list[Ints] = []
        self.sampled = 0
        self._all_sampled = True

    def run(self, progress: Progress | None) -> None:
        """Go through the whole line."""
        line, edges = self.line, self.line.edges
        total = len(edges)
        at, size = line.first, SLICE_EDGES
        while at + 1 < total:
            raw = np.asarray(edges[at : at + size], dtype=np.int64)
            final = at + size >= total
            clean, kept, runs = without_glitches(raw, self.habits.glitch)
            if final and len(clean) < 2:
                self._note_glitches(raw, runs, len(raw))
                break
            pulses = self._take(at, clean, final, force=size >= MOST_SLICE_EDGES)
            if pulses == 0 and not final:
                size = min(size * 4, MOST_SLICE_EDGES)
                continue
            used = 2 * pulses if not final else len(clean)
            stop = len(raw) if final or used >= len(clean) else used if kept is None else int(kept[used])
            self._note_glitches(raw, runs, stop)
            at += stop
            size = SLICE_EDGES
            if progress is not None:
                progress(min(at, total), total)

    def _note_glitches(self, raw: Ticks, runs: Ints, stop: int) -> None:
        inside = runs[runs < stop]
        unseen = self.lost.among(raw[inside], raw[inside + 1]) if inside.size else None
        if unseen is not None:
            inside = inside[~unseen]
        if inside.size:
            self.glitches.add(raw[inside], raw[inside + 1] - raw[inside])

    def _take(self, begin: int, edges: Ticks, final: bool, force: bool) -> int:
        """Decode a slice up to its last long low (all of it where it is the last); returns the pulses used."""
        rises, falls = edges[0::2], edges[1::2]
        low = rises[1:] - falls[: len(rises) - 1]
        ends = np.flatnonzero(low >= self.habits.end)
        pulses = len(falls)
        if not final:
            if ends.size:
                pulses = int(ends[-1]) + 1
            elif not force:
                return 0
            low = low[:pulses]
        if not ends.size or ends[-1] != pulses - 1:
            ends = np.append(ends, pulses - 1)
        high = falls[:pulses] - rises[:pulses]
        ones = high > self.threshold
        firsts = np.concatenate(([0], ends[:-1] + 1))
        bits = ends - firsts + 1
        found: list[NDArray[Any]] = [rises[firsts], falls[ends], bits, high[ends], ones[ends], packed(ones, bits)]
        for column, values in zip(self.columns, found, strict=True):
            column.append(values)
        self._sample(rises, high, low, ones, firsts, ends)
        n = len(low)
        seen = self._seen(rises, falls, high, low, ends)
        if seen is None:
            self._gather(begin, rises, high, _Bits(rises, falls, high[:n], low, ones[:n]))
        else:
            highs, both = seen
            whole = _Bits(rises[both], falls[both], high[both], low[both], ones[both])
            self._gather(begin, rises[highs], high[highs], whole)
        return pulses

    def _seen(self, rises: Ticks, falls: Ticks, high: Ticks, low: Ticks, ends: Ints) -> tuple[Ints, Ints] | None:
        """Indices of the pulses whose highs were seen whole, and of those whose highs and lows were; None for all. The
        updates of the others are no longer among those whose sums were kept."""
        pulses, n = len(high), len(low)
        highs = self.lost.among(rises[:pulses], falls[:pulses])
        lows = self.lost.among(falls[:n], rises[1 : n + 1])
        if highs is None and lows is None:
            return None
        either = np.zeros(pulses, dtype=bool) if highs is None else highs.copy()
        unseen = int(either.sum())
        if lows is not None:
            either[:n] |= lows
            # a low that ends an update is no bit time; it is counted where it would have been used
            unseen += int((lows & (low < self.habits.end)).sum())
        self.lost.count += unseen
        updates = np.unique(np.searchsorted(ends, np.flatnonzero(either)))
        for gathering in self.gathered.values():
            sums, sizes = gathering.clusters[-1]
            own = updates[updates < len(sums)]
            sums[own], sizes[own] = 0, 0
        kept = np.arange(pulses) if highs is None else np.flatnonzero(~highs)
        return kept, np.flatnonzero(~either[:n])

    def _gather(self, begin: int, all_rises: Ticks, all_high: Ticks, bits: _Bits) -> None:
        outer = np.full((len(NAMES), 2), -1, dtype=np.int64)
        if len(all_high):
            self._add_highs(all_rises, all_high, outer)
        rises, falls, high, low, ones = bits
        if len(low):
            odd = np.flatnonzero(low >= self.limit)
            self._add_lows(falls, low, ones, odd, outer)
            period = high + low
            self._add_periods(rises, period, odd, outer)
            pause = odd[low[odd] < self.habits.end] if odd.size else odd
            if pause.size:
                self._add_pauses(rises, falls, low, period, ones, pause, outer)
        self.slices.append(SliceRecord(begin, outer))

    @property
    def _exact(self) -> bool:
        return len(self.slices) < EXACT_SLICES

    def _histogram(self, bins: Ints, intervals: Ticks, size: int) -> tuple[Ints, Floats | None]:
        """Counts and, where bins are wider than a tick, sums."""
        counts: Ints = np.bincount(bins, minlength=size).astype(np.int64, copy=False)
        if not (self.shift and self._exact):
            return counts, None
        sums: Floats = np.bincount(bins, weights=intervals, minlength=size).astype(np.float64, copy=False)
        return counts, sums

    def _add_highs(self, rises: Ticks, high: Ticks, outer: Ints) -> None:
        bins = high >> self.shift if self.shift else high
        if int(bins.max()) >= self.bins:
            long = np.flatnonzero(bins >= self.bins)
            self.gathered["t1h"].add_longer(high[long], rises[long])
            bins = np.minimum(bins, self.bins)
        counts, sums = self._histogram(bins, high, self.bins + 1)
        split = (self.threshold >> self.shift) + 1

        def find(which: int) -> tuple[Ticks, Ticks]:
            at = np.flatnonzero(bins == which)
            return high[at], rises[at]

        for row, name, own in ((0, "t0h", slice(0, split)), (1, "t1h", slice(split, self.bins))):
            found, total = _only(counts[: self.bins], own), None if sums is None else _only(sums[: self.bins], own)
            self.gathered[name].add_binned(found, total)
            outer[row] = self.gathered[name].widen(found, find, exact=self._exact)
        if counts[self.bins :].any():
            outer[1, 1] = self.bins

    def _add_lows(self, falls: Ticks, low: Ticks, ones: Bools, odd: Ints, outer: Ints) -> None:
        size = self.bins + 1
        both = ones * np.int64(size)
        both += low >> self.shift if self.shift else low
        both[odd] = self.bins
        counts, sums = self._histogram(both, low, 2 * size)
        for row, name, begin in ((2, "t0l", 0), (3, "t1l", size)):
            own = slice(begin, begin + self.bins)
            self.gathered[name].add_binned(counts[own], None if sums is None else sums[own])

            def find(which: int, begin: int = begin) -> tuple[Ticks, Ticks]:
                at = np.flatnonzero(both == begin + which)
                return low[at], falls[at]

            outer[row] = self.gathered[name].widen(counts[own], find, exact=self._exact)

    def _add_periods(self, rises: Ticks, period: Ticks, odd: Ints, outer: Ints) -> None:
        bins = np.minimum(period >> self.shift if self.shift else period, self.bins)
        bins[odd] = self.bins
        counts, sums = self._histogram(bins, period, self.bins + 1)

        def find(which: int) -> tuple[Ticks, Ticks]:
            at = np.flatnonzero(bins == which)
            return period[at], rises[at]

        gathering = self.gathered["bit_period"]
        gathering.add_binned(counts[: self.bins], None if sums is None else sums[: self.bins])
        outer[4] = gathering.widen(counts[: self.bins], find, exact=self._exact)
        if counts[self.bins] > odd.size:
            over = np.setdiff1d(np.flatnonzero(bins == self.bins), odd)
            gathering.add_longer(period[over], rises[over])

    def _add_pauses(
        self, rises: Ticks, falls: Ticks, low: Ticks, period: Ticks, ones: Bools, pause: Ints, outer: Ints
    ) -> None:
        after_one = ones[pause]
        for row, name, which in ((2, "t0l", pause[~after_one]), (3, "t1l", pause[after_one])):
            self.gathered[name].add_longer(low[which], falls[which])
            outer[row, 1] = self.bins if which.size else outer[row, 1]
        self.gathered["bit_period"].add_longer(period[pause], rises[pause])
        long = pause[low[pause] >= self.habits.pause]
        if long.size:
            self.pauses.add(falls[long], low[long])

    def _sample(self, rises: Ticks, high: Ticks, low: Ticks, ones: Bools, firsts: Ints, ends: Ints) -> None:
        """Sums over a slice's first updates, for the uncertainty of the means."""
        n = min(len(ends), max(SAMPLED_AT_FIRST - self.sampled, SAMPLED_PER_SLICE))
        stop = int(ends[n - 1]) + 1
        firsts, ends = firsts[:n], ends[:n]
        one = ones[:stop].astype(np.int64)
        high = high[:stop]
        inner = np.zeros(stop, dtype=np.int64)
        inner[: min(stop, len(low))] = low[:stop]
        inner[ends] = 0
        n_one = np.add.reduceat(one, firsts)
        n_all = ends - firsts + 1
        high_one, high_all = np.add.reduceat(high * one, firsts), np.add.reduceat(high, firsts)
        low_one, low_all = np.add.reduceat(inner * one, firsts), np.add.reduceat(inner, firsts)
        last_one = one[ends]
        found = {
            "t0h": (high_all - high_one, n_all - n_one),
            "t1h": (high_one, n_one),
            "t0l": (low_all - low_one, n_all - n_one - (1 - last_one)),
            "t1l": (low_one, n_one - last_one),
            "bit_period": (
                rises[ends] - rises[firsts],
                np.stack((n_all - n_one - (1 - last_one), n_one - last_one), 1),
            ),
        }
        for name, (sums, sizes) in found.items():
            self.gathered[name].clusters.append((sums.astype(np.float64), sizes))
        group = int(self.groups[-1][-1]) + (0 if self._all_sampled else 1) if self.groups else 0
        self._all_sampled = n == len(ends)
        self.groups.append(np.full(n, group, dtype=np.int64))
        self.sampled += n

    def stretches(self) -> Stretches:
        """All stretches, in order. Hands over what was gathered, column by column, so that little is held twice."""
        return Stretches(*(column.join() for column in self.columns))

    def grouping(self, updates: int) -> Grouping:
        """How the sampled updates stand in time, out of so many."""
        groups = np.concatenate(self.groups) if self.groups else np.empty(0, dtype=np.int64)
        return Grouping(groups, updates)

    def take_back(self, stretches: Stretches, pauses: Ints) -> None:
        """Count the lows after these stretches as bit lows: they turned out to lie inside an update."""
        if not pauses.size:
            return
        begin, after = stretches.last[pauses], stretches.start[pauses + 1]
        unseen = self.lost.among(begin - stretches.last_high[pauses], after)
        if unseen is not None:
            self.lost.count += int(unseen.sum())
            begin, after, pauses = begin[~unseen], after[~unseen], pauses[~unseen]
        low = after - begin
        one, high = stretches.last_one[pauses], stretches.last_high[pauses]
        self.gathered["t0l"].add_longer(low[~one], begin[~one])
        self.gathered["t1l"].add_longer(low[one], begin[one])
        self.gathered["bit_period"].add_longer(low + high, begin - high)
        long = low >= self.habits.pause
        self.joined.add(begin[long], low[long])

    def read(self, index: int) -> Ticks:
        """The edges of one slice again, without glitches, and the rise after it where there is one."""
        begin = self.slices[index].begin
        end = self.slices[index + 1].begin if index + 1 < len(self.slices) else len(self.line.edges)
        raw = np.asarray(self.line.edges[begin : end + 1], dtype=np.int64)
        return without_glitches(raw, self.habits.glitch)[0]


def _only(values: NDArray[Any], own: slice) -> NDArray[Any]:
    """The values of a slice in their places, zeros elsewhere."""
    kept = np.zeros_like(values)
    kept[own] = values[own]
    return kept


def packed(ones: Bools, bits: Ints) -> Bytes:
    """Bits of each stretch from a fresh byte on, most significant bit first, the last byte padded with zeros."""
    rest = bits & 7
    if not rest.any():
        return np.packbits(ones)
    padding = (8 - rest) & 7
    before = np.cumsum(padding) - padding
    padded = np.zeros(int(bits.sum() + padding.sum()), dtype=bool)
    padded[np.arange(len(ones)) + np.repeat(before, bits)] = ones
    return np.packbits(padded)
