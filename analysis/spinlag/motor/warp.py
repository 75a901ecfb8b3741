"""Uneven sensors or an uneven turn? What the learned positions say of each, and how surely.

A motor edge that always comes 0.1 degrees late may sit 0.1 degrees off, or the shaft may always be slow there. A sensor
that sits off shifts its edges by the same amount at every pole pair; unequal duty moves rising against falling edges;
magnet poles scatter at random; what is left and follows a few orders of rotation is the shaft. The four are weighed as
normal distributions (linear Bayes; Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006, 5.4.1 for the
marginal likelihood of their sizes, over which the results are averaged).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import product

import numpy as np
from numpy.typing import NDArray

from spinlag.motor.lines import CountedLines
from spinlag.motor.pattern import Pattern

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]
_Parts = tuple[Floats, Floats, Floats, Floats]
"""Covariances: what is fixed, and unit sizes of the duties, the ripple and the poles."""

MOST_ORDERS = 48
SHIFT_CYCLES = 0.04
"""How far a sensor may sit off its place: 15 electrical degrees, one standard deviation."""

POLE_DEG = (0.0, 0.005, 0.02, 0.05, 0.1, 0.2, 0.4)
DUTY_DEG = (0.0, 0.05, 0.2, 0.6)
RIPPLE = (1e-4, 3e-4, 1e-3, 3e-3, 1e-2, 3e-2)
"""Sizes that are tried: scatter of the poles and of the duty in degrees of the shaft, and speed ripple of order 1;
before the positions are looked at, ripple is taken to fall as 1 / order."""

MANY_EDGES = 240
"""With more edges to a turn, neighbours of one series are taken together, so that so many are left at most."""

CIRCLE_95 = 2.4477
"""Radius that holds 95 % of a two-dimensional normal distribution: sqrt(chi2(0.95, 2))."""

DUTIES = (1 / 2, 1 / 3, 2 / 3)
DUTY_NEAR = 0.06

_PASSES = 3
_GRID = 8192
_NEGLIGIBLE = 1e-5
_EXACT = 1e-7
"""Standard deviation, in turns, that no position is known better than."""


@dataclass(frozen=True, eq=False)
class Warp:
    """How the shaft runs within a turn: at angle theta (revolutions from the rotor's own zero) even turns are
    theta + sum over k of cosine[k] cos(2 pi order[k] theta) + sine[k] sin(2 pi order[k] theta).

    `spread`: standard deviation of each pair of coefficients; `told`, shape (orders,): False where the positions cannot
    tell this order from the sensors' own places. `pole_deg`, `duty_deg`: sizes that fit the positions best.
    """

    order: Indices
    cosine: Floats
    sine: Floats
    spread: Floats
    told: NDArray[np.bool_]
    pole_deg: float
    duty_deg: float

    def bend(self, theta: Floats) -> Floats:
        """Even turns less angle at angles `theta`, revolutions."""
        if not len(self.order):
            return np.zeros_like(theta)
        return np.asarray(np.interp(theta - np.floor(theta), np.arange(_GRID + 1) / _GRID, self._bends))

    @cached_property
    def _bends(self) -> Floats:
        """The bend on an even grid, so fine that a straight line between its points is as good as the sum."""
        phase = 2.0 * np.pi * np.outer(np.arange(_GRID + 1) / _GRID, self.order)
        return np.asarray(np.cos(phase) @ self.cosine + np.sin(phase) @ self.sine)

    def angle(self, even: Floats) -> Floats:
        """Angles (revolutions) at even turns."""
        theta = even - self.bend(even)
        return np.asarray(even - self.bend(theta))

    def speed(self, theta: Floats) -> Floats:
        """Speed at angles `theta`, revolutions, relative to the mean over time."""
        gain = 2.0 * np.pi * self.order
        phase = 2.0 * np.pi * np.outer(theta - np.floor(theta), self.order)
        slope = np.cos(phase) @ (self.sine * gain) - np.sin(phase) @ (self.cosine * gain)
        return np.asarray(1.0 / np.maximum(1.0 + slope, 0.1))

    def amplitudes(self) -> tuple[Floats, Floats, Floats]:
        """Relative speed ripple of each order with its 95 % interval; NaN where it cannot be told."""
        gain = 2.0 * np.pi * self.order
        theta = np.arange(_GRID) / _GRID
        speed = self.speed(theta)
        size = 2.0 * np.abs(np.fft.rfft(speed))[self.order] / speed.sum()
        reach = CIRCLE_95 * gain * self.spread
        unknown = np.where(self.told, 0.0, np.nan)
        low = np.maximum(size - reach, 0.0) + unknown
        return np.asarray(size + unknown), np.asarray(low), np.asarray(size + reach + unknown)


NO_WARP = Warp(np.empty(0, np.int64), np.empty(0), np.empty(0), np.empty(0), np.empty(0, np.bool_), 0.0, 0.0)


def separate(lines: CountedLines, pattern: Pattern, nominal: Floats | None = None) -> Warp:
    """What of the learned positions is the shaft's doing. `nominal`: where each edge would sit on an even wheel, turns;
    on even poles where it is not given."""
    orders = np.arange(1, min((pattern.nodes - 1) // 2, MOST_ORDERS) + 1)
    if not len(orders):
        return NO_WARP
    even = pattern.pole / pattern.poles if nominal is None else nominal
    warp = NO_WARP
    for _ in range(_PASSES):
        # the bend is a function of the angle, which the bend itself turns the positions into
        warp = _separate(lines, pattern, orders, warp.angle(pattern.at), even)
    return warp


def _separate(lines: CountedLines, pattern: Pattern, orders: Indices, theta: Floats, even: Floats) -> Warp:
    target = _off_nominal(lines, pattern, even)
    line = np.array([lines.series[s].line for s in pattern.series])
    sign = np.array([0.5 if lines.series[s].rising else -0.5 for s in pattern.series])
    seats = (line[:, None] == np.unique(line)[None, :]).astype(np.float64)
    phase = 2.0 * np.pi * np.outer(theta, orders)
    waves = np.hstack((np.cos(phase), np.sin(phase)))
    weight = np.tile(1.0 / (2.0 * np.pi * orders**2) ** 2, 2)
    duties = seats * sign[:, None]
    share = _gathered(pattern)
    if share is not None:
        target, seats, duties, waves = share @ target, share @ seats, share @ duties, share @ waves
    own = np.ones(len(target)) if share is None else (share**2).sum(axis=1)
    error = pattern.error**2 if share is None else share**2 @ pattern.error**2
    fixed = (SHIFT_CYCLES / pattern.poles) ** 2 * seats @ seats.T + np.diag(error + _EXACT**2)
    parts = (fixed, duties @ duties.T, (waves * weight) @ waves.T, np.diag(own))
    mean, spread, prior, sizes = _posterior(target, parts, waves, weight)
    n = len(orders)
    spread2 = 0.5 * (spread[:n] ** 2 + spread[n:] ** 2)
    return Warp(orders, mean[:n], mean[n:], np.sqrt(spread2), spread2 < 0.5 * prior[:n], *sizes)


def _gathered(pattern: Pattern) -> Floats | None:
    """Matrix that takes edges to means over neighbouring poles of one series, at most MANY_EDGES of them; None where no
    more edges than that make up a turn.

    A mean over a piece of a turn knows as much of the few orders that are looked for as the edges in it.
    """
    edges = len(pattern.at)
    if edges <= MANY_EDGES:
        return None
    together = -(-edges // MANY_EDGES)
    _, group, count = np.unique(
        pattern.series * pattern.poles + pattern.pole // together, return_inverse=True, return_counts=True
    )
    share = np.zeros((len(count), edges))
    share[group, np.arange(edges)] = 1.0 / count[group]
    return share


def _posterior(
    target: Floats, parts: _Parts, waves: Floats, weight: Floats
) -> tuple[Floats, Floats, Floats, tuple[float, float]]:
    """Mean, standard deviation and prior variance of the wave coefficients, and the likely pole and duty scatter, in
    degrees; averaged over the sizes, each with its marginal likelihood."""
    tried = list(product(POLE_DEG, DUTY_DEG, RIPPLE))
    evidence = np.array([_likelihood(target, _covariance(parts, sizes)) for sizes in tried])
    share = np.exp(evidence - evidence.max())
    share /= share.sum()
    mean, square, prior = np.zeros(len(weight)), np.zeros(len(weight)), np.zeros(len(weight))
    for own, sizes in zip(share, tried, strict=True):
        if own < _NEGLIGIBLE:
            continue
        before = sizes[2] ** 2 * weight
        gain = np.linalg.solve(_covariance(parts, sizes), waves * before).T
        centre = gain @ target
        mean += own * centre
        square += own * (centre**2 + before - np.einsum("ij,ji->i", gain, waves * before))
        prior += own * before
    pole, duty = (float(share @ np.array([sizes[i] for sizes in tried])) for i in (0, 1))
    return mean, np.sqrt(np.maximum(square - mean**2, 0.0)), prior, (pole, duty)


def _off_nominal(lines: CountedLines, pattern: Pattern, even: Floats) -> Floats:
    """Positions less an even lattice of poles and each line's usual place, turns."""
    off = pattern.at - even
    for line in {one.line for one in lines.series}:
        of = [s for s, one in enumerate(lines.series) if one.line == line]
        means = {s: float(off[pattern.series == s].mean()) for s in of}
        if len(of) == 2:
            rise, fall = (of[0], of[1]) if lines.series[of[0]].rising else (of[1], of[0])
            duty = ((means[fall] - means[rise]) * pattern.poles) % 1.0
            nominal = min(DUTIES, key=lambda one: abs(one - duty))
            if abs(nominal - duty) < DUTY_NEAR:
                excess = (duty - nominal) / pattern.poles
                means[rise] += excess / 2
                means[fall] -= excess / 2
        for s in of:
            off[pattern.series == s] -= means[s]
    return np.asarray(off, dtype=np.float64)


def _covariance(parts: _Parts, sizes: tuple[float, float, float]) -> Floats:
    fixed, duties, waves, own = parts
    pole, duty, ripple = sizes
    return np.asarray(fixed + (duty / 360.0) ** 2 * duties + ripple**2 * waves + (pole / 360.0) ** 2 * own)


def _likelihood(target: Floats, covariance: Floats) -> float:
    """Logarithm of the marginal likelihood, without its constant."""
    from scipy.linalg import solve_triangular

    factor = np.linalg.cholesky(covariance)
    white = solve_triangular(factor, target, lower=True, check_finite=False)
    return -0.5 * float(white @ white) - float(np.log(np.diag(factor)).sum())
