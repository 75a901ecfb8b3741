"""Clock and data pairs, latch and blank lines: told from how their edges stand to each other, in bounded looks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Capture, Ticks
from spinlag.leds.clocked_words import end_words, find_words
from spinlag.leds.frames import FRAMES, Frame, recognise_frame
from spinlag.roles.glance import MOST_LINES, SHORTEST_SLOT_S, Look, Stretch, edges_between, sample_ticks
from spinlag.roles.words import figure, plural

Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

LEAST_CLOCKS = 64
SLOWEST_CLOCK_HZ = 20e3
"""A slower line is a sensor or a strobe (common practice, no source)."""
LEAST_UPDATE = 24
"""Clocks of the shortest update of the clocked families: one word of 24 bits."""
PAUSE_PERIODS = 1.6
LEAST_CHANGES = 0.3
"""Changes of the data between two rests of the clock, at least: a sensor's line has fewer."""
SURPRISE = 14.0
"""One in a million, as a natural logarithm: by chance no more lines may keep to one level of a clock."""
LEAST_SHARE = 0.5
"""Of the updates at least so many have one length, and as many clocks as whole LEDs need."""
CHIP_BITS = 8
"""Outputs of the smallest shift register; larger drivers hold whole multiples of as many bits."""
MOST_DATA = 4
"""More lines than so many on one clock are the inside of some logic and no LED chains (common practice, no source)."""
MOST_UPDATES = 200
"""Updates whose bits are read to tell the family."""

_DRIVERS = ((12, 16), (12, 24))
"""(bits per output, outputs) of grey-scale drivers; plain shift registers have one bit per output."""


@dataclass(frozen=True, eq=False)
class _Clock:
    """Pulses of one stretch of a clock, ticks: `starts` leave the resting level `rest`, `ends` go back to it."""

    look: Look
    starts: Ticks
    ends: Ticks
    rest: int
    period: float
    sample: float


@dataclass(frozen=True, eq=False)
class Wired:
    """One chain on clock and data. `clocks` in the commonest update, which `share` of `updates` have; lengths in ticks.

    `frame` is the family where the bits tell it (None: several fit), `leds` what the bits say of the count. `shown` are
    the reasons in words.
    """

    wiring: Literal["clocked", "latched"]
    data: Look
    clock: Look
    latch: Look | None
    blank: Look | None
    blank_dark: Literal["high", "low"]
    sampling: Literal["rising", "falling"]
    rests_high: bool
    period: float
    gap: float
    spacing: float | None
    clocks: int
    share: float
    updates: int
    frame: Frame | None
    leds: int | None
    bits_per_output: int
    outputs_per_chip: int | None
    shown: tuple[str, ...]

    @property
    def lines(self) -> dict[str, Look]:
        """Rig key -> line."""
        named = {"data": self.data, "clock": self.clock, "latch": self.latch, "blank": self.blank}
        return {key: look for key, look in named.items() if look is not None}


def find_clocked(looks: Sequence[Look], capture: Capture) -> tuple[Wired, ...]:
    """Every chain on clock and data, with or without latch, among these lines."""
    found: list[Wired] = []
    looks = [look for look in looks if look.count]
    if len(looks) > MOST_LINES:
        return ()
    taken: set[str] = set()
    for look in sorted(looks, key=lambda look: -look.count):
        clock = _clock_of(look, capture) if look.channel.path not in taken else None
        if clock is None:
            continue
        others = [other for other in looks if other is not look and other.channel.path not in taken]
        pairs = [(other, edge) for other in others if (edge := _sampling_edge(clock, other)) is not None]
        if len(pairs) > MOST_DATA:
            continue
        data = {other.channel.path for other, _ in pairs}
        strobes = [other for other in others if other.channel.path not in data and _pulses_in_rests(clock, other)]
        for other, edge in pairs:
            chain = _chain(clock, other, edge, strobes, capture)
            if chain is not None and (chain.spacing or 0.0) * float(capture.tick) >= SHORTEST_SLOT_S:
                found.append(chain)
                taken |= {line.channel.path for line in chain.lines.values()}
    return tuple(found)


def _clock_of(look: Look, capture: Capture) -> _Clock | None:
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
    return _Clock(look, starts, starts + lengths, rest, period, sample)


def _window(clock: _Clock, look: Look) -> Stretch:
    """The other line's edges while the clock was looked at."""
    return edges_between(look.channel, int(clock.starts[0]), int(clock.ends[-1]))


def _sampling_edge(clock: _Clock, look: Look) -> Literal["rising", "falling"] | None:
    """The clock edge that samples this line, where the line changes at one level of the running clock only."""
    edges = _window(clock, look).edges
    at = np.searchsorted(clock.starts, edges, side="right") - 1
    inner = (at >= 0) & (at < len(clock.starts) - 1)
    edges, at = edges[inner], at[inner]
    step = clock.starts[at + 1] - clock.starts[at]
    running = step < PAUSE_PERIODS * clock.period
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
    return "rising" if (leading > trailing) == (clock.rest == 0) else "falling"


def _surprise(share: float, chance: float, count: int) -> float:
    """Least negative logarithm of the probability that so great a share of `count` edges falls where only `chance`
    would by itself (H. Chernoff, Ann. Math. Stat. 23, 1952)."""
    if chance >= 1 or share <= chance:
        return 0.0
    rest = (1 - share) * float(np.log((1 - share) / (1 - chance))) if share < 1 else 0.0
    return count * (share * float(np.log(share / chance)) + rest)


@dataclass(frozen=True, eq=False)
class _Strobe:
    """Pulses that lie in the clock's rests, ticks, with the clocks before each."""

    look: Look
    level: int
    starts: Ticks
    ends: Ticks
    clocks: Ints


def _strobe_of(clock: _Clock, look: Look) -> _Strobe | None:
    stretch = _window(clock, look)
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
        usual = _usual(between)
        rests = clock.starts[1:] - clock.ends[:-1]
        held = rests[before - 1]
        # a sensor may pulse in rests too, but not in every one as long as those
        missed = (rests[before[0] : before[-1]] >= 0.5 * np.median(held)).sum() - len(starts) + 1
        if usual >= 4 and (between == usual).mean() >= 0.7 and missed <= 0.2 * len(starts):
            return _Strobe(look, level, starts, ends, between)
    return None


def _pulses_in_rests(clock: _Clock, look: Look) -> bool:
    return _strobe_of(clock, look) is not None


def _usual(sizes: Ints) -> int:
    values, counts = np.unique(sizes, return_counts=True)
    return int(values[np.argmax(counts)])


def _bursts(clock: _Clock) -> tuple[float, Ints] | None:
    """(rest that ends an update, first clock of every update): the shortest rest that leaves updates of one length."""
    rests = clock.starts[1:] - clock.ends[:-1]
    least = PAUSE_PERIODS * clock.period
    longs = np.unique(rests[np.diff(clock.starts) >= least]).astype(np.float64)
    if not len(longs):
        return None
    wide = np.flatnonzero(longs[1:] / longs[:-1] >= 1.25)[:20]
    cuts = [0.9 * float(longs[0]), *(float(cut) for cut in np.sqrt(longs[wide] * longs[wide + 1]))]
    best: tuple[float, float, Ints] | None = None
    for cut in cuts:
        first = np.flatnonzero(rests >= cut) + 1
        sizes = np.diff(first)
        if len(sizes) < 2 or _usual(sizes) < LEAST_UPDATE:
            continue
        share = float((sizes == _usual(sizes)).mean())
        if best is None or share > best[0] + 0.05:
            best = (share, cut, first)
        if share >= 0.9:
            break
    return None if best is None or best[0] < LEAST_SHARE else best[1:]


def _bits(clock: _Clock, data: Look, sampling: str) -> Bools:
    """Level of the data at every sampling edge of the stretch."""
    edges = clock.starts if (sampling == "rising") == (clock.rest == 0) else clock.ends
    stretch = _window(clock, data)
    first = stretch.level ^ 1 if len(stretch.edges) else max(data.channel.level_at(int(edges[0])), 0)
    levels: Bools = (first ^ (np.searchsorted(stretch.edges, edges, side="right") & 1)).astype(bool)
    return levels


def _chain(
    clock: _Clock, data: Look, sampling: Literal["rising", "falling"], strobes: Sequence[Look], capture: Capture
) -> Wired | None:
    bits = _bits(clock, data, sampling)
    bursts = _bursts(clock)
    frame, leds, family = None, None, ""
    if bursts is not None:
        frame, leds, family = _family(bits, bursts[1])
    latch, blank = _latch_and_blank(clock, strobes)
    marked = frame is not None
    if bursts is None and latch is None:
        return None
    first = latch.clocks if latch is not None and not marked else np.diff(bursts[1]) if bursts else np.empty(0)
    usual = _usual(np.asarray(first, dtype=np.int64))
    share = float((first == usual).mean())
    told = [_pair_said(clock, data, sampling, capture)]
    if latch is None or marked:
        if bursts is None or not leds or share < LEAST_SHARE:
            return None
        begins = clock.starts[bursts[1]]
        lengths = f"{plural(len(first), 'update')} of which {share:.0%} have {usual} clocks"
        told += [lengths, family]
        if latch is not None:
            told.append(f"{latch.look.channel.name!r} pulses once an update, but such words need no latch")
        return Wired(
            "clocked", data, clock.look, None, None, "high", sampling, clock.rest == 1, clock.period, bursts[0],
            float(np.median(np.diff(begins))), usual, share, len(first), frame, leds, 1, None, tuple(told),
        )  # fmt: skip
    if usual % CHIP_BITS:
        return None
    depth, per_chip, outputs = _outputs(usual)
    told += _latched_said(latch, blank, usual, share, capture)
    rests = clock.starts[1:] - clock.ends[:-1]
    ends = np.searchsorted(clock.starts, latch.starts) - 1
    gap = 0.5 * float(np.median(rests[np.minimum(ends, len(rests) - 1)]))
    dark: Literal["high", "low"] = "high" if blank is None or blank.level == 1 else "low"
    return Wired(
        "latched", data, clock.look, latch.look, blank.look if blank else None, dark, sampling, clock.rest == 1,
        clock.period, gap, float(np.median(np.diff(latch.starts))), usual, share, len(first), None, outputs, depth,
        per_chip, tuple(told),
    )  # fmt: skip


def _latch_and_blank(clock: _Clock, strobes: Sequence[Look]) -> tuple[_Strobe | None, _Strobe | None]:
    """The latch is the shortest pulse after the clocks; the blank line is one that begins before it and ends after."""
    found = [strobe for look in strobes if (strobe := _strobe_of(clock, look)) is not None]
    found.sort(key=lambda strobe: float(np.median(strobe.ends - strobe.starts)))
    if not found:
        return None, None
    latch = found[0]
    for other in found[1:]:
        at = np.searchsorted(other.starts, latch.starts, side="right") - 1
        within = (at >= 0) & (latch.ends <= other.ends[np.maximum(at, 0)])
        if within.mean() >= 0.9:
            return latch, other
    return latch, None


def _outputs(clocks: int) -> tuple[int, int | None, int]:
    """(bits per output, outputs per chip, outputs) that so many clocks a latch most likely are."""
    for depth, outputs in _DRIVERS:
        if clocks % (depth * outputs) == 0:
            return depth, outputs, clocks // depth
    return 1, None, clocks


def _family(bits: Bools, first: Ints) -> tuple[Frame | None, int | None, str]:
    """(family where the bits tell it, LEDs, in words)."""
    usual = _usual(np.diff(first))
    kept = [i for i in range(len(first) - 1) if first[i + 1] - first[i] == usual][:MOST_UPDATES]
    updates = [bits[first[i] : first[i + 1]] for i in kept]
    frame, why = recognise_frame(updates)
    if not _borne_out(frame, updates):
        plain = f"{usual // 24} LEDs of 24 bits" if usual % 24 == 0 else f"{usual} bits"
        told = f"no start frame and no header in the bits: {plain} as of the WS2801 kind, and others, fit"
        return None, usual // 24 if usual % 24 == 0 else None, told
    flat, begin = np.concatenate(updates), np.arange(len(updates), dtype=np.int64) * usual
    words = find_words(frame, flat, begin, begin + usual - 1, None, end_words(frame, updates))
    leds = _usual(words.words)
    if frame.name in ("APA102", "SK9822"):
        kinds = "APA102 and SK9822 kinds, which only their ends tell apart"
        return frame, leds, f"{why}: {kinds}, {frame.name} by its end; {plural(leds, 'LED')}"
    return frame, leds, f"{why}: {frame.name} kind, {plural(leds, 'LED')}"


def _borne_out(frame: Frame, updates: Sequence[Bools]) -> bool:
    """False for the plainest format, and where the 16-bit one was only left over."""
    if frame is FRAMES["WS2801"]:
        return False
    if frame is not FRAMES["LPD6803"]:
        return True
    for update in updates:
        rest = update[int(np.argmax(update)) :] if update.any() else update[:0]
        heads = rest[: len(rest) // frame.word * frame.word : frame.word]
        run = len(heads) if heads.all() else int(np.argmin(heads))
        if run == 0 or rest[run * frame.word :].any():
            return False
    return True


def _pair_said(clock: _Clock, data: Look, sampling: str, capture: Capture) -> str:
    rate = figure(1.0 / (clock.period * float(capture.tick)), "Hz")
    quiet = "low" if sampling == "rising" else "high"
    return (
        f"{data.channel.name!r} changes only while the clock {clock.look.channel.name!r} is {quiet} or as it goes "
        f"{quiet}, so the {sampling} edge samples it; clocks come at {rate} in bursts"
    )


def _latched_said(latch: _Strobe, blank: _Strobe | None, clocks: int, share: float, capture: Capture) -> list[str]:
    width = figure(float(np.median(latch.ends - latch.starts)) * float(capture.tick), "s")
    depth, per_chip, outputs = _outputs(clocks)
    name, way = latch.look.channel.name, "high" if latch.level else "low"
    told = [
        f"{name!r} goes {way} for {width} while the clock rests, {share:.0%} of the times after {clocks} clocks: a "
        "latch, whose rising edge is assumed to show the bits"
    ]
    if depth > 1:
        told.append(
            f"{clocks} clocks are {outputs} outputs of {depth} bits on drivers of {per_chip}, or {clocks} plain ones; "
            "nothing on the wires decides it, the former is taken"
        )
    else:
        told.append(f"{clocks} clocks a latch are {clocks} outputs of one bit")
    if blank is not None:
        told.append(
            f"{blank.look.channel.name!r} is {'high' if blank.level else 'low'} from before the latch pulse to after "
            "it: blanks the outputs meanwhile"
        )
    return told
