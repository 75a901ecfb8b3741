"""Clock and data pairs, latch and blank lines: told from how their edges stand to each other, in bounded looks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Capture
from spinlag.leds.clocked_words import end_words, find_words
from spinlag.leds.frames import FRAMES, Frame, recognise_frame
from spinlag.roles.clock_lines import (
    FEWEST_PLACES,
    PAUSE_PERIODS,
    Clock,
    Pair,
    Strobe,
    clock_of,
    clocks_served,
    commonest,
    window,
)
from spinlag.roles.glance import MOST_LINES, SHORTEST_SLOT_S, Look
from spinlag.roles.words import figure, plural

Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

LEAST_UPDATE = 24
"""Clocks of the shortest update of the clocked families: one word of 24 bits."""
LEAST_SHARE = 0.5
"""Of the updates at least so many have one length, and as many clocks as whole LEDs need."""
CHIP_BITS = 8
"""Outputs of the smallest shift register; larger drivers hold whole multiples of as many bits."""
MOST_DATA = 4
"""More lines than so many on one clock are the inside of some logic and no LED chains (common practice, no source)."""
LEAST_PLAIN_LEDS = 2
"""Words that bear no mark are taken for LEDs only where there are so many: a sensor's answer is as short."""
MOST_UPDATES = 200
"""Updates whose bits are read to tell the family."""

_DRIVERS = ((12, 16), (12, 24))
"""(bits per output, outputs) of grey-scale drivers; plain shift registers have one bit per output."""


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
    looks = [look for look in looks if look.count]
    if len(capture.channels) > MOST_LINES:
        return ()
    clocks = [clock for look in sorted(looks, key=lambda look: -look.count) if (clock := clock_of(look, capture))]
    served = clocks_served(clocks, looks)
    found: list[Wired] = []
    taken: set[str] = set()
    for clock, pairs, strobes in served:
        if clock.look.channel.path in taken:
            continue
        pairs = [pair for pair in pairs if pair.data.channel.path not in taken]
        strobes = [strobe for strobe in strobes if strobe.look.channel.path not in taken]
        if len(pairs) > MOST_DATA or (len(pairs) > 1 and _selected(clock, strobes)):
            continue
        for pair in pairs:
            chain = _chain(clock, pair, strobes, capture)
            if chain is not None and (chain.spacing or 0.0) * float(capture.tick) >= SHORTEST_SLOT_S:
                found.append(chain)
                taken |= {line.channel.path for line in chain.lines.values()}
    return tuple(found)


def _selected(clock: Clock, strobes: Sequence[Strobe]) -> bool:
    """True where a line is at one level all through the rests and at the other while the clock runs: with data in two
    directions that is the select line of some other bus."""
    rests = clock.starts[1:] - clock.ends[:-1]
    for strobe in strobes:
        before = np.searchsorted(clock.starts, strobe.starts, side="right")
        held = rests[before - 1]
        if float(np.median((strobe.ends - strobe.starts) / held)) > 0.8:
            return True
    return False


def _bursts(clock: Clock) -> tuple[float, Ints] | None:
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
        if len(sizes) < 2 or commonest(sizes) < LEAST_UPDATE:
            continue
        share = float((sizes == commonest(sizes)).mean())
        if best is None or share > best[0] + 0.05:
            best = (share, cut, first)
        if share >= 0.9:
            break
    return None if best is None or best[0] < LEAST_SHARE else best[1:]


def _bits(clock: Clock, data: Look, sampling: str) -> Bools:
    """Level of the data at every sampling edge of the stretch."""
    edges = clock.starts if (sampling == "rising") == (clock.rest == 0) else clock.ends
    stretch = window(clock, data)
    first = stretch.level ^ 1 if len(stretch.edges) else max(data.channel.level_at(int(edges[0])), 0)
    levels: Bools = (first ^ (np.searchsorted(stretch.edges, edges, side="right") & 1)).astype(bool)
    return levels


def _chain(clock: Clock, pair: Pair, strobes: Sequence[Strobe], capture: Capture) -> Wired | None:
    data, sampling = pair.data, pair.sampling
    bits = _bits(clock, data, sampling)
    bursts = _bursts(clock)
    frame, leds, family = None, None, ""
    if bursts is not None:
        frame, leds, family = _family(bits, bursts[1])
    latch, blank = _latch_and_blank(strobes)
    marked = frame is not None
    if bursts is None and latch is None:
        return None
    first = latch.clocks if latch is not None and not marked else np.diff(bursts[1]) if bursts else np.empty(0)
    usual = commonest(np.asarray(first, dtype=np.int64))
    share = float((first == usual).mean())
    told = [_pair_said(clock, data, sampling, capture)]
    if latch is None or marked:
        if bursts is None or not leds or share < LEAST_SHARE or (not marked and leds < LEAST_PLAIN_LEDS):
            return None
        if not marked and pair.places <= FEWEST_PLACES:
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


def _latch_and_blank(strobes: Sequence[Strobe]) -> tuple[Strobe | None, Strobe | None]:
    """The latch is the first pulse after the clocks; the blank line is one that begins before it and ends after."""
    found = sorted(strobes, key=lambda strobe: strobe.wait)
    for latch in found:
        for other in found:
            if other is not latch and _encloses(other, latch):
                return latch, other
    return (found[0], None) if found else (None, None)


def _encloses(outer: Strobe, inner: Strobe) -> bool:
    at = np.searchsorted(outer.starts, inner.starts, side="right") - 1
    within = (at >= 0) & (inner.ends <= outer.ends[np.maximum(at, 0)])
    return bool(within.mean() >= 0.9)


def _outputs(clocks: int) -> tuple[int, int | None, int]:
    """(bits per output, outputs per chip, outputs) that so many clocks a latch most likely are."""
    for depth, outputs in _DRIVERS:
        if clocks % (depth * outputs) == 0:
            return depth, outputs, clocks // depth
    return 1, None, clocks


def _family(bits: Bools, first: Ints) -> tuple[Frame | None, int | None, str]:
    """(family where the bits tell it, LEDs, in words)."""
    usual = commonest(np.diff(first))
    kept = [i for i in range(len(first) - 1) if first[i + 1] - first[i] == usual][:MOST_UPDATES]
    updates = [bits[first[i] : first[i + 1]] for i in kept]
    frame, why = recognise_frame(updates)
    if not _borne_out(frame, updates):
        plain = f"{usual // 24} LEDs of 24 bits" if usual % 24 == 0 else f"{usual} bits"
        told = f"no start frame and no header in the bits: {plain} as of the WS2801 kind, and others, fit"
        return None, usual // 24 if usual % 24 == 0 else None, told
    flat, begin = np.concatenate(updates), np.arange(len(updates), dtype=np.int64) * usual
    words = find_words(frame, flat, begin, begin + usual - 1, None, end_words(frame, updates))
    leds = commonest(words.words)
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


def _pair_said(clock: Clock, data: Look, sampling: str, capture: Capture) -> str:
    rate = figure(1.0 / (clock.period * float(capture.tick)), "Hz")
    quiet = "low" if sampling == "rising" else "high"
    return (
        f"{data.channel.name!r} changes only while the clock {clock.look.channel.name!r} is {quiet} or as it goes "
        f"{quiet}, so the {sampling} edge samples it; clocks come at {rate} in bursts"
    )


def _latched_said(latch: Strobe, blank: Strobe | None, clocks: int, share: float, capture: Capture) -> list[str]:
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
