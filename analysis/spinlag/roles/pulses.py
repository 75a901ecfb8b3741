"""Regular pulse lines: rate, duty, pattern over a turn, and how two lines or three hang together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Capture, Channel, Ticks
from spinlag.roles.glance import Look, Stretch, edges_between, sample_ticks

REGULAR = 0.12
"""A period within 12 % of its neighbours' median (or of a small multiple) is regular."""
LEAST_REGULAR = 0.8
MOST_EDGES = 60_000
"""Edges of one line that go into its figures."""
PATTERN_LIMIT = 128
"""Longest pattern of pulses over a turn that is searched for."""


@dataclass(frozen=True, eq=False)
class Pulses:
    """A line as pulses; lengths in ticks.

    `active` is the level of the shorter half. `period` is the median spacing of the edges into it. `regular` is the
    share of periods that agree with their neighbours, `steadiness` the relative spread (half the 68 % range) of the
    periods. `pattern` is the number of pulses after which spacings repeat (1 when they are even), `missing_tooth` True
    where the pattern is even but for one gap.
    """

    look: Look
    active: int
    count: int
    period: float
    width: float
    duty: float
    regular: float
    steadiness: float
    leading_jitter: float
    trailing_jitter: float
    pattern: int
    missing_tooth: bool
    rate_hz: float

    @property
    def periodic(self) -> bool:
        """True where at least three edges come regularly."""
        return self.count >= 3 and self.regular >= LEAST_REGULAR

    def main(self) -> Stretch:
        """The stretch that the figures come from."""
        return _main(self.look)

    def marks(self, instants: Ticks) -> Ticks:
        """Of edges of one kind, ticks, those that come once per repeat of the pattern: all where pulses are even, the
        first after the gap of a missing tooth, else every `pattern`-th."""
        if self.missing_tooth and len(instants) > 2:
            periods = np.diff(instants)
            return instants[1:][periods > 1.35 * self.period]
        return instants[:: self.pattern]


def _main(look: Look) -> Stretch:
    longest = max(look.stretches, key=lambda stretch: len(stretch.edges))
    return Stretch(longest.edges[:MOST_EDGES], longest.level)


def _spread(values: NDArray[np.float64]) -> float:
    """Half the central 68 % range: a standard deviation that a few faults do not move."""
    if len(values) < 2:
        return 0.0
    low, high = np.quantile(values, (0.16, 0.84))
    return float(high - low) / 2


def _local_median(values: NDArray[np.float64], width: int = 9) -> NDArray[np.float64]:
    if len(values) <= width:
        return np.full(len(values), float(np.median(values)))
    padded = np.pad(values, width // 2, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1))


def _regular_share(periods: NDArray[np.float64], pattern: int) -> float:
    """Share of periods that agree with the one a pattern earlier and later, or are small multiples of it."""
    if len(periods) == 0:
        return 0.0
    shares = []
    for phase in range(pattern):
        own = periods[phase::pattern]
        if len(own) == 0:
            continue
        ratio = own / _local_median(own)
        near = np.rint(ratio)
        shares.append((np.abs(ratio - near) <= REGULAR * np.maximum(near, 1)) & (near >= 1) & (near <= 4))
    return float(np.concatenate(shares).mean())


def _pattern(periods: NDArray[np.float64], sample: float) -> tuple[int, bool]:
    """(pulses per repeat, missing tooth) from the spacings: the shortest lag at which they repeat far better than
    from pulse to pulse. (1, False) where they are even, which says nothing of the pulses per turn."""
    n = len(periods)
    if n < 5:
        return 1, False
    step = np.abs(np.diff(periods))
    base = float(np.median(periods))
    floor = 2 * sample
    roughness = float(np.mean(np.minimum(step, base)))
    if roughness <= max(floor, 2e-4 * base):
        return 1, False
    for lag in range(2, min(PATTERN_LIMIT, (n - 1) // 2) + 1):
        change = float(np.mean(np.minimum(np.abs(periods[lag:] - periods[:-lag]), base)))
        if change <= max(0.3 * roughness, floor * 0.5):
            sectors = np.array([np.median(periods[phase::lag]) for phase in range(lag)])
            others = np.delete(sectors, int(np.argmax(sectors)))
            even = bool(np.ptp(others) <= 0.15 * np.median(others))
            longest = float(sectors.max() / np.median(others))
            if longest < 1.3 and n < max(20, 4 * lag):
                # too little to tell a small unevenness that repeats from chance
                continue
            return lag, bool(lag >= 3 and even and 1.6 <= longest <= 4.2)
    return 1, False


def pulses_of(look: Look, capture: Capture, most_hz: float) -> Pulses | None:
    """The line as pulses; None with fewer than two edges of either kind, or with many more than `most_hz` a second."""
    if not look.stretches or look.count < 3 or look.count > max(2000.0, 2 * most_hz * capture.duration_s):
        return None
    main = _main(look)
    _, highs = main.widths(1)
    _, lows = main.widths(0)
    active = 1 if len(lows) == 0 or (len(highs) > 0 and np.median(highs) <= np.median(lows)) else 0
    leading = main.turning_to(active)
    trailing = main.turning_to(1 - active)
    if len(leading) < 2:
        active = 1 - active
        leading, trailing = trailing, leading
    _, widths = main.widths(active)
    if len(leading) < 2 or len(widths) == 0:
        return None
    periods = np.diff(leading).astype(np.float64)
    behind = np.diff(trailing).astype(np.float64)
    sample = sample_ticks(capture)
    pattern, tooth = _pattern(periods, sample)
    period = float(np.median(periods))
    seconds = float((leading[-1] - leading[0]) * capture.tick)
    width = float(np.median(widths))
    return Pulses(
        look=look,
        active=active,
        count=len(leading),
        period=period,
        width=width,
        duty=min(width / period, 1.0),
        regular=_regular_share(periods, pattern),
        steadiness=_spread(periods) / period,
        leading_jitter=_spread(np.diff(periods, n=1)),
        trailing_jitter=_spread(np.diff(behind, n=1)),
        pattern=pattern,
        missing_tooth=tooth,
        rate_hz=(len(leading) - 1) / seconds,
    )


@dataclass(frozen=True)
class Lock:
    """How a line rides on the index: pulses of it per mark of the index (one repeat of its pattern), over how many
    marks that makes a whole number (0 where the phase is not fixed), and how fixed the phase is (0..1)."""

    per_mark: float
    marks: int
    concentration: float
    turns: int

    @property
    def locked(self) -> bool:
        """True where both lines sit on one shaft, as far as their phase tells."""
        return self.marks > 0


UNLOCKED = Lock(0.0, 0, 0.0, 0)
MOST_MARKS = 12


def lock_of(line: Pulses, index: Pulses) -> Lock:
    """Phase of a line's leading edges at the marks of the index.

    The phase is the part of the line's period since its last leading edge; its resultant length over the circle is 1
    for lines on one shaft and near 0 for strangers (Mardia and Jupp, Directional Statistics, 2000, 2.3). With k marks
    in a turn the phase takes k values, so k times the phase is fixed.
    """
    marks = index.marks(index.main().turning_to(index.active))
    if len(marks) < 3:
        return UNLOCKED
    reach = 3 * int(line.period)
    edges = edges_between(line.look.channel, int(marks[0]) - reach, int(marks[-1]) + reach).turning_to(line.active)
    if len(edges) < 4:
        return UNLOCKED
    after = np.searchsorted(edges, marks, side="right")
    inside = (after > 0) & (after < len(edges))
    marks, after = marks[inside], after[inside]
    if len(marks) < 3:
        return UNLOCKED
    phase = (marks - edges[after - 1]) / (edges[after] - edges[after - 1])
    counted = np.diff(after + phase)
    per_mark = float(np.median(counted))
    for k in range(1, MOST_MARKS + 1):
        if k > 1 and len(marks) < 6 * k:
            break
        concentration = float(np.abs(np.exp(2j * np.pi * k * phase).mean()))
        over = k * per_mark
        if concentration >= 0.9 and abs(over - round(over)) <= 0.05 and round(over) >= 1:
            return Lock(per_mark, k, concentration, len(counted))
    return Lock(per_mark, 0, float(np.abs(np.exp(2j * np.pi * phase).mean())), len(counted))


def phase_between(a: Pulses, b: Pulses) -> tuple[float, float]:
    """(degrees by which b's rising edges trail a's, concentration 0..1) over a's periods."""
    rises = a.main().turning_to(1)
    if len(rises) < 3:
        return 0.0, 0.0
    others = edges_between(b.look.channel, int(rises[0]), int(rises[-1])).turning_to(1)
    if len(others) < 2:
        return 0.0, 0.0
    at = np.searchsorted(rises, others, side="right")
    inside = (at > 0) & (at < len(rises))
    at, others = at[inside], others[inside]
    if len(others) < 2:
        return 0.0, 0.0
    turn = (others - rises[at - 1]) / (rises[at] - rises[at - 1])
    mean = np.exp(2j * np.pi * turn).mean()
    return float(np.degrees(np.angle(mean)) % 360), float(np.abs(mean))


@dataclass(frozen=True)
class SixStep:
    """How far three lines behave as a six-step sequence: the share of time in which they are neither all low nor all
    high, the share of state changes in which just one line moves, the changes, and how many of the six states occur."""

    valid: float
    single: float
    changes: int
    states: int


def six_step(lines: tuple[Channel, Channel, Channel], start: int, end: int) -> SixStep:
    """Three lines as a six-step sequence between two ticks; holds for either sense of rotation and for any speed."""
    parts = [edges_between(line, start, end) for line in lines]
    # stop where the first of them was cut short, so that all three are known throughout
    stop = min((int(part.edges[-1]) for part in parts if len(part.edges)), default=start)
    ticks = np.concatenate([part.edges[part.edges <= stop] for part in parts])
    which = np.concatenate([np.full(int((part.edges <= stop).sum()), i) for i, part in enumerate(parts)])
    if len(ticks) < 6:
        return SixStep(0.0, 0.0, 0, 0)
    order = np.argsort(ticks, kind="stable")
    ticks, which = ticks[order], which[order]
    state = np.zeros(len(ticks), dtype=np.int64)
    for i, line in enumerate(lines):
        state += (line.level_at(int(ticks[0]) - 1) ^ (np.cumsum(which == i) & 1)) << i
    last = np.append(np.diff(ticks) > 0, True)
    instants, states = ticks[last], state[last]
    held = np.diff(instants)
    valid = (states[:-1] != 0) & (states[:-1] != 7)
    moved = np.diff(np.concatenate([[0], np.flatnonzero(last) + 1]))
    seen = len(set(states.tolist()) - {0, 7})
    return SixStep(float(held[valid].sum() / max(held.sum(), 1)), float((moved == 1).mean()), len(instants), seen)
