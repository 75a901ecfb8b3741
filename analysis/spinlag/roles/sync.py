"""What the LED updates follow: the edge after which the next update comes with the least spread."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Capture, Ticks
from spinlag.roles.glance import Look, sample_ticks
from spinlag.roles.onewire import OneWire, updates_around
from spinlag.roles.pulses import Pulses
from spinlag.roles.words import figure

Edge = Literal["rising", "falling", "centre"]
READ_EDGES = 600_000
"""Edges of an LED line read, at most, to see what its updates follow."""
MOST_PULSES = 300
LEAST_FOR_CENTRE = 15
"""Pulses needed before the middle of the pulse, which few firmwares act on, is believed."""
MOST_TEETH = 12
"""Pulses per revolution that are tried where nothing else tells their number."""


@dataclass(frozen=True)
class Follow:
    """How updates follow one kind of edge: median wait and its spread, in ticks.

    With `every` above 1 the updates start anew at one pulse in so many, as on a wheel with several pulses a turn; wait,
    spread and seam are those of the pulse that they follow best. `seam` is the spread of the step from the update
    before the edge to the one after it: large where the firmware starts its columns anew at this edge.
    """

    channel: str
    edge: Edge
    pulses: int
    every: int
    wait: float
    spread: float
    seam: float
    spacing: float
    concentration: float
    updates_per_pulse: float

    @property
    def tight(self) -> bool:
        """True where the wait is far steadier than chance: a fifth of the updates' spacing or less."""
        return self.pulses >= 3 and self.concentration >= 0.85 and self.spread <= 0.2 * self.spacing


def edges_of(line: Pulses, edge: Edge) -> Ticks:
    """Instants of a line's pulses, ticks: of one kind of edge, or of the middles of pulses."""
    main = line.main()
    if edge != "centre":
        return main.turning_to(1 if edge == "rising" else 0)
    starts, widths = main.widths(line.active)
    return starts + widths // 2


def _spread(values: NDArray[np.float64]) -> float:
    """Standard deviation without what lies more than five robust deviations from the median."""
    middle = np.median(values)
    off = np.abs(values - middle)
    kept = values[off <= 5 * max(1.4826 * float(np.median(off)), 1e-9)]
    return float(kept.std(ddof=1)) if len(kept) > 1 else 0.0


@dataclass(frozen=True, eq=False)
class Answers:
    """For consecutive pulses: wait to the next update and step from the update before it, ticks; `seen` and `near`
    tell which waits are there and short enough to be answers."""

    wait: NDArray[np.float64]
    step: NDArray[np.float64]
    seen: NDArray[np.bool_]
    near: NDArray[np.bool_]


def answers_to(line: Pulses, edge: Edge, look: Look, wire: OneWire) -> Answers | None:
    """What one LED line does after one kind of edge of the pulses; None with fewer than three answers."""
    if wire.spacing is None:
        return None
    instants = line.marks(edges_of(line, edge)) if line.missing_tooth else edges_of(line, edge)
    most = int(np.clip(READ_EDGES // (8 * wire.burst_bits + 16), 8, MOST_PULSES))
    first = max((len(instants) - most) // 2, 0)
    instants = instants[first : first + most]
    before, after = updates_around(look, wire, instants)
    seen = after >= 0
    if seen.sum() < 3:
        return None
    wait = np.where(seen, after - instants, 0).astype(np.float64)
    step = np.where(seen & (before >= 0), after - before, 0).astype(np.float64)
    # waits longer than a few updates are pauses of the line, not answers
    near = seen & (wait <= 3 * wire.spacing + line.width)
    return Answers(wait, step, seen, near)


def restarts_every(line: Pulses, look: Look, wire: OneWire, capture: Capture) -> int | None:
    """After how many pulses the columns start anew, from the places at which the step between updates is broken.

    Between restarts updates keep an even step; at a restart the step takes up whatever the turn was longer or shorter
    than thought. None where broken steps are too few or of no order, 1 where they come at every pulse.
    """
    best: tuple[int, int] | None = None
    for edge in ("rising", "falling"):
        found = answers_to(line, edge, look, wire)
        if found is None or (found.step > 0).sum() < 12:
            continue
        step = found.step[found.step > 0]
        off = np.abs(step - np.median(step))
        noise = max(float(np.quantile(off, 0.2)), 1.5 * sample_ticks(capture))
        broken = np.flatnonzero((found.step > 0) & (np.abs(found.step - np.median(step)) > 5 * noise))
        if len(broken) < 6:
            continue
        places = len(found.step)
        for k in range(min(places // 3, 64), 0, -1):
            counts = np.bincount(broken % k, minlength=k)
            if counts.max() >= 0.95 * len(broken) and counts.max() >= 0.5 * places / k:
                if best is None or len(broken) > best[1]:
                    best = (k, len(broken))
                break
    return best[0] if best else None


def follow_of(line: Pulses, edge: Edge, look: Look, wire: OneWire, every: int | None = None) -> Follow | None:
    """How the updates of one LED line follow one kind of edge; None where too little of both was seen.

    `every` is the number of pulses between restarts where it is known.
    """
    found = answers_to(line, edge, look, wire)
    if found is None or wire.spacing is None:
        return None
    numbers = _numbers_to_try(line, wire) if every is None else [every]
    k, concentration = _classes(found.wait / wire.spacing, found.near, found.seen, numbers)
    place = np.arange(len(found.wait)) % k
    groups = [group for group in (found.near & (place == c) for c in range(k)) if group.sum() >= 3] or [found.seen]
    best = max(groups, key=lambda group: _spread(found.step[group])) if every else groups[0]
    if every is None:
        best = min(groups, key=lambda group: _spread(found.wait[group]))
    steps = found.step[best & (found.step > 0)]
    return Follow(
        channel=look.channel.name,
        edge=edge,
        pulses=int(best.sum()),
        every=k,
        wait=float(np.median(found.wait[best])),
        spread=_spread(found.wait[best]),
        seam=_spread(steps) if len(steps) >= 3 else 0.0,
        spacing=wire.spacing,
        concentration=concentration,
        updates_per_pulse=line.period * (line.pattern + 1 if line.missing_tooth else 1) / wire.spacing,
    )


def _numbers_to_try(line: Pulses, wire: OneWire) -> list[int]:
    """Pulses per revolution to try: one, what the spacings or the data say, then small ones."""
    said = {1} if line.missing_tooth else {1, line.pattern}
    if wire.repeat and wire.spacing:
        said.add(max(1, round(wire.repeat * wire.spacing / line.period)))
    return sorted(said) + [k for k in range(2, 1 if line.missing_tooth else MOST_TEETH + 1) if k not in said]


def _classes(
    turns: NDArray[np.float64], near: NDArray[np.bool_], seen: NDArray[np.bool_], numbers: list[int]
) -> tuple[int, float]:
    """(pulses after which waits repeat, concentration 0..1 of the waits within the classes that makes).

    `turns` are waits in units of the updates' spacing. Waits of no relation to the pulses spread evenly over the
    spacing; the resultant length of their phase is near 0 then, and 1 where they are all alike.
    """
    phasors = np.where(near, np.exp(2j * np.pi * turns), 0)
    first: tuple[int, float] | None = None
    for k in numbers:
        if k > 1 and len(numbers) > 1 and seen.sum() < 5 * k:
            continue
        sums = [abs(complex(phasors[place::k].sum())) for place in range(k)]
        concentration = float(sum(sums) / seen.sum())
        first = first or (k, concentration)
        if concentration >= 0.85:
            return k, concentration
    return first or (1, 0.0)


def best_follow(line: Pulses, wires: Mapping[str, tuple[Look, OneWire]]) -> Follow | None:
    """The tightest following of a line's rising or falling edge by any LED line."""
    found = [
        follow
        for look, wire in wires.values()
        if wire.on_scale
        for edge in ("rising", "falling")
        if (follow := follow_of(line, edge, look, wire)) is not None
    ]
    return min(found, key=lambda follow: follow.spread / follow.spacing, default=None)


LIKELY_RESPONSE_S = 150e-6
"""Firmware answers an index edge within this time more often than not (common practice, no source)."""


def choose_edge(
    line: Pulses, wires: Mapping[str, tuple[Look, OneWire]], capture: Capture, every: int = 1
) -> tuple[Edge, str]:
    """The edge the updates follow with the least spread, and the reason in words, doubts included.

    `every` is the number of pulses in a turn, of which the updates start anew at one.
    """
    leading: Edge = "rising" if line.active else "falling"
    trailing: Edge = "falling" if line.active else "rising"
    tick = float(capture.tick)
    best: dict[Edge, Follow] = {}
    for look, wire in wires.values():
        for edge in (leading, trailing, "centre"):
            found = follow_of(line, edge, look, wire, every) if wire.on_scale else None
            if found is not None and (edge not in best or found.spread < best[edge].spread):
                best[edge] = found
    if leading not in best or trailing not in best or not (best[leading].tight or best[trailing].tight):
        return _by_steadiness(line, leading, trailing, capture, followed=bool(best))
    spreads = {edge: follow.spread for edge, follow in best.items()}
    told = ", ".join(f"{edge} {figure(spread * tick, 's')}" for edge, spread in spreads.items())
    said = f"spread of the wait from each edge to the next update: {told}"
    floor = 0.6 * sample_ticks(capture)
    first, second = sorted((leading, trailing), key=lambda edge: spreads[edge])
    # a standard deviation of n values is itself uncertain by a share of 1 / sqrt(2 n)
    clear = 1 + max(0.15, 3 / np.sqrt(2 * best[first].pulses))
    # the middle, which few act on, must win by more
    middle = 1 + max(0.3, 4 / np.sqrt(2 * best[first].pulses))
    enough = "centre" in spreads and best[first].pulses >= LEAST_FOR_CENTRE and spreads[first] > floor
    if enough and spreads["centre"] * middle < spreads[first]:
        return "centre", f"{said}; the middle of the pulse is followed best"
    if max(spreads[first], floor) * clear < spreads[second]:
        return first, said
    return _by_seam(best, leading, trailing, floor, tick, f"{said}: too close to tell")


def _by_seam(
    best: Mapping[Edge, Follow], leading: Edge, trailing: Edge, floor: float, tick: float, said: str
) -> tuple[Edge, str]:
    """Spreads being alike: the update at which columns start anew answers the edge before it."""
    for edge, rest in ((leading, trailing), (trailing, leading)):
        if best[edge].seam > 1.5 * max(best[rest].seam, floor):
            return edge, f"{said}, but the columns start anew at the update after the {edge} edge"
    wait = {edge: best[edge].wait * tick for edge in (leading, trailing)}
    if wait[leading] > LIKELY_RESPONSE_S > wait[trailing] and best[trailing].seam > floor:
        return trailing, (
            f"{said}; the update comes {figure(wait[trailing], 's')} after the {trailing} edge and "
            f"{figure(wait[leading], 's')} after the {leading} one, and the quicker answer is the likelier"
        )
    return leading, f"{said}; the {leading} edge, which starts the pulse, is assumed"


def _by_steadiness(
    line: Pulses, leading: Edge, trailing: Edge, capture: Capture, *, followed: bool
) -> tuple[Edge, str]:
    tick = float(capture.tick)
    why = "the updates follow neither edge" if followed else "there is no LED line to show which edge is acted on"
    jitter = (
        f"period to period it varies by {figure(line.leading_jitter * tick, 's')} ({leading}) and "
        f"{figure(line.trailing_jitter * tick, 's')} ({trailing})"
    )
    if line.count >= 10 and line.trailing_jitter < 0.6 * line.leading_jitter:
        return trailing, f"{why}; {jitter}, so the steadier {trailing} edge is taken"
    return leading, f"{why}; {jitter}; the {leading} edge, which starts the pulse, is assumed"
