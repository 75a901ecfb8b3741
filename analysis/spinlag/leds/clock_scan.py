"""One pass over a clock and its data: the bit at every sampling edge, and how clock and data stood to each other."""

from __future__ import annotations

from abc import abstractmethod
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Channel, Progress, Ticks
from spinlag.leds.clock_learn import ClockHabits, level_before
from spinlag.leds.line import Line, without_glitches
from spinlag.leds.lost import Lost
from spinlag.leds.onewire_scan import EXACT_SLICES, SAMPLED_AT_FIRST, SAMPLED_PER_SLICE, Kept
from spinlag.leds.tally import Gathering, Grouping, bin_shift

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]

Side = Literal["left", "right"]

CLOCK_NAMES = ("clock_high", "clock_low", "clock_period", "data_setup", "data_hold")
SLICE_EDGES = 1 << 17
MOST_SLICE_EDGES = 1 << 23


class ClockScan:
    """State of one pass. Subclasses say where updates end (`ends`) and take their bits (`take`)."""

    def __init__(self, clock: Line, data: Channel, habits: ClockHabits) -> None:
        self.clock, self.data, self.habits = clock, data, habits
        self.lost = Lost(clock.channel)
        self.lost_data = Lost(clock.channel, data)
        self.shift = bin_shift(habits.pause)
        self.bins = max(habits.pause >> self.shift, 1)
        # a pause begins with a bin, so that a bin holds either intervals or pauses
        self.pause = self.bins << self.shift
        self.gathered = {name: Gathering.sized(self.shift, self.bins) for name in CLOCK_NAMES}
        self.gathered["clock_period"].chained = True
        self.glitches = Kept()
        self.odd_highs = Kept()
        self.short_lows = Kept()
        self.rests = Kept()
        self.groups: list[Ints] = []
        self.sampled = 0
        self.slices = 0
        self._all_sampled = True
        self._data_at = 0
        self._last_rise: int | None = None

    @abstractmethod
    def ends(self, rises: Ticks, final: bool) -> Ints:
        """Indices of the sampling edges in a slice that are the last of their update."""

    @abstractmethod
    def take(self, rises: Ticks, falls: Ticks, bits: Bools, firsts: Ints, ends: Ints) -> None:
        """Take in a slice's updates: bits at the sampling edges, and the other clock edge after each (`falls` may lack
        the last)."""

    def run(self, progress: Progress | None) -> None:
        """Go through the whole clock line."""
        edges = self.clock.edges
        total = len(edges)
        at, size = self.clock.first, SLICE_EDGES
        while at < total:
            raw = np.asarray(edges[at : at + size], dtype=np.int64)
            final = at + size >= total
            clean, kept, runs = without_glitches(raw, self.habits.glitch)
            pulses = self._slice(clean, final, force=size >= MOST_SLICE_EDGES) if len(clean) else 0
            if pulses == 0 and not final:
                size = min(size * 4, MOST_SLICE_EDGES)
                continue
            used = 2 * pulses
            stop = len(raw) if final or used >= len(clean) else used if kept is None else int(kept[used])
            inside = runs[runs < stop]
            unseen = self.lost.among(raw[inside], raw[inside + 1]) if inside.size else None
            if unseen is not None:
                inside = inside[~unseen]
            if inside.size:
                self.glitches.add(raw[inside], raw[inside + 1] - raw[inside])
            at += stop
            size = SLICE_EDGES
            if progress is not None:
                progress(min(at, total), total)

    def _slice(self, edges: Ticks, final: bool, force: bool) -> int:
        rises, falls = edges[0::2], edges[1::2]
        ends = self.ends(rises, final)
        pulses = len(rises)
        if not final:
            if ends.size:
                pulses = int(ends[-1]) + 1
            elif not force:
                return 0
            else:
                ends = np.array([pulses - 1])
        elif not ends.size or ends[-1] != pulses - 1:
            ends = np.append(ends, pulses - 1)
        rises, falls = np.ascontiguousarray(rises[:pulses]), falls[:pulses]
        firsts = np.concatenate(([0], ends[:-1] + 1))
        bits, moved = self._sampled_bits(rises, final)
        self._gather(rises, falls, firsts, ends, moved)
        self.take(rises, falls, bits, firsts, ends)
        self.slices += 1
        self._last_rise = int(rises[-1])
        return pulses

    def _sampled_bits(self, rises: Ticks, final: bool) -> tuple[Bools, tuple[Ticks, Ints]]:
        """Data level at each sampling edge; the data edges met, and the index of the sampling edge after each."""
        side: Side = "left" if self.habits.tie_is_new else "right"
        stop = len(self.data.edges)
        if not final:
            stop = int(self.data.edges.searchsorted(int(rises[-1]), side="right" if side == "left" else "left"))
        stop = max(stop, self._data_at)
        edges = np.asarray(self.data.edges[self._data_at : stop], dtype=np.int64)
        at = np.searchsorted(rises, edges, side=side)
        toggles = np.bincount(at, minlength=len(rises) + 1)[: len(rises)]
        level = level_before(self.data, self._data_at)
        bits = ((np.cumsum(toggles) + level) & 1).astype(bool)
        self._data_at = stop
        return bits, (edges, at)

    def _gather(self, rises: Ticks, falls: Ticks, firsts: Ints, ends: Ints, moved: tuple[Ticks, Ints]) -> None:
        """Distributions of the intervals; those as long as a pause are rests and none of these."""
        high = falls - rises[: len(falls)]
        low = rises[1:] - falls[: len(rises) - 1]
        period = np.diff(rises)
        setup, setup_at, hold, hold_at, hold_from = self._data_intervals(rises, *moved)
        found = (
            ("clock_high", high, rises[: len(high)], None),
            ("clock_low", low, falls[: len(low)], None),
            ("clock_period", period, rises[:-1], None),
            ("data_setup", setup, rises[setup_at] - setup, setup_at),
            ("data_hold", hold, hold_from, hold_at),
        )
        for name, values, begin, owner in found:
            values = self._seen(name, values, begin)
            if values.size:
                self._add(name, values, begin)
            # a slice in which the data line never moves has its updates all the same
            self._sample(name, values, owner, firsts, ends)
        self._keep_odd(rises, falls, high, low, period, ends)
        self._group(len(ends))

    def _seen(self, name: str, values: Ticks, begin: Ticks) -> Ticks:
        """The intervals, those that nobody saw whole as long as a pause, so that they do not count."""
        lost = self.lost if name.startswith("clock") else self.lost_data
        unseen = lost.among(begin, begin + values)
        if unseen is None:
            return values
        lost.count += int((unseen & (values < self.pause)).sum())
        if name == "clock_period":
            self.gathered[name].chained = False
        return np.where(unseen, self.pause, values)

    @property
    def lost_intervals(self) -> int:
        """How many intervals were left out because nobody saw them whole."""
        return self.lost.count + self.lost_data.count

    def _keep_odd(self, rises: Ticks, falls: Ticks, high: Ticks, low: Ticks, period: Ticks, ends: Ints) -> None:
        """Note single intervals that stand out, and rests inside updates."""
        habits = self.habits
        if high.size and (high.max() > habits.high_to or high.min() < habits.high_from):
            odd = np.flatnonzero(((high > habits.high_to) & (high < self.pause)) | (high < habits.high_from))
            odd = self._known(odd, rises, high)
            self.odd_highs.add(rises[odd], high[odd])
        if low.size and low.min() < habits.low_from:
            odd = self._known(np.flatnonzero(low < habits.low_from), falls, low)
            self.short_lows.add(falls[odd], low[odd])
        rest = np.flatnonzero(period >= self.pause)
        if rest.size > len(ends) - 1:
            inner = rest[~np.isin(rest, ends)]
            if inner.size:
                self.gathered["clock_period"].chained = False
            long = self._known(inner[period[inner] >= habits.long_rest], rises, period)
            self.rests.add(rises[long], period[long])

    def _known(self, which: Ints, begin: Ticks, length: Ticks) -> Ints:
        """Those of the intervals that were seen whole, by index."""
        unseen = self.lost.among(begin[which], begin[which] + length[which])
        return which if unseen is None else which[~unseen]

    def _data_intervals(self, rises: Ticks, edges: Ticks, at: Ints) -> tuple[Ticks, Ints, Ticks, Ints, Ticks]:
        """Set-up: last data edge before a sampling edge to that edge, and which one. Hold: sampling edge to the first
        data edge after it, which one (0 for the one before the slice), and its instant."""
        changes = at[1:] != at[:-1]
        last = np.append(changes, True) if at.size else changes
        first = np.concatenate(([True], changes)) if at.size else changes
        ahead = last & (at < len(rises))
        setup_at = at[ahead]
        setup = rises[setup_at] - edges[ahead]
        behind = first & ((at > 0) | (self._last_rise is not None))
        hold_from = np.where(at[behind] > 0, rises[at[behind] - 1], self._last_rise or 0)
        hold = edges[behind] - hold_from
        return setup, setup_at, hold, np.maximum(at[behind] - 1, 0), hold_from

    def _add(self, name: str, values: Ticks, begin: Ticks) -> None:
        bins = np.minimum(values >> self.shift if self.shift else values, self.bins)
        gathering = self.gathered[name]
        counts: Ints = np.bincount(bins, minlength=self.bins + 1)[: self.bins].astype(np.int64, copy=False)
        exact = self.slices < EXACT_SLICES
        sums: Floats | None = None
        if self.shift and exact:
            weighed = np.bincount(bins, weights=values, minlength=self.bins + 1)[: self.bins]
            sums = weighed.astype(np.float64, copy=False)
        gathering.add_binned(counts, sums)

        def find(which: int) -> tuple[Ticks, Ticks]:
            here = np.flatnonzero(bins == which)
            return values[here], begin[here]

        gathering.widen(counts, find, exact=exact)

    def _sample(self, name: str, values: Ticks, owner: Ints | None, firsts: Ints, ends: Ints) -> None:
        """Sums over a slice's first updates, for the uncertainty of the means. `owner`: the sampling edge of each
        value, where that is not the one of the same index."""
        n = self._sampled_now(len(ends))
        stop = int(ends[n - 1]) + 1
        if owner is None:
            inside = np.zeros(stop, dtype=np.int64)
            inside[: len(values)] = values[:stop]
            valid = inside < self.pause
            valid[len(values) :] = False
            inside[~valid] = 0
            sums = np.add.reduceat(inside, firsts[:n]).astype(np.float64)
            sizes = np.add.reduceat(valid.astype(np.int64), firsts[:n])
        else:
            reach = int(np.searchsorted(owner, stop))
            kept = values[:reach] < self.pause
            update = np.searchsorted(firsts[:n], owner[:reach][kept], side="right") - 1
            sums = np.bincount(update, weights=values[:reach][kept], minlength=n).astype(np.float64, copy=False)
            sizes = np.bincount(update, minlength=n).astype(np.int64, copy=False)
        self.gathered[name].clusters.append((sums, sizes))

    def _sampled_now(self, updates: int) -> int:
        return min(updates, max(SAMPLED_AT_FIRST - self.sampled, SAMPLED_PER_SLICE))

    def _group(self, updates: int) -> None:
        n = self._sampled_now(updates)
        group = int(self.groups[-1][-1]) + (0 if self._all_sampled else 1) if self.groups else 0
        self._all_sampled = n == updates
        self.groups.append(np.full(n, group, dtype=np.int64))
        self.sampled += n

    def grouping(self, updates: int) -> Grouping:
        """How the sampled updates stand in time, out of so many."""
        groups = np.concatenate(self.groups) if self.groups else np.empty(0, dtype=np.int64)
        return Grouping(groups, updates)


def last_edges(rises: Ticks, falls: Ticks, ends: Ints, pause: int) -> Ticks:
    """Last clock edge of each update: the end of its last pulse, or the sampling edge where the clock rests active."""
    last = rises[ends].copy()
    has = ends < len(falls)
    fall = falls[ends[has]]
    near = fall - last[has] < pause
    last[np.flatnonzero(has)[near]] = fall[near]
    return last
