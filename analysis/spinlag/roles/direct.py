"""Direct LED lines: several lines that switch on one common beat, the column slots, on and off or by pulse width."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Capture, Channel, Ticks
from spinlag.leds.direct_pwm import find_pace
from spinlag.leds.tally import Clock
from spinlag.rig import DEFAULT_CLOCK_PPM
from spinlag.rig_leds import MOST_DIRECT_LINES
from spinlag.roles.glance import MOST_LINES, SHORTEST_SLOT_S, Look, sample_ticks
from spinlag.roles.words import figure, plural

Ints = NDArray[np.int64]

LEAST_LINES = 3
"""Fewer lines on one beat may be anything: two channels of an encoder, strobes of the firmware."""
LEAST_EDGES = 6
MOST_LINE_EDGES = 3000
"""Edges of one line that are weighed."""
ON_BEAT = 0.12
"""A spacing within this share of a column slot of a whole number of slots is on the beat."""
MOST_SLOTS = 16
LEAST_ON_BEAT = 0.85
STRANGER = 0.5
"""A line more than half of whose changes are off the beat does not belong."""


@dataclass(frozen=True, eq=False)
class DirectLines:
    """Lines in the capture's order, and the reasons. `starts` and `ends`, ticks: of the changes looked at (none where
    pulse width hides them); `slot`: their median spacing (the PWM's period)."""

    lines: tuple[Look, ...]
    starts: Ticks
    ends: Ticks
    slot: float
    pwm: bool
    shown: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class _Beat:
    """Changes of a set of lines: `owner` of each edge, `change` each edge belongs to, spacing and share on the beat."""

    starts: Ticks
    ends: Ticks
    owner: Ints
    change: Ints
    slot: float
    good: NDArray[np.bool_]
    """For every spacing between neighbouring changes, whether it is a whole number of slots."""

    @property
    def share(self) -> float:
        return float(self.good.mean()) if len(self.good) else 0.0


def find_direct(looks: Sequence[Look], capture: Capture, *, least: int = LEAST_LINES) -> DirectLines | None:
    """The lines among these that switch on one beat, at least so many; None where there are none."""
    able = [look for look in looks if look.count >= LEAST_EDGES and look.channel.initial >= 0]
    if not least <= len(able) <= MOST_LINES:
        return None
    return _dimmed(able, capture, least) or _on_and_off(able, capture, least)


def _edges(look: Look, until: int) -> Ticks:
    high = min(int(look.channel.edges.searchsorted(until)), MOST_LINE_EDGES)
    return np.asarray(look.channel.edges[:high], dtype=np.int64)


def _on_and_off(looks: Sequence[Look], capture: Capture, least: int) -> DirectLines | None:
    """Drop the line that is most off the beat of all until those left keep one beat."""
    until = min(_reach(look, capture) for look in looks)
    chosen = [(look, edges) for look in looks if len(edges := _edges(look, until)) >= LEAST_EDGES]
    sample = sample_ticks(capture)
    while len(chosen) >= least:
        beat = _beat([edges for _, edges in chosen], sample)
        strange = _strangeness(beat, len(chosen))
        worst = int(np.argmax(strange))
        if strange[worst] <= STRANGER and beat.share >= LEAST_ON_BEAT:
            break
        del chosen[worst]
    if len(chosen) < least or len(chosen) > MOST_DIRECT_LINES or not _like_data([edges for _, edges in chosen], beat):
        return None
    tick = float(capture.tick)
    if beat.slot * tick < SHORTEST_SLOT_S:
        return None
    several = len(beat.owner) / len(beat.starts)
    apart = figure(beat.slot * tick, "s")
    within = figure(float(np.quantile(beat.ends - beat.starts, 0.95)) * tick, "s")
    together = f", {several:.2g} lines at a time within {within}" if several > 1.05 else ", one line at a time"
    shown = (
        f"{plural(len(chosen), 'line')} change on one beat of {apart} ({beat.share:.0%} of "
        f"{plural(len(beat.starts), 'change')}){together}, and stay on for different numbers of slots: LEDs on their "
        "own lines, switched once per column",
        "what does not change in a column shows no update",
    )
    return DirectLines(tuple(look for look, _ in chosen), beat.starts, beat.ends, beat.slot, False, shown)


def _reach(look: Look, capture: Capture) -> int:
    """Tick up to which a line's first edges go."""
    return int(look.channel.edges[MOST_LINE_EDGES]) if look.count > MOST_LINE_EDGES else capture.end


def _beat(lines: Sequence[Ticks], sample: float) -> _Beat:
    times = np.concatenate(lines)
    owner = np.repeat(np.arange(len(lines)), [len(line) for line in lines])
    order = np.argsort(times, kind="stable")
    times, owner = times[order], owner[order]
    steps = np.diff(times)
    settle = _settle(steps, sample)
    first = np.concatenate(([True], steps > settle))
    change = np.cumsum(first) - 1
    starts = times[first]
    ends = times[np.append(np.flatnonzero(first)[1:] - 1, len(times) - 1)]
    spacing = np.diff(starts).astype(np.float64)
    slot = _slot(spacing)
    number = np.rint(spacing / slot)
    off = np.abs(spacing - number * slot)
    # over several slots the speed's wander adds up, and a new turn takes up what it was longer
    good = (number >= 1) & (number <= MOST_SLOTS) & (off <= ON_BEAT * slot)
    return _Beat(starts, ends, owner, change, slot, good)


def _settle(steps: Ints, sample: float) -> float:
    """Steps up to this lie within one change: up to the clearest break below a fifth of the usual long step."""
    floor = 1.5 * sample
    long = float(np.quantile(steps, 0.9))
    short = np.unique(np.maximum(steps[steps <= 0.2 * long], int(floor)))
    if not len(short):
        return floor
    ladder = np.append(short, max(int(0.2 * long), int(short[-1]) + 1)).astype(np.float64)
    ratio = ladder[1:] / ladder[:-1]
    return float(ladder[int(np.argmax(ratio))])


def _slot(spacing: NDArray[np.float64]) -> float:
    """The spacing of which most others are whole multiples: the commonest of the shorter ones."""
    if len(spacing) < 2:
        return max(float(spacing.sum()), 1.0)
    logs = np.log(np.maximum(spacing, 1.0))
    ordered = np.sort(logs)
    near = np.searchsorted(ordered, ordered + ON_BEAT) - np.arange(len(ordered))
    enough = np.flatnonzero(near >= max(0.5 * near.max(), 2))
    densest = int(enough[0]) if len(enough) else 0
    group = ordered[densest : densest + near[densest]]
    return float(np.exp(np.median(group)))


def _strangeness(beat: _Beat, lines: int) -> NDArray[np.float64]:
    """For each line, the share of its changes with a spacing off the beat before or after."""
    odd = np.zeros(len(beat.starts), dtype=bool)
    odd[1:] |= ~beat.good
    odd[:-1] |= ~beat.good
    total = np.bincount(beat.owner, minlength=lines)
    return np.asarray(np.bincount(beat.owner, odd[beat.change], minlength=lines) / np.maximum(total, 1))


def _like_data(lines: Sequence[Ticks], beat: _Beat) -> bool:
    """False where all lines are even square waves of one rate, as of a motor, an encoder or a strobe, and where one
    switches with every beat, as a clock does or the lowest bit of a counter."""
    if max(len(line) for line in lines) > 0.9 * len(beat.starts):
        return False
    medians = np.array([np.median(np.diff(line)) for line in lines])
    spreads = np.array([np.ptp(np.quantile(np.diff(line), (0.1, 0.9))) for line in lines])
    alike = np.ptp(medians) <= 0.25 * medians.min()
    return not (alike and bool((spreads <= 0.5 * beat.slot).all()))


def _dimmed(looks: Sequence[Look], capture: Capture, least: int) -> DirectLines | None:
    """Lines that rise together at one even pace and fall at times of their own: pulse-width modulated."""
    sample = sample_ticks(capture)
    until = min(_reach(look, capture) for look in looks)
    rises = [_rises(look, until) for look in looks]
    fast = [i for i, line in enumerate(rises) if len(line) >= 4]
    if sum(len(line) >= 32 for line in rises) < least:
        return None
    together = np.zeros((len(fast), len(fast)), dtype=bool)
    for a, i in enumerate(fast):
        for b, j in enumerate(fast):
            # either may be off for whole columns, so the line that rises more often is not asked for all its edges
            together[a, b] = max(_share_near(rises[i], rises[j], sample), _share_near(rises[j], rises[i], sample)) > 0.8
    seed = int(np.argmax(together.sum(axis=1)))
    beat = np.sort(np.concatenate([rises[i] for i, member in zip(fast, together[seed], strict=True) if member]))
    # a line that is on while the first ones are off still rises with those that rise with them
    chosen = [looks[i] for i in fast if _share_near(rises[i], beat, sample) > 0.8]
    if not least <= len(chosen) <= MOST_DIRECT_LINES:
        return None
    clock = Clock(capture.tick, capture.sample_period.ticks, DEFAULT_CLOCK_PPM)
    pace = find_pace([look.channel for look in chosen], clock)
    if pace is None or not _duties_vary([look.channel for look in chosen], pace.period):
        return None
    tick = float(capture.tick)
    if pace.period * tick < SHORTEST_SLOT_S:
        return None
    shown = (
        f"{plural(len(chosen), 'line')} rise together every {figure(pace.period * tick, 's')} "
        f"({figure(1.0 / (pace.period * tick), 'Hz')}) and fall at times of their own: LEDs on their own lines, dimmed "
        "by pulse width",
    )
    none = np.empty(0, dtype=np.int64)
    return DirectLines(tuple(chosen), none, none, pace.period, True, shown)


def _rises(look: Look, until: int) -> Ticks:
    return _edges(look, until)[look.channel.initial :: 2]


def _share_near(some: Ticks, others: Ticks, sample: float) -> float:
    """Share of instants that lie by one of the others, within a fiftieth of their usual spacing."""
    steps = np.diff(others)
    slack = max(1.5 * sample, 0.02 * float(np.quantile(steps, 0.9)))
    at = np.searchsorted(others, some)
    before = np.abs(some - others[np.maximum(at - 1, 0)])
    behind = np.abs(others[np.minimum(at, len(others) - 1)] - some)
    return float((np.minimum(before, behind) <= slack).mean())


def _duties_vary(lines: Sequence[Channel], period: float) -> bool:
    """True where the lines' on-times differ, within a line or from line to line, as brightnesses do."""
    widths = []
    for line in lines:
        edges = np.asarray(line.edges[:MOST_LINE_EDGES], dtype=np.int64)
        widths.append(np.diff(edges)[line.initial :: 2])
    spread = np.ptp(np.quantile(np.concatenate(widths), (0.1, 0.9)))
    return bool(spread > 0.05 * period)
