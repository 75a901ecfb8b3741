"""Clock lines, the lines that one samples and those that pulse in its rests, each line with the clock that it suits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Capture, Ticks
from spinlag.roles.glance import Look, Stretch, edges_between, sample_ticks

Ints = NDArray[np.int64]

LEAST_CLOCKS = 64
SLOWEST_CLOCK_HZ = 20e3
"""A slower line is a sensor or a strobe (common practice, no source)."""
PAUSE_PERIODS = 1.6
LEAST_CHANGES = 0.3
"""Changes of the data between two rests of the clock, at least: a sensor's line has fewer."""
SURPRISE = 14.0
"""One in a million, as a natural logarithm: by chance no more lines may keep to one level of a clock."""
FEWEST_PLACES = 2
"""A line that changes at so few clocks of its updates is a strobe rather than data, where another line is better."""


@dataclass(frozen=True, eq=False)
class Clock:
    """Pulses of one stretch of a clock, ticks: `starts` leave the resting level `rest`, `ends` go back to it."""

    look: Look
    starts: Ticks
    ends: Ticks
    rest: int
    period: float
    sample: float


def clock_of(look: Look, capture: Capture) -> Clock | None:
    """The line as a clock: pulses of one length at one pace, but for pauses; None where it is none."""
    if not look.stretches or look.count < 2 * LEAST_CLOCKS:
        return None
    stretch = max(look.stretches, key=lambda stretch: len(stretch.edges))
    sample = sample_ticks(capture)
    longest = [int(lengths.max()) if len(lengths) else 0 for _, lengths in (stretch.widths(0), stretch.widths(1))]
    rest = int(longest[1] > longest[0])
    starts, lengths = stretch.widths(1 - rest)
    if len(starts) < LEAST_CLOCKS:
        return None
    steps = np.diff(starts)
    period, width = float(np.median(steps)), float(np.median(lengths))
    near = np.abs(lengths - width) <= max(0.25 * width, 1.5 * sample)
    running = steps < PAUSE_PERIODS * period
    even = np.abs(steps[running] - period) <= max(0.25 * period, 1.5 * sample)
    if near.mean() < 0.85 or running.mean() < 0.75 or even.mean() < 0.9:
        return None
    if period * float(capture.tick) * SLOWEST_CLOCK_HZ > 1.0 or running.all():
        return None
    return Clock(look, starts, starts + lengths, rest, period, sample)


def window(clock: Clock, look: Look) -> Stretch:
    """The other line's edges while the clock was looked at."""
    return edges_between(look.channel, int(clock.starts[0]), int(clock.ends[-1]))


def pair_of(clock: Clock, look: Look) -> Pair | None:
    """The line as data of this clock, where it changes at one level of the running clock only."""
    edges = window(clock, look).edges
    if len(edges) > 1.1 * len(clock.starts):
        # data change once a clock at most
        return None
    at = np.searchsorted(clock.starts, edges, side="right") - 1
    inner = (at >= 0) & (at < len(clock.starts) - 1)
    edges, at = edges[inner], at[inner]
    step = clock.starts[at + 1] - clock.starts[at]
    running = step < PAUSE_PERIODS * clock.period
    near = 1.5 * clock.period
    strays = int((~running & (edges > clock.ends[at] + near) & (edges < clock.starts[at + 1] - near)).sum())
    pauses = int((np.diff(clock.starts) >= PAUSE_PERIODS * clock.period).sum())
    if running.sum() < max(16, LEAST_CHANGES * pauses, 0.3 * len(edges)):
        return None
    edges, at = edges[running], at[running]
    since, left = edges - clock.starts[at], clock.starts[at + 1] - edges
    high = clock.ends[at] - clock.starts[at]
    slack = np.minimum(1.5 * clock.sample, 0.45 * np.minimum(high, since + left - high))
    by_leading = (since >= high - slack) & (left > slack)
    by_trailing = (since < high - slack) | (left <= slack)
    leading, trailing = float(by_leading.mean()), float(by_trailing.mean())
    # where a line that has nothing to do with the clock would change: anywhere in its period
    width, margin = float(np.median(high)), float(np.median(slack))
    low = clock.period - width
    chance = (low if leading > trailing else width) / clock.period + margin / clock.period
    if max(leading, trailing) < 0.9 or _surprise(max(leading, trailing), chance, len(edges)) < SURPRISE:
        return None
    begins = np.flatnonzero(np.concatenate(([True], np.diff(clock.starts) >= PAUSE_PERIODS * clock.period)))
    places = len(np.unique(at - begins[np.searchsorted(begins, at, side="right") - 1]))
    return Pair(look, "rising" if (leading > trailing) == (clock.rest == 0) else "falling", places, strays)


def _surprise(share: float, chance: float, count: int) -> float:
    """Least negative logarithm of the probability that so great a share of `count` edges falls where only `chance`
    would by itself (H. Chernoff, Ann. Math. Stat. 23, 1952)."""
    if chance >= 1 or share <= chance:
        return 0.0
    rest = (1 - share) * float(np.log((1 - share) / (1 - chance))) if share < 1 else 0.0
    return count * (share * float(np.log(share / chance)) + rest)


@dataclass(frozen=True, eq=False)
class Strobe:
    """Pulses that lie in the clock's rests, ticks, with the clocks before each."""

    look: Look
    level: int
    starts: Ticks
    ends: Ticks
    clocks: Ints
    wait: float
    """From the last clock's end to the pulse, the median, ticks."""


def strobe_of(clock: Clock, look: Look) -> Strobe | None:
    """The line as one that pulses in the clock's rests, after so many clocks each time; None where it does not."""
    stretch = window(clock, look)
    for level in (1, 0):
        if len(stretch.edges) < 6:
            return None
        starts, lengths = stretch.widths(level)
        before = np.searchsorted(clock.starts, starts, side="right")
        behind = np.searchsorted(clock.starts, starts + lengths, side="right")
        inner = (before > 0) & (behind < len(clock.starts))
        starts, ends, before, behind = starts[inner], (starts + lengths)[inner], before[inner], behind[inner]
        if len(starts) < 3:
            continue
        idle = (before == behind) & (starts >= clock.ends[before - 1] - clock.sample)
        between = np.diff(before)
        if idle.mean() < 0.95 or not between.any():
            continue
        usual = commonest(between)
        rests = clock.starts[1:] - clock.ends[:-1]
        held = rests[before - 1]
        # a sensor may pulse in rests too, but not in every one as long as those
        missed = (rests[before[0] : before[-1]] >= 0.5 * np.median(held)).sum() - len(starts) + 1
        if usual >= 4 and (between == usual).mean() >= 0.7 and missed <= 0.2 * len(starts):
            wait = float(np.median(starts - clock.ends[before - 1]))
            return Strobe(look, level, starts, ends, between, wait)
    return None


def commonest(sizes: Ints) -> int:
    """The size that most have."""
    values, counts = np.unique(sizes, return_counts=True)
    return int(values[np.argmax(counts)])


@dataclass(frozen=True, eq=False)
class Pair:
    """A line that a clock samples; `places`: at how many clocks of an update it was seen to change; `strays`: changes
    while the clock rests, further than a period and a half from its pulses."""

    data: Look
    sampling: Literal["rising", "falling"]
    places: int
    strays: int


Served = tuple[Clock, list[Pair], list[Strobe]]


def clocks_served(clocks: Sequence[Clock], looks: Sequence[Look]) -> list[Served]:
    """Each clock with its data lines and with the lines that pulse in its rests, every line with the one clock that it
    suits best; clocks without data left out."""
    pulsing = {
        clock.look.channel.path: [
            strobe for look in looks if look is not clock.look and (strobe := strobe_of(clock, look)) is not None
        ]
        for clock in clocks
    }
    paired: list[tuple[Clock, list[Pair]]] = []
    for clock in clocks:
        elsewhere = {
            strobe.look.channel.path
            for other in clocks
            if other is not clock
            for strobe in pulsing[other.look.channel.path]
        }
        pairs = [pair for look in looks if look is not clock.look and (pair := pair_of(clock, look)) is not None]
        # what pulses once an update in the rests of another clock latches there, at whatever place of this one
        pairs = [pair for pair in pairs if pair.places > FEWEST_PLACES or pair.data.channel.path not in elsewhere]
        if any(pair.places > FEWEST_PLACES for pair in pairs):
            pairs = [pair for pair in pairs if pair.places > FEWEST_PLACES]
        if pairs:
            paired.append((clock, pairs))
    paired = _without_clocks(paired)
    order = {look.channel.path: number for number, look in enumerate(looks)}
    paired = _without_twins(_nearest(paired), order)
    soonest: dict[str, tuple[float, str]] = {}
    for clock, _ in paired:
        for strobe in pulsing[clock.look.channel.path]:
            path = strobe.look.channel.path
            soonest[path] = min(soonest.get(path, (np.inf, "")), (strobe.wait, clock.look.channel.path))
    return [
        (
            clock,
            pairs,
            [
                strobe
                for strobe in pulsing[clock.look.channel.path]
                if soonest[strobe.look.channel.path][1] == clock.look.channel.path
            ],
        )
        for clock, pairs in paired
    ]


def _without_clocks(paired: Sequence[tuple[Clock, list[Pair]]]) -> list[tuple[Clock, list[Pair]]]:
    """Clocks that sample a line of their own are no data, though of two that start together the slower one changes at
    one level of the quicker."""
    clocks = {clock.look.channel.path for clock, _ in paired}
    own = {
        clock.look.channel.path
        for clock, pairs in paired
        if any(pair.places > FEWEST_PLACES and pair.data.channel.path not in clocks for pair in pairs)
    }
    kept = [(clock, [pair for pair in pairs if pair.data.channel.path not in own]) for clock, pairs in paired]
    return [(clock, pairs) for clock, pairs in kept if pairs]


def _nearest(paired: Sequence[tuple[Clock, list[Pair]]]) -> list[tuple[Clock, list[Pair]]]:
    """Every data line with the clocks beside whose pulses it changes: two clocks of one pace, one started a little
    after the other, sample each other's data as well, but for the ends."""
    fewest: dict[str, int] = {}
    for _, pairs in paired:
        for pair in pairs:
            path = pair.data.channel.path
            fewest[path] = min(fewest.get(path, pair.strays), pair.strays)
    near = [
        (clock, [pair for pair in pairs if pair.strays <= fewest[pair.data.channel.path] + 2])
        for clock, pairs in paired
    ]
    # of clocks that start together, data whose changes end with the shorter bursts belong to that one
    least: dict[str, int] = {}
    for clock, pairs in near:
        for pair in pairs:
            path = pair.data.channel.path
            least[path] = min(least.get(path, len(clock.starts)), len(clock.starts))
    kept = [
        (clock, [pair for pair in pairs if len(clock.starts) <= 1.3 * least[pair.data.channel.path]])
        for clock, pairs in near
    ]
    return [(clock, pairs) for clock, pairs in kept if pairs]


def _without_twins(
    paired: Sequence[tuple[Clock, list[Pair]]], order: Mapping[str, int]
) -> list[tuple[Clock, list[Pair]]]:
    """Clocks that run together sample each other's data as well; each then has its own, in the recorder's order."""
    kept = [(clock, list(pairs)) for clock, pairs in paired]
    for i, (clock, pairs) in enumerate(kept):
        twins = [j for j in range(len(kept)) if j >= i and (j == i or _together(clock, kept[j][0]))]
        if len(twins) < 2 or len(pairs) != len(twins):
            continue
        if any({p.data.channel.path for p in kept[j][1]} != {p.data.channel.path for p in pairs} for j in twins):
            continue
        twins.sort(key=lambda j: order[kept[j][0].look.channel.path])
        lines = sorted((pair.data.channel.path for pair in pairs), key=lambda path: order[path])
        for j, line in zip(twins, lines, strict=True):
            kept[j] = (kept[j][0], [pair for pair in kept[j][1] if pair.data.channel.path == line])
    return kept


def _together(clock: Clock, other: Clock) -> bool:
    """True where two clocks pulse at the same instants, as far as samples and a tenth of a period tell."""
    at = np.clip(np.searchsorted(other.starts, clock.starts), 1, len(other.starts) - 1)
    apart = np.minimum(abs(other.starts[at] - clock.starts), abs(clock.starts - other.starts[at - 1]))
    return bool((apart <= max(1.5 * clock.sample, 0.1 * clock.period)).mean() > 0.95)
