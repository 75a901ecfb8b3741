"""From the rotor's own turns to the shaft's angle: pole pairs, the index's place on the rotor, and slip between."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks
from spinlag.motor.lines import CountedLines
from spinlag.motor.pattern import Nodes
from spinlag.motor.warp import Warp
from spinlag.rotation import NO_TICK, Rotation
from spinlag.rotation.lattice import running_median
from spinlag.rotation.noise import robust_sigma

Floats = NDArray[np.float64]

WHOLE = 0.04
"""Cycles per turn this near (as a share) to a whole number are pole pairs; else a gear or a belt lies between."""

BEYOND_TURNS = 0.5
"""How far the angle is reckoned on past the first and the last motor edge."""

SLIP_SIGMAS = 5.0
LEAST_TURNS = 3


@dataclass(frozen=True)
class Ratio:
    """Electrical cycles per turn of the index: `measured` (None without an index), the `pole_pairs` reckoned with (None
    where they are not known), where that comes from, and what is odd about it."""

    measured: float | None
    pole_pairs: int | None
    source: str
    notes: tuple[str, ...]


def find_ratio(lines: CountedLines, rotation: Rotation | None, given: int | None) -> Ratio:
    """Pole pairs from the rig and from the index, held against each other."""
    measured = _cycles_per_turn(lines, rotation)
    if measured is None:
        if given is None:
            return Ratio(None, None, "", ("without an index and without motor.pole_pairs no turn can be told",))
        return Ratio(None, given, "rig", ())
    nearest = max(round(measured), 1)
    whole = abs(measured / nearest - 1.0) < WHOLE
    if given is None:
        if whole:
            return Ratio(measured, nearest, "index", ())
        return Ratio(measured, None, "", (f"{measured:.4g} electrical cycles per index turn: a gear or a belt?",))
    if nearest == given and whole:
        return Ratio(measured, given, "rig", ())
    said = f"the rig says {given} pole pairs, but the lines show {measured:.4g} electrical cycles per index turn"
    return Ratio(measured, nearest if whole else None, "index" if whole else "", (said,))


def _cycles_per_turn(lines: CountedLines, rotation: Rotation | None) -> float | None:
    if rotation is None or len(rotation.turns) < LEAST_TURNS:
        return None
    passed = np.diff(lines.phase_of_cycle(rotation.turn_ticks))
    passed = passed[rotation.turns["used"].to_numpy(dtype=bool) & np.isfinite(passed)]
    return float(np.median(passed)) if len(passed) >= LEAST_TURNS else None


@dataclass(frozen=True, eq=False)
class Slip:
    """Rotor angle of the index over time: straight between the knots (`ticks`, `even`: even turns of the rotor less
    turns of the index). `rate_deg_per_s` is how fast the motor runs ahead, with its 95 % uncertainty; `total_deg` over
    the capture; `scatter_turns` the scatter of single index pulses about it; `steady`: one straight line is enough."""

    ticks: Ticks
    even: Floats
    rate_deg_per_s: float
    rate_uncertainty_deg_per_s: float
    total_deg: float
    total_uncertainty_deg: float
    scatter_turns: float
    steady: bool

    def at(self, ticks: Ticks) -> Floats:
        """Rotor position of the index, even turns, at `ticks`."""
        base = self.ticks[0]
        return np.asarray(
            np.interp((ticks - base).astype(np.float64), (self.ticks - base).astype(np.float64), self.even)
        )


def find_slip(nodes: Nodes, rotation: Rotation, tick_s: float) -> Slip | None:
    """Where the index sits on the rotor, from the trusted index pulses; None with too few of them under the nodes."""
    at = rotation.turns["index_tick"].to_numpy()
    number = np.arange(len(at))
    trusted = (rotation.turns["kind"].to_numpy() != "shifted") & (at != NO_TICK)
    trusted &= np.isfinite(even_at(nodes, at))
    at, number = at[trusted], number[trusted]
    if len(at) < LEAST_TURNS:
        return None
    gap = even_at(nodes, at) - number
    gap = _without_jumps(gap)
    seconds = (at - at[0]).astype(np.float64) * tick_s
    slope, middle, error, scatter = _line(seconds, gap)
    rest = gap - middle - slope * (seconds - seconds.mean())
    off = rest - running_median(rest, trend=False)
    good = np.abs(off) <= 8.0 * max(robust_sigma(off), 1e-6)
    at, gap, seconds = at[good], gap[good], seconds[good]
    slope, middle, error, scatter = _line(seconds, gap)
    plain = len(at) >= 8 and abs(slope) > SLIP_SIGMAS * error
    line = middle + (slope * (seconds - seconds.mean()) if plain else 0.0)
    smooth = running_median(gap - line, trend=False)
    wander = robust_sigma(smooth[7:-7]) if len(smooth) > 60 else 0.0
    steady = wander <= SLIP_SIGMAS * 1.25 * scatter / np.sqrt(15)
    rate = slope if plain else 0.0
    ends = np.array([min(nodes.ticks[0], at[0] - 1), max(nodes.ticks[-1], at[-1] + 1)])
    outer = middle + rate * ((ends - at[0]) * tick_s - seconds.mean())
    knots, even = ends, outer
    if not steady:
        knots = np.concatenate((ends[:1], at, ends[1:]))
        even = np.concatenate((outer[:1] + smooth[0], line + smooth, outer[1:] + smooth[-1]))
    span = float(ends[1] - ends[0]) * tick_s
    total = float(even[-1] - even[0]) if not steady else slope * span
    return Slip(
        ticks=knots,
        even=np.asarray(even, dtype=np.float64),
        rate_deg_per_s=360.0 * slope,
        rate_uncertainty_deg_per_s=360.0 * 1.959964 * error,
        total_deg=360.0 * total,
        total_uncertainty_deg=360.0 * 1.959964 * error * span,
        scatter_turns=scatter,
        steady=bool(steady),
    )


def _without_jumps(gap: Floats) -> Floats:
    """Whole-turn jumps (a count of turns that went astray in a long silence) taken out."""
    jumps = np.rint(np.diff(gap, prepend=gap[0]))
    return np.asarray(gap - np.cumsum(jumps))


def _line(x: Floats, y: Floats) -> tuple[float, float, float, float]:
    """Slope, mean, standard error of the slope and robust scatter of a straight line."""
    centred = x - x.mean()
    sxx = float(centred @ centred)
    slope = float(centred @ y) / sxx
    rest = y - y.mean() - slope * centred
    scatter = max(robust_sigma(rest), float(np.std(rest)) * 0.5)
    return slope, float(y.mean()), scatter / np.sqrt(sxx), scatter


def even_at(nodes: Nodes, ticks: Ticks) -> Floats:
    """Even turns of the rotor at `ticks`, straight between nodes, and on at the pace of the last turn for up to half a
    turn beyond them; NaN further out."""
    base = nodes.ticks[0]
    value = np.interp((ticks - base).astype(np.float64), (nodes.ticks - base).astype(np.float64), nodes.even)
    for end, inward, out in (
        (0, np.searchsorted(nodes.even, nodes.even[0] + 1.0), ticks < base),
        (-1, np.searchsorted(nodes.even, nodes.even[-1] - 1.0), ticks > nodes.ticks[-1]),
    ):
        far = int(np.clip(inward, 1 if end == 0 else 0, len(nodes.even) - (1 if end == 0 else 2)))
        pace = (nodes.even[end] - nodes.even[far]) / float(nodes.ticks[end] - nodes.ticks[far])
        beyond = (ticks - nodes.ticks[end]).astype(np.float64) * pace
        value = np.where(out, np.where(np.abs(beyond) <= BEYOND_TURNS, nodes.even[end] + beyond, np.nan), value)
    return np.asarray(value)


@dataclass(frozen=True, eq=False)
class Witness:
    """The shaft's angle as the motor lines tell it. Turn k begins where the index stands, as in the rotation."""

    nodes: Nodes
    warp: Warp
    slip: Slip
    pole_pairs: int

    def turns(self, ticks: Ticks) -> Floats:
        """Shaft angle in revolutions since the start of revolution 0 at `ticks`, shape (n,); NaN more than half a turn
        beyond the lines' first and last believed edge."""
        return self._turns(even_at(self.nodes, ticks), ticks)

    @cached_property
    def node_turns(self) -> Floats:
        """Shaft angle in revolutions at every node."""
        return self._turns(self.nodes.even, self.nodes.ticks)

    def _turns(self, even: Floats, ticks: Ticks) -> Floats:
        index = self.slip.at(ticks)
        whole = np.floor(np.where(np.isfinite(even), even, 0.0))
        angle = self.warp.angle(even - whole) + whole
        return np.asarray(angle - (self.warp.angle(index - np.floor(index)) + np.floor(index)))

    def cycle_instants(self) -> Ticks:
        """Ticks at which the rotor passed each whole electrical cycle, in even turns, so that nothing that repeats with
        the turn shows."""
        first = int(np.ceil(self.nodes.even[0] * self.pole_pairs))
        last = int(np.floor(self.nodes.even[-1] * self.pole_pairs))
        even = np.arange(first, last + 1) / self.pole_pairs
        base = self.nodes.ticks[0]
        since = np.interp(even, self.nodes.even, (self.nodes.ticks - base).astype(np.float64))
        return np.asarray(base + np.rint(since).astype(np.int64))

    def instants(self, turns: Floats) -> Ticks:
        """Ticks at which the shaft passed the angles `turns` (revolutions); a little way beyond the nodes too."""
        own = np.maximum.accumulate(self.node_turns)
        right = np.clip(np.searchsorted(own, turns), 1, len(own) - 1)
        left = right - 1
        base = self.nodes.ticks[left]
        step = np.maximum(own[right] - own[left], 1e-12)
        share = (turns - own[left]) / step
        guess = base + np.rint(share * (self.nodes.ticks[right] - base)).astype(np.int64)
        # within a sector the warp is curved: one secant step
        error = turns - self.turns(guess)
        pace = (self.nodes.ticks[right] - base) / step
        return np.asarray(guess + np.rint(np.nan_to_num(error * pace)).astype(np.int64))
