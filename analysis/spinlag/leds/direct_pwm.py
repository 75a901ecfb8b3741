"""Pulse-width dimming on direct lines: its period, and the duty of every line from update to update."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Channel, Progress, Ticks
from spinlag.leds.many_lines import SLICE_EDGES, slices
from spinlag.leds.tally import Clock

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

_SAMPLE_EDGES = 1 << 14
_SHARE = 0.6
_LEVELS = 255


@dataclass(frozen=True)
class PwmPace:
    """Period in ticks and how far a whole cycle strays from it, how far apart neighbouring lines rise within one cycle,
    and the difference of duty that is a change."""

    period: float
    strays: float
    skew: float
    tolerance: float


def find_pace(lines: Sequence[Channel], clock: Clock) -> PwmPace | None:
    """The lines' common PWM period, None where they only switch on and off.

    Pulse width shows by rising edges at one even pace while on- and off-times are no multiples of one step: lines that
    merely switch with the columns know nothing but multiples of a column.
    """
    rises, widths, all_rises = [], [], []
    for line in lines:
        edges = np.asarray(line.edges[:_SAMPLE_EDGES], dtype=np.int64)
        up = edges[line.initial == 1 :: 2]
        if len(up) < 8:
            continue
        rises.append(np.diff(up))
        all_rises.append(up)
        widths.append(np.diff(edges))
    if not rises:
        return None
    gaps = np.concatenate(rises)
    slack = max(2.0 * clock.slack_ticks, 1.0)
    period = _commonest(gaps, slack)
    close = np.abs(gaps - period) <= max(slack, 0.01 * period)
    if close.mean() < _SHARE or _stepwise(np.concatenate(widths).astype(np.float64), slack):
        return None
    period = float(gaps[close].mean())
    strays = max(slack, 4 * 1.4826 * float(np.median(np.abs(gaps[close] - period))))
    ordered = np.sort(np.concatenate(all_rises))
    together = ordered[1:] - ordered[:-1]
    together = together[together < 0.1 * period]
    skew = max(slack, 2 * float(np.quantile(together, 0.95)) if together.size else 0.0)
    return PwmPace(period, strays, skew, max(slack / period, 0.6 / _LEVELS))


def _stepwise(steps: Floats, slack: float) -> bool:
    """True where nearly all intervals are a few times one and the same step: lines that switch with the columns."""
    step = float(np.quantile(steps, 0.02))
    few = steps[steps < 8.5 * step]
    times = np.rint(few / step)
    close = np.abs(few - times * step) <= np.maximum(slack, 0.04 * times * step)
    return few.size > 0.5 * steps.size and float(close.mean()) > 0.9


def _commonest(gaps: Ints, width: float) -> float:
    bins = np.rint(gaps / width).astype(np.int64)
    values, counts = np.unique(bins, return_counts=True)
    best = values[np.argmax(counts)]
    return float(np.median(gaps[np.abs(bins - best) <= 1]))


def decode_pwm(lines: Sequence[Channel], pace: PwmPace, progress: Progress | None) -> tuple[Ticks, NDArray[np.uint8]]:
    """Instants at which the duties change, and the duties from then on in 255ths, shape (n, lines).

    A cycle begins where lines rise together. The duties of an update are the means of its whole cycles; a cycle that is
    cut short ends an update, and so does one after which no line rises.
    """
    total = sum(len(line.edges) for line in lines)
    starts: list[Ticks] = []
    duties: list[Floats] = []
    lengths: list[Ticks] = []
    carried = np.empty(0, dtype=np.int64)
    done = 0
    for begin, end, until in slices(lines, SLICE_EDGES):
        up = np.sort(
            np.concatenate([_rises(line, int(a), int(b)) for line, a, b in zip(lines, begin, end, strict=True)])
        )
        done += int((end - begin).sum())
        up = np.concatenate((carried, up))
        if not len(up):
            continue
        cycle = up[np.concatenate(([True], np.diff(up) > pace.skew))]
        last = done >= total
        marks = np.append(cycle, until) if last else cycle
        carried = cycle[-1:]
        if len(marks) < 2:
            continue
        marks = _with_hidden(lines, marks, pace)
        starts.append(marks[:-1])
        lengths.append(np.diff(marks))
        duties.append(np.stack([_on_time(line, marks) for line in lines], axis=1))
        if progress is not None:
            progress(done, total)
    if not starts:
        return np.empty(0, dtype=np.int64), np.empty((0, len(lines)), dtype=np.uint8)
    return _changes(lines, np.concatenate(starts), np.concatenate(lengths), np.concatenate(duties), pace)


def _rises(line: Channel, begin: int, end: int) -> Ticks:
    first = begin + ((begin + (1 if line.initial == 1 else 0)) & 1)
    edges: Ticks = np.asarray(line.edges[begin:end], dtype=np.int64)[first - begin :: 2]
    return edges


def _with_hidden(lines: Sequence[Channel], marks: Ticks, pace: PwmPace) -> Ticks:
    """Marks with the starts of cycles that no edge shows: a cycle cut short while all lines were on runs into the next,
    which must have begun one period before the rise that ends it."""
    length = np.diff(marks)
    long = np.flatnonzero((length > pace.period + pace.strays) & (length < 2 * pace.period + pace.strays))
    hidden = marks[long + 1] - round(pace.period)
    hidden = hidden[(hidden - marks[long]) > pace.skew]
    return np.union1d(marks, hidden[_levels(lines, hidden).any(axis=1)]) if len(hidden) else marks


def _on_time(line: Channel, marks: Ticks) -> Floats:
    """Ticks that the line was on between neighbouring marks, shape (len(marks) - 1,)."""
    low = int(line.edges.searchsorted(int(marks[0])))
    high = int(line.edges.searchsorted(int(marks[-1])))
    edges = np.asarray(line.edges[low:high], dtype=np.int64)
    level = 0 if line.initial < 0 else line.initial ^ (low & 1)
    stops = np.concatenate(([marks[0]], edges))
    levels = level ^ (np.arange(len(stops)) & 1)
    spent = np.append(np.diff(stops) * levels[:-1], 0)
    before = np.concatenate(([0], np.cumsum(spent[:-1])))
    at = np.searchsorted(edges, marks, side="left")
    on = before[at] + (marks - stops[at]) * levels[at]
    return np.diff(on).astype(np.float64)


def _changes(
    lines: Sequence[Channel], start: Ticks, length: Ticks, on: Floats, pace: PwmPace
) -> tuple[Ticks, NDArray[np.uint8]]:
    """Cycles to updates."""
    period = pace.period
    even = np.abs(length - period) <= pace.strays
    duty = on / np.where(even, length, period)[:, None]
    differs = np.ones(len(start), dtype=bool)
    both = even[1:] & even[:-1]
    differs[1:] = ~even[:-1] | (both & (np.abs(duty[1:] - duty[:-1]) > pace.tolerance).any(axis=1))
    first = np.flatnonzero(differs)
    count = np.add.reduceat(even.astype(np.int64), first)
    mean = np.add.reduceat(duty * even[:, None], first, axis=0) / np.maximum(count, 1)[:, None]
    alone = count == 0
    mean[alone] = duty[first[alone]]
    values = np.clip(np.rint(mean * _LEVELS), 0, _LEVELS).astype(np.uint8)
    final = np.append(first[1:], len(start)) - 1
    steady = start[final][length[final] > 1.5 * period] + round(period)
    begin = np.concatenate((start[first], steady))
    order = np.argsort(begin, kind="stable")
    return begin[order], np.concatenate((values, _levels(lines, steady)))[order]


def _levels(lines: Sequence[Channel], at: Ticks) -> NDArray[np.uint8]:
    """Lines that no longer switch: full on or off, shape (len(at), lines)."""
    levels = np.zeros((len(at), len(lines)), dtype=np.uint8)
    for i, line in enumerate(lines):
        if line.initial >= 0:
            levels[:, i] = _LEVELS * (line.initial ^ (np.asarray(line.edges.searchsorted(at, side="right")) & 1))
    return levels
