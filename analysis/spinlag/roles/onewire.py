"""Is this line a one-wire LED line? Told from the shape of its pulses alone, whatever the time axis claims.

A one-wire bit is a rising edge, a high time of one of two lengths, and the rest of a bit period low; bits come in runs
of whole LEDs, and a longer low ends a run. An inverted line is the same with its levels exchanged.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Capture, Ticks
from spinlag.roles.glance import Look, Stretch, sample_ticks

LED_BITS = (24, 32)
LEAST_BITS = 24
TYPICAL_BIT_S = 1.25e-6
"""Bit period of the 800 kbit/s parts, printed in most of their sheets."""
SHORTEST_BIT_S, LONGEST_BIT_S = 0.6e-6, 4e-6
"""Bit periods from a little under what any part was measured to take to well over the 2.5 us of 400 kbit/s."""
GAP_BITS = 5.0
"""A pause shorter than five bit periods (6 us at 800 kbit/s) is taken for a pause within an update."""


@dataclass(frozen=True, eq=False)
class OneWire:
    """What the pulses of a one-wire line show; lengths in ticks.

    `short` and `long` are the median high times of the two kinds of bit (one of them None where only one kind was
    seen), `split` the length that parts them, `spacing` the median start-to-start of updates (None with fewer than
    two), `gap` the shortest low taken to end an update, `gap_seen` the shortest and median such low.
    """

    inverted: bool
    bits: int
    short: float | None
    long: float | None
    split: float
    period: float
    gap: float
    gap_seen: tuple[int, float] | None
    burst_bits: int
    burst_share: float
    bursts: int
    bits_per_led: int
    width_note: str
    spacing: float | None
    repeat: int | None
    """Updates after which the data repeat, where they do; None where they do not or never change."""
    lengths: Mapping[str, Ticks]
    """By timing name (t0h, t0l, t1h, t1l, bit_period, low_between_updates): the lengths looked at."""
    on_scale: bool
    """False where bits would last absurdly long or short: then the file's time unit is wrong."""

    @property
    def leds(self) -> int:
        """LEDs in the commonest update."""
        return self.burst_bits // self.bits_per_led


@dataclass(frozen=True, eq=False)
class _Bits:
    """Bits of one stretch: start ticks, high and following low (ticks; the last low may be missing, -1)."""

    start: Ticks
    high: Ticks
    low: Ticks


def _bits_of(stretch: Stretch, active: int) -> _Bits:
    start, high = stretch.widths(active)
    rises = stretch.turning_to(active)[: len(start) + 1]
    low = np.full(len(start), -1, dtype=np.int64)
    follow = rises[1:] - (start + high)[: len(rises) - 1]
    low[: len(follow)] = follow
    return _Bits(start, high, low)


def _without_glitches(bits: _Bits, shortest: float) -> _Bits:
    """Drop pulses too short for a bit; the rest before and after them is one low."""
    real = bits.high >= shortest
    if real.all():
        return bits
    start, high = bits.start[real], bits.high[real]
    low = np.append(np.diff(start) - high[:-1], -1)
    return _Bits(start, high, low)


def _clusters(highs: Ticks, sample: float) -> tuple[float | None, float | None, float] | None:
    """(short, long, split) of high times that form one or two tight groups; None where they do not.

    Split where the variance between the two sides is largest (N. Otsu, IEEE Trans. SMC 9, 1979); then each side must be
    tight: nine in ten within a third of its median, or within a sample and a half. Sides less than a sample and a half
    apart are one length seen through coarse samples.
    """
    values, counts = np.unique(highs, return_counts=True)
    kept = counts >= max(1, int(0.002 * counts.sum()))
    lengths: NDArray[np.float64] = values[kept].astype(np.float64)
    counts = counts[kept]
    if len(lengths) == 0:
        return None
    if len(lengths) > 1:
        at = _widest_split(lengths, counts)
        short, long = _tight(lengths[:at], counts[:at], sample), _tight(lengths[at:], counts[at:], sample)
        if short and long and 1.35 <= long / short <= 6.0 and long - short >= 1.5 * sample:
            return short, long, float((lengths[at - 1] + lengths[at]) / 2)
    only = _tight(lengths, counts, sample)
    return None if only is None else (only, None, only * 1.5)


def _widest_split(values: NDArray[np.float64], counts: NDArray[np.int64]) -> int:
    below = np.cumsum(counts)[:-1]
    above = counts.sum() - below
    sums = np.cumsum(values * counts)
    apart = sums[:-1] / below - (sums[-1] - sums[:-1]) / above
    return int(np.argmax(below * above * apart**2)) + 1


def _tight(values: NDArray[np.float64], counts: NDArray[np.int64], sample: float) -> float | None:
    """Median of a group of lengths where nine in ten lie close to it, else None."""
    middle = float(values[np.searchsorted(np.cumsum(counts), counts.sum() / 2)])
    near = np.abs(values - middle) <= max(middle / 3, 1.5 * sample)
    return middle if counts[near].sum() >= 0.9 * counts.sum() else None


def _runs(stretches: Sequence[_Bits], gap: float) -> tuple[NDArray[np.int64], list[NDArray[np.int64]]]:
    """Lengths in bits of the runs between gaps of at least `gap` (those with both ends seen), and per stretch their
    (first, one past last) bits, shape (n, 2)."""
    lengths: list[NDArray[np.int64]] = []
    bounds: list[NDArray[np.int64]] = []
    for bits in stretches:
        after = np.flatnonzero(bits.low >= gap) + 1
        pairs = np.column_stack([after[:-1], after[1:]]) if len(after) > 1 else np.empty((0, 2), dtype=np.int64)
        bounds.append(pairs)
        lengths.append(pairs[:, 1] - pairs[:, 0] if len(pairs) else np.empty(0, dtype=np.int64))
    return np.concatenate(lengths), bounds


def _with_ends(look: Look, capture: Capture, stretches: list[_Bits], gap: float) -> list[_Bits]:
    """Let the capture's own ends bound the first and last run where the line rests there for longer than `gap`."""
    if not look.whole or not stretches or len(stretches[0].start) == 0:
        return stretches
    bits = stretches[0]
    low = bits.low.copy()
    cuts = np.flatnonzero(low[:-1] >= gap)
    end_rest = capture.end - int(bits.start[-1] + bits.high[-1])
    rests = len(cuts) + (int(bits.start[0]) - capture.start >= gap) + (end_rest >= gap)
    # with hardly a whole update otherwise, one of whole LEDs at an end is taken for whole
    lone = 1 <= rests <= 2
    first, last = (int(cuts[0]) + 1, len(low) - 1 - int(cuts[-1])) if len(cuts) else (len(low), len(low))
    if low[-1] < gap and (end_rest >= gap or (lone and any(last % n == 0 for n in LED_BITS))):
        low[-1] = max(end_rest, int(gap) + 1)
    start, high = bits.start, bits.high
    if int(start[0]) - capture.start >= gap or (lone and any(first % n == 0 for n in LED_BITS)):
        # a bit that is none stands for the rest before the first run
        start = np.concatenate([[start[0] - int(gap) - 1], start])
        high = np.concatenate([[0], high])
        low = np.concatenate([[int(gap) + 1], low])
    return [_Bits(start, high, low)]


def _best_gap(look: Look, capture: Capture, stretches: list[_Bits], period: float) -> tuple[float, float]:
    """(gap, share of runs of whole LEDs): the shortest pause that cuts the line into runs of whole LEDs."""
    lows = np.concatenate([bits.low for bits in stretches])
    longs = np.unique(lows[lows >= GAP_BITS * period]).astype(np.float64)
    steps = [GAP_BITS * period]
    if len(longs) > 1:
        wide = np.flatnonzero(longs[1:] / longs[:-1] >= 1.25)[:20]
        steps += [float(value) for value in np.sqrt(longs[wide] * longs[wide + 1])]
    best = (steps[0], 0.0)
    for gap in steps:
        lengths, _ = _runs(_with_ends(look, capture, stretches, gap), gap)
        share = max((float((lengths % n == 0).mean()) for n in LED_BITS), default=0.0) if len(lengths) else 0.0
        if share > best[1] + 0.05:
            best = (gap, share)
        if share >= 0.9:
            break
    return best


def _bits_per_led(
    runs: NDArray[np.int64], ones: list[NDArray[np.bool_]], bounds: list[NDArray[np.int64]]
) -> tuple[int, str]:
    """24 or 32 bits per LED, and what was doubtful about it in words."""
    fits = {n: float((runs % n == 0).mean()) for n in LED_BITS}
    common = int(np.bincount(runs).argmax())
    if fits[32] > fits[24] + 0.05:
        return 32, ""
    if fits[24] > fits[32] + 0.05 or common % 32:
        return 24, ""
    # neighbours on a chain resemble each other more often than not, so the data repeat at the LED's own length
    alike = {n: [0, 0] for n in LED_BITS}
    for line, pairs in zip(ones, bounds, strict=True):
        for first, last in pairs[:200]:
            run = line[first:last]
            if len(run) == common:
                for n in LED_BITS:
                    alike[n][0] += int((run[n:] == run[:-n]).sum())
                    alike[n][1] += len(run) - n
    shares = {n: same / total if total else 0.0 for n, (same, total) in alike.items()}
    chosen = 32 if shares[32] > shares[24] + 0.1 else 24
    other = 56 - chosen
    return chosen, (
        f"{common} bits are {common // 24} LEDs of 24 bits or {common // 32} of 32 bits; {chosen} bits taken, because "
        + (
            f"the data repeat better from LED to LED so ({shares[chosen]:.0%} against {shares[other]:.0%} of bits)"
            if abs(shares[32] - shares[24]) > 0.1
            else "those parts are the commoner ones; nothing in the data decides it"
        )
    )


def _repeat(ones: list[NDArray[np.bool_]], bounds: list[NDArray[np.int64]], burst: int) -> int | None:
    """Number of updates after which data repeat: the first lag at which nearly all updates equal their forerunner."""
    longest = max(range(len(bounds)), key=lambda i: len(bounds[i]), default=None)
    if longest is None or len(bounds[longest]) < 6:
        return None
    line, pairs = ones[longest], bounds[longest][:4000]
    known: dict[bytes, int] = {}
    ids = np.array(
        [known.setdefault(np.packbits(line[a:b]).tobytes(), len(known)) if b - a == burst else -1 for a, b in pairs]
    )
    if len(known) < 2:
        return None
    # two whole repeats at least, so that a lag is not chosen on a few updates
    for lag in range(2, len(ids) // 2 + 1):
        if (ids[lag:] == ids[:-lag]).mean() >= 0.95:
            chance = max((ids[step:] == ids[:-step]).mean() for step in range(1, lag))
            return lag if chance < 0.9 else None
    return None


def recognise(look: Look, capture: Capture) -> OneWire | None:
    """The line as a one-wire LED line, upright or inverted; None where it is none."""
    found = [seen for active in (1, 0) if (seen := _as_active(look, capture, active)) is not None]
    return max(found, key=lambda seen: (seen.on_scale, seen.burst_share * min(seen.bursts, 3)), default=None)


def _as_active(look: Look, capture: Capture, active: int) -> OneWire | None:
    sample = sample_ticks(capture)
    stretches = [_bits_of(stretch, active) for stretch in look.stretches if len(stretch.edges) > 1]
    if sum(len(bits.start) for bits in stretches) < LEAST_BITS:
        return None
    highs = np.concatenate([bits.high for bits in stretches])
    lows = np.concatenate([bits.low for bits in stretches])
    both = lows >= 0
    sums = (highs + lows)[both]
    if len(sums) < LEAST_BITS - 1:
        return None
    period = float(np.median(sums))
    groups = _clusters(highs, sample)
    if groups is None:
        return None
    short, long, split = groups
    stretches = [_without_glitches(bits, 0.3 * (short or split)) for bits in stretches]
    if not _bits_regular(sums, period, sample) or max(short or 0.0, long or 0.0) > 1.2 * period:
        return None
    period_s = period * float(capture.tick)
    on_scale = SHORTEST_BIT_S <= period_s <= LONGEST_BIT_S
    gap, share = _best_gap(look, capture, stretches, period)
    stretches = _with_ends(look, capture, stretches, gap)
    runs, bounds = _runs(stretches, gap)
    wanted = 0.7 if on_scale else 1.0
    if len(runs) == 0 or share < wanted or (not on_scale and (long is None or runs.sum() < 2 * LEAST_BITS)):
        return None
    if long is None:
        short, long, split = _one_kind(highs, period, period_s if on_scale else TYPICAL_BIT_S)
        duty = float(np.median(highs)) / period
        if not 0.15 <= duty <= 0.85 or (0.47 <= duty <= 0.53 and len(np.unique(runs)) == 1 and runs[0] <= 64):
            # a strobe; or evenly high and low in short equal runs: a clock of some other bus as likely as LEDs
            return None
        pauses = int(((lows >= GAP_BITS * period) & (lows < gap)).sum() + (highs >= GAP_BITS * period).sum())
        if pauses > len(runs):
            # bits all alike, and more rests within the runs than between them: a clock in bursts of many lengths
            return None
    ones = [bits.high > split for bits in stretches]
    return _measured(active, (short, long, split), period, gap, on_scale, stretches, (runs, bounds), ones)


def _bits_regular(sums: Ticks, period: float, sample: float) -> bool:
    """Most bits last about one bit period (0 and 1 may differ by half of it); the rest are pauses and gaps."""
    near = (sums >= 0.55 * period - sample) & (sums <= 1.9 * period + sample)
    return bool(near.mean() >= 0.75)


def _one_kind(highs: Ticks, period: float, period_s: float) -> tuple[float | None, float | None, float]:
    """All bits alike: zeros where the high time is short (under 0.5 us, or 0.4 of the period), else ones."""
    middle = float(np.median(highs))
    high_s = middle / period * period_s
    if high_s < 0.5e-6 or middle < 0.4 * period:
        return middle, None, middle * 1.5
    return None, middle, middle / 1.5


def _measured(
    active: int,
    groups: tuple[float | None, float | None, float],
    period: float,
    gap: float,
    on_scale: bool,
    stretches: list[_Bits],
    cut: tuple[NDArray[np.int64], list[NDArray[np.int64]]],
    ones: list[NDArray[np.bool_]],
) -> OneWire:
    runs, bounds = cut
    values, counts = np.unique(runs, return_counts=True)
    burst = int(values[np.argmax(counts)])
    bits_per_led, note = _bits_per_led(runs, ones, bounds)
    begins = [bits.start[pairs[:, 0]] for bits, pairs in zip(stretches, bounds, strict=True) if len(pairs)]
    spacings = np.concatenate([np.diff(begin) for begin in begins]) if begins else np.empty(0)
    lows = np.concatenate([bits.low for bits in stretches])
    gaps = lows[lows >= gap]
    # the rest before the first run and after the last is cut by the capture, so it shows no gap
    inner = gaps[1:-1] if len(gaps) > 2 else gaps[:0]
    return OneWire(
        inverted=active == 0,
        bits=int(runs.sum()),
        short=groups[0],
        long=groups[1],
        split=groups[2],
        period=period,
        gap=gap,
        gap_seen=(int(inner.min()), float(np.median(inner))) if len(inner) else None,
        burst_bits=burst,
        burst_share=float(counts.max() / counts.sum()),
        bursts=len(runs),
        bits_per_led=bits_per_led,
        width_note=note,
        spacing=float(np.median(spacings)) if len(spacings) else None,
        repeat=_repeat(ones, bounds, burst),
        lengths=_lengths(stretches, ones, gap, inner),
        on_scale=on_scale,
    )


def _lengths(stretches: list[_Bits], ones: list[NDArray[np.bool_]], gap: float, gaps: Ticks) -> dict[str, Ticks]:
    high = np.concatenate([bits.high for bits in stretches])
    low = np.concatenate([bits.low for bits in stretches])
    one = np.concatenate(ones)
    real = high > 0
    within = real & (low >= 0) & (low < gap)
    return {
        "t0h": high[real & ~one],
        "t1h": high[real & one],
        "t0l": low[within & ~one],
        "t1l": low[within & one],
        "bit_period": (high + low)[within],
        "low_between_updates": gaps,
    }


def updates_around(look: Look, wire: OneWire, instants: Ticks) -> tuple[Ticks, Ticks]:
    """Starts, in ticks, of the last update before and the first one at or after each instant; -1 where not in reach.

    An update starts at an active edge that follows at least `wire.gap` of rest. Reads a few updates' edges per
    instant, never the line.
    """
    channel = look.channel
    active = 0 if wire.inverted else 1
    reach = 4 * wire.burst_bits + 8
    before = np.full(len(instants), -1, dtype=np.int64)
    after = np.full(len(instants), -1, dtype=np.int64)
    for i, at in enumerate(np.asarray(channel.edges.searchsorted(instants, side="left"), dtype=np.int64).tolist()):
        low = max(at - reach, 0)
        edges = np.asarray(channel.edges[low : at + reach], dtype=np.int64)
        if len(edges) < 2:
            continue
        rest = np.diff(edges, prepend=edges[0] - int(wire.gap) - 1 if low == 0 else edges[0])
        level_after = channel.initial ^ ((low + 1 + np.arange(len(edges))) & 1)
        starts = edges[(level_after == active) & (rest >= wire.gap)]
        cut = int(np.searchsorted(starts, instants[i]))
        if cut < len(starts):
            after[i] = starts[cut]
        if cut > 0:
            before[i] = starts[cut - 1]
    return before, after
