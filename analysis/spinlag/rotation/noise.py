"""How restless the pulses usually are: robust figures from the capture itself, to tell jitter from incidents."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MAD_TO_SIGMA = 1.4826
"""Median absolute deviation to standard deviation, for a normal distribution."""

SIGMAS = 7.0
"""Ordinary jitter stays within this many robust standard deviations: one in 4e11 for a normal distribution."""


def robust_sigma(values: Floats) -> float:
    """Standard deviation of the bulk of `values` about their median; 0 for none."""
    return centre_and_sigma(values)[1]


def centre_and_sigma(values: Floats) -> tuple[float, float]:
    """Median of the finite `values`, and the standard deviation of their bulk about it; (0, 0) for none."""
    values = values[np.isfinite(values)]  # a copy, and worked on in place: there may be millions
    if not len(values):
        return 0.0, 0.0
    centre = float(np.median(values, overwrite_input=True))
    np.abs(np.subtract(values, centre, out=values), out=values)
    return centre, MAD_TO_SIGMA * float(np.median(values, overwrite_input=True))


def sigmas_for(n: int) -> float:
    """Threshold in robust standard deviations learned from n values; wider for few, whose median deviation is vague."""
    return SIGMAS * (1.0 + 10.0 / max(n, 1))


@dataclass(frozen=True)
class Noise:
    """Two kinds of restlessness, as standard deviations relative to one interval: `edge`, each instant by itself
    (sensor, sampling), and `pace`, the length of each interval by itself (the shaft)."""

    edge: float
    pace: float

    def covariance(self, share: Floats) -> Floats:
        """Covariance of n successive intervals whose nominal lengths are `share` (1: one interval), shape (n, n)."""
        n = len(share)
        edges = 2.0 * np.eye(n) - np.eye(n, k=1) - np.eye(n, k=-1)
        return np.asarray(self.edge**2 * edges + self.pace**2 * np.diag(share))


def estimate_noise(pace: Floats, floor: float) -> Noise:
    """Split the restlessness of `pace` (each interval over its nominal length and the speed nearby; 1: as expected).

    The sum of L intervals less that of the L before has variance 6 e^2 + 2 L p^2, where e is the edges' and p the
    intervals' own; MAD takes the place of the standard deviation, so single faults do not count. A slow swing of the
    speed shows more in long sums than in short ones, and counts as p.
    """
    if len(pace) < 9:
        return Noise(max(floor, 0.01), 0.01)
    single, double, quadruple = (_sum_difference(pace, n) for n in (1, 2, 4))
    own = max((double - single) / 2.0, (quadruple - single) / 6.0, 0.0)
    edge = max((single - double + single) / 6.0, (single - 2.0 * own) / 6.0, 0.0)
    return Noise(max(float(np.sqrt(edge)), floor), float(np.sqrt(own)))


def _sum_difference(pace: Floats, n: int) -> float:
    """Robust variance of the sum of n values less that of the n before."""
    total = np.cumsum(np.concatenate(([0.0], pace - 1.0)))
    sums = total[n:] - total[:-n]
    return robust_sigma(sums[n:] - sums[:-n]) ** 2
