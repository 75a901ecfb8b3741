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
MOST_PAIR_EDGES = 1000
"""As many where lines are held against each other two and two."""
ON_BEAT = 0.12
"""A spacing within this share of a column slot of a whole number of slots is on the beat."""
LONGEST_SETTLING_S = 50e-6
"""Lines that change within so long change together (common practice, no source)."""
WANDER = 0.01
"""By how much the speed may differ from turn to turn (common practice, no source)."""
MOST_SLOTS = 16
LEAST_ON_BEAT = 0.75
"""With few changes a turn, the one over which the turn is made up may be off."""
MOST_OF_BEATS = 0.9
PAIR_STRANGER = 0.3
STRANGER = 0.4
"""A line of whose changes more than so many are off the beat does not belong: of an index pulse, every other one is."""


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
    able = [look for look in able if not _too_fast(look, capture)]
    if len(able) < least or len(capture.channels) > MOST_LINES:
        return None
    return _dimmed(able, capture, least) or _on_and_off(able, capture, least)


def _too_fast(look: Look, capture: Capture) -> bool:
    """True where many changes come sooner than any column or pulse width does: a bus, a serial line."""
    steps = np.diff(_edges(look, capture.end)) * float(capture.tick)
    # a dim LED is on for less than its PWM's period, so it is the way from one rise to the next that counts
    return bool((steps[:-1] + steps[1:] < SHORTEST_SLOT_S).mean() > 0.1)


def _edges(look: Look, until: int) -> Ticks:
    high = min(int(look.channel.edges.searchsorted(until)), MOST_LINE_EDGES)
    return np.asarray(look.channel.edges[:high], dtype=np.int64)


def _on_and_off(looks: Sequence[Look], capture: Capture, least: int) -> DirectLines | None:
    """The line that keeps one beat with most others, and of these as many as keep it together."""
    tick, sample = float(capture.tick), sample_ticks(capture)
    seeds = _on_one_beat(looks, capture, sample)
    if len(seeds) < 2:
        return None
    until = min(_reach(look, capture) for look in seeds)
    chosen: list[tuple[Look, Ticks]] = []
    beat = None
    for look in seeds:
        edges = _edges(look, until)
        if len(edges) < LEAST_EDGES:
            continue
        wider = _beat([*(edges for _, edges in chosen), edges], tick, sample)
        if beat is not None:
            # of several, only one that changes more often than the others may show that slots are shorter
            busiest = max(len(edges) for _, edges in chosen)
            shorter = len(chosen) > 2 and wider.slot < (1 - ON_BEAT) * beat.slot and len(edges) < busiest
            strange = float(_strangeness(wider, len(chosen) + 1).max())
            if shorter or wider.share < LEAST_ON_BEAT or strange > STRANGER:
                continue
        chosen.append((look, edges))
        beat = wider
    if beat is None:
        return None
    chosen, beat = _with_quiet_ones(chosen, beat, looks, until, tick, sample)
    if not least <= len(chosen) <= MOST_DIRECT_LINES or not _like_data([edges for _, edges in chosen], beat):
        return None
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


def _with_quiet_ones(
    chosen: list[tuple[Look, Ticks]], beat: _Beat, looks: Sequence[Look], until: int, tick: float, sample: float
) -> tuple[list[tuple[Look, Ticks]], _Beat]:
    """The lines chosen and those that keep their beat but change too seldom to show it two and two."""
    kept = {look.channel.path: edges for look, edges in chosen}
    most = max(map(len, kept.values()))
    for look in looks:
        edges = _edges(look, until)
        if look.channel.path in kept or not LEAST_EDGES <= len(edges) <= most:
            continue
        wider = _beat([*kept.values(), edges], tick, sample)
        same = abs(wider.slot / beat.slot - 1) <= ON_BEAT and wider.share >= LEAST_ON_BEAT
        if same and _strangeness(wider, len(kept) + 1)[-1] <= PAIR_STRANGER:
            kept[look.channel.path] = edges
            beat = wider
    return [(look, kept[look.channel.path]) for look in looks if look.channel.path in kept], beat


def _on_one_beat(looks: Sequence[Look], capture: Capture, sample: float) -> list[Look]:
    """The line that keeps one beat with most others, two and two, then these, the surest first."""
    partners = np.eye(len(looks), dtype=bool)
    for a, one in enumerate(looks):
        for b, two in enumerate(looks[:a]):
            until = min(_reach(one, capture, MOST_PAIR_EDGES), _reach(two, capture, MOST_PAIR_EDGES))
            lines = [_edges(one, until), _edges(two, until)]
            if min(map(len, lines)) >= LEAST_EDGES:
                beat = _beat(lines, float(capture.tick), sample)
                # an even line that switches with every beat sets it by itself, whatever the other does
                busy = max(lines, key=len)
                led = len(busy) <= MOST_OF_BEATS * len(beat.starts) or not _even(busy)
                clean = led and _strangeness(beat, 2).max() <= PAIR_STRANGER
                partners[a, b] = partners[b, a] = clean and beat.share >= LEAST_ON_BEAT
    most = int(np.argmax(partners.sum(axis=1)))
    partners[most, most] = False
    others = sorted(
        (look for look, kept in zip(looks, partners[most], strict=True) if kept), key=lambda one: -one.count
    )
    return [looks[most], *others] if others else []


def _even(edges: Ticks) -> bool:
    """True for a line that pulses at one pace."""
    periods = np.diff(edges[::2])
    return bool(np.ptp(np.quantile(periods, (0.1, 0.9))) <= 0.1 * np.median(periods))


def _reach(look: Look, capture: Capture, most: int = MOST_LINE_EDGES) -> int:
    """Tick up to which a line's first edges go."""
    return int(look.channel.edges[most]) if look.count > most else capture.end


def _beat(lines: Sequence[Ticks], tick: float, sample: float) -> _Beat:
    times = np.concatenate(lines)
    owner = np.repeat(np.arange(len(lines)), [len(line) for line in lines])
    order = np.argsort(times, kind="stable")
    times, owner = times[order], owner[order]
    steps = np.diff(times)
    settle = _settle(steps, tick, sample)
    first = np.concatenate(([True], steps > settle))
    change = np.cumsum(first) - 1
    starts = times[first]
    ends = times[np.append(np.flatnonzero(first)[1:] - 1, len(times) - 1)]
    spacing = np.diff(starts).astype(np.float64)
    slot = _slot(spacing)
    good = _on_beat(spacing, slot)
    return _Beat(starts, ends, owner, change, slot, good)


def _settle(steps: Ints, tick: float, sample: float) -> float:
    """Steps up to this lie within one change: as long as firmware takes to set its pins, where slots leave room."""
    return max(1.5 * sample, min(0.2 * float(np.quantile(steps, 0.9)), LONGEST_SETTLING_S / tick))


def _slot(spacing: NDArray[np.float64]) -> float:
    """The longest length that occurs often and of which most spacings are whole multiples."""
    if len(spacing) < 2:
        return max(float(spacing.sum()), 1.0)
    ordered = np.sort(np.log(np.maximum(spacing, 1.0)))
    near = np.searchsorted(ordered, ordered + ON_BEAT) - np.arange(len(ordered))
    best, slot, at = 0.0, 0.0, 0
    for _ in range(MOST_SLOTS):
        often = np.flatnonzero(near[at:] >= max(0.05 * near.max(), 2))
        if not len(often):
            break
        at += int(often[0])
        length = float(np.exp(np.median(ordered[at : at + near[at]])))
        share = float(_on_beat(spacing, length).mean())
        if share >= best - 0.02:
            best, slot = max(share, best), length
        at += int(near[at])
    return slot or float(np.exp(ordered[0]))


def _on_beat(spacing: NDArray[np.float64], slot: float) -> NDArray[np.bool_]:
    """For every spacing whether it is a whole number of slots. Over several the speed's wander adds up, and a new turn
    takes up what it was longer."""
    number = np.rint(spacing / slot)
    off = np.abs(spacing - number * slot)
    good: NDArray[np.bool_] = (number >= 1) & (number <= MOST_SLOTS) & (off <= ON_BEAT * slot + WANDER * spacing)
    return good


def _strangeness(beat: _Beat, lines: int) -> NDArray[np.float64]:
    """For each line, the share of its changes with a spacing off the beat before or after."""
    odd = np.zeros(len(beat.starts), dtype=bool)
    odd[1:] |= ~beat.good
    odd[:-1] |= ~beat.good
    total = np.bincount(beat.owner, minlength=lines)
    return np.asarray(np.bincount(beat.owner, odd[beat.change], minlength=lines) / np.maximum(total, 1))


def _like_data(lines: Sequence[Ticks], beat: _Beat) -> bool:
    """False where all lines are even square waves of one rate, as of a motor, an encoder or a strobe, where one
    switches with every beat, as a clock does or the lowest bit of a counter, and where most are bits of counters."""
    if max(len(line) for line in lines) > MOST_OF_BEATS * len(beat.starts):
        return False
    if 2 * sum(any(_carries(fast, slow) for fast in lines) for slow in lines) >= len(lines):
        return False
    periods = [np.diff(line[::2]) for line in lines]
    medians = np.array([np.median(period) for period in periods])
    spreads = np.array([np.ptp(np.quantile(period, (0.1, 0.9))) for period in periods])
    alike = np.ptp(medians) <= 0.25 * medians.min()
    return not (alike and bool((spreads <= 0.5 * beat.slot).all()))


def _carries(fast: Ticks, slow: Ticks) -> bool:
    """True where one line switches each time that the other comes back to the same level: the next bit of a counter."""
    return 0.3 * len(fast) <= len(slow) <= 0.7 * len(fast) and any(
        float(np.isin(slow, fast[way::2]).mean()) > 0.75 for way in (0, 1)
    )


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
    falls = np.concatenate([_edges(look, until)[1 - look.channel.initial :: 2] for look in chosen])
    if _share_near(falls, beat, sample) > 0.5:
        # they go off on the same beat: switched, not dimmed
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
