"""Direct lines, one for each letter of each LED: on or off, or dimmed by pulse width; a change is an update."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import UNKNOWN, Capture, Channel, Progress, Ticks
from spinlag.leds.chain_parts import chain_parts, no_updates
from spinlag.leds.direct_pwm import PwmPace, decode_pwm, find_pace
from spinlag.leds.line import Line, unknown_within
from spinlag.leds.lost import Lost
from spinlag.leds.many_lines import SLICE_EDGES, merged, slices
from spinlag.leds.tally import Clock
from spinlag.leds.updates import ChainUpdates
from spinlag.leds.watch import Listing, Traffic, silences
from spinlag.rig import LedsTable, Rig

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_SAMPLE_EDGES = 1 << 18
_LEAST_RATIO = 3.0
_MOST_CUTS = 24


@dataclass(frozen=True, eq=False)
class Changes:
    """n updates: first and last edge, and the lines' values, uint8, shape (n, lines): 0 or 1, or 0 to 255 with PWM."""

    start: Ticks
    last: Ticks
    values: NDArray[np.uint8]


def decode(capture: Capture, chain: LedsTable, rig: Rig, progress: Progress | None = None) -> ChainUpdates:
    """Every change of a set of direct lines. Where lines switch faster than their set changes they count as dimmed by
    pulse width, and their duty is the value (8 bits).

    Raises KeyError where the capture lacks a line. `progress` is called with edges done and edges in all.
    """
    lines = [capture.channel(name) for name in chain.lines]
    clock = Clock(capture.tick, capture.sample_period.ticks, rig.capture.clock_ppm)
    found, notes = chain_parts(chain)
    if not any(len(line.edges) for line in lines):
        return no_updates(chain, chain.data, found, "none of the lines ever switches")
    pace = find_pace(lines, clock)
    if pace is None:
        changes, depth = _on_and_off(lines, clock, progress), 1
    else:
        changes, depth = _dimmed(lines, pace, progress), 8
        notes = (
            *notes,
            f"the lines switch at {1 / (pace.period * clock.tick_s):.5g} Hz within updates: their duty is the value",
        )
    letters = len(chain.order or "W")
    n = len(changes.start)
    whole = np.ones(n, dtype=bool)
    for line in lines:
        whole &= ~unknown_within(Line(line, False, 0, 0, 0), changes.start - 1, changes.last + 1)
    size = len(lines) * depth
    traffic = Traffic(
        name=chain.name,
        channel=chain.data,
        start=changes.start,
        last=changes.last,
        bits=np.full(n, size, dtype=np.int64),
        whole=whole,
        expected=None,
        bits_per_led=letters * depth,
        clock=clock,
        known_to=capture.end,
    )
    listing = Listing()
    silences(traffic, listing)
    observations, unlisted = listing.done()
    lost = Lost(*lines)
    timing = {"between_updates": lost.tally(changes.start[:-1], changes.start[1:], clock)}
    data = np.packbits(changes.values.astype(bool), axis=1) if depth == 1 else changes.values
    part = found[0] if found else None
    return ChainUpdates(
        name=chain.name,
        wiring=chain.wiring,
        channel=chain.data,
        part=part,
        part_note="rig" if found else "no part: plain LEDs on their own lines",
        bits_per_led=letters * depth,
        order=chain.order or "W",
        start=changes.start,
        last=changes.last,
        light_early_s=np.multiply(changes.start - changes.last, clock.tick_s, dtype=np.float64),
        light_s=np.zeros(n),
        bits=traffic.bits,
        data=data.ravel(),
        offsets=np.arange(n + 1, dtype=np.int64) * data.shape[1],
        whole=whole,
        timing={name: tally for name, tally in timing.items() if tally is not None},
        threshold_s=None,
        threshold_from="",
        latch_s=None,
        latch_from="none: the edge itself",
        observations=observations,
        notes=(*notes, *unlisted),
        candidates=found,
        lost_intervals=lost.count,
    )


def _on_and_off(lines: Sequence[Channel], clock: Clock, progress: Progress | None) -> Changes:
    settle = _settle(lines, clock)
    count = len(lines)
    total = sum(len(line.edges) for line in lines)
    state = np.array([0 if line.initial == UNKNOWN else line.initial for line in lines], dtype=np.int64)
    starts: list[Ticks] = []
    lasts: list[Ticks] = []
    values: list[NDArray[np.uint8]] = []
    carried: tuple[Ticks, Ints] = (np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64))
    done = 0
    for begin, end, _ in slices(lines, SLICE_EDGES):
        times, owner = merged(lines, begin, end)
        done += len(times)
        times, owner = np.concatenate((carried[0], times)), np.concatenate((carried[1], owner))
        fresh = np.concatenate(([True], np.diff(times) >= settle))
        firsts = np.flatnonzero(fresh)
        if done < total:
            # the last group may go on in the next slice
            carried = times[firsts[-1] :], owner[firsts[-1] :]
            times, owner, firsts = times[: firsts[-1]], owner[: firsts[-1]], firsts[:-1]
        if not len(firsts):
            continue
        group = np.repeat(np.arange(len(firsts)), np.diff(np.append(firsts, len(times))))
        toggles = np.bincount(group * count + owner, minlength=len(firsts) * count).reshape(-1, count)
        levels = (np.cumsum(toggles, axis=0) + state) & 1
        state = levels[-1]
        moved = (toggles & 1).any(axis=1)
        lasts.append(times[np.append(firsts[1:], len(times)) - 1][moved])
        starts.append(times[firsts][moved])
        values.append(levels[moved].astype(np.uint8))
        if progress is not None:
            progress(done, total)
    none = np.empty(0, dtype=np.int64)
    return Changes(
        np.concatenate(starts) if starts else none,
        np.concatenate(lasts) if lasts else none,
        np.concatenate(values) if values else np.empty((0, count), dtype=np.uint8),
    )


def _settle(lines: Sequence[Channel], clock: Clock) -> int:
    """Rest of all lines that ends an update, in ticks: the clearest break in the intervals between edges that leaves no
    line switching twice within an update."""
    begin, end, _ = next(slices(lines, _SAMPLE_EDGES))
    times, owner = merged(lines, begin, end)
    steps = np.diff(times)
    ordered = np.unique(np.maximum(steps, 1))
    least = max(int(clock.slack_ticks), 1)
    if len(ordered) < 2:
        return least + 1
    ratio = ordered[1:] / np.maximum(ordered[:-1], least)
    cuts = np.argsort(ratio)[::-1][:_MOST_CUTS]
    for cut in cuts:
        if ratio[cut] < _LEAST_RATIO:
            break
        settle = int(np.sqrt(float(ordered[cut + 1]) * max(int(ordered[cut]), least))) + 1
        if not _twice(steps, owner, settle):
            return settle
    return least + 1


def _twice(steps: Ticks, owner: Ints, settle: int) -> bool:
    """True where over a hundredth of the edges come second on their line within one group."""
    group = np.concatenate(([0], np.cumsum(steps >= settle)))
    _, counts = np.unique(group * 64 + owner, return_counts=True)
    return bool((counts - 1).sum() > 0.01 * len(owner))


def _dimmed(lines: Sequence[Channel], pace: PwmPace, progress: Progress | None) -> Changes:
    start, values = decode_pwm(lines, pace, progress)
    return Changes(start, start.copy(), values)
