"""What the recorder's sample clock allows to be said: quantisation, averaging, clock tolerance, combined per JCGM 100.

An instant sampled every T_s is late by a uniform 0..T_s (standard uncertainty T_s / sqrt(12), JCGM 100 4.3.7). An
interval between two such instants carries a triangular error of +-T_s (T_s / sqrt(6), JCGM 100 4.3.9). A recorder
clock known to +-p ppm stretches every interval by the same unknown factor, rectangular, and never averages out.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

PPM = 1e-6


def instant_standard_uncertainty(sample_period_s: float) -> float:
    """Standard uncertainty of one sampled instant: T_s / sqrt(12) (JCGM 100 4.3.7), seconds."""
    return sample_period_s / math.sqrt(12)


def interval_standard_uncertainty(sample_period_s: float) -> float:
    """Standard uncertainty of one interval between two sampled instants: T_s / sqrt(6) (JCGM 100 4.3.9), seconds."""
    return sample_period_s / math.sqrt(6)


def triangular_half_width(sample_period_s: float, coverage: float = 0.95) -> float:
    """Half-width that holds `coverage` of a triangular +-T_s error: (1 - sqrt(1 - p)) T_s, 0.776 T_s at 95 %."""
    return (1 - math.sqrt(1 - coverage)) * sample_period_s


@lru_cache(maxsize=4096)
def _coverage(triangles: int, triangle: float, rectangle: float, normal: float, coverage: float) -> float:
    """Half-width h with P(|X| <= h) = coverage for X = mean of triangles + rectangle + normal.

    P(|X| <= h) = 2/pi * integral of sin(h t)/t * phi(t) dt over t > 0, phi the product of the characteristic functions
    (Gil-Pelaez, Biometrika 38, 1951), bisected for h.
    """
    of_triangles = triangle**2 / (6 * triangles) if triangles else 0.0
    sd = math.sqrt(of_triangles + rectangle**2 / 3 + normal**2)
    if sd == 0:
        return 0.0
    step = 0.1 / sd
    t = (np.arange(4000) + 0.5) * step
    phi = np.ones_like(t)
    if triangles:
        phi = np.sinc(t * triangle / (2 * np.pi * triangles)) ** (2 * triangles)
    phi = phi * np.sinc(t * rectangle / np.pi) * np.exp(-0.5 * (normal * t) ** 2)
    low, high = 0.0, 4 * sd
    for _ in range(40):
        middle = (low + high) / 2
        if 2 / np.pi * step * float(np.sum(np.sin(middle * t) / t * phi)) < coverage:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def mean_interval_uncertainty(
    sample_period_s: float,
    n: int,
    *,
    clock_ppm: float = 0.0,
    mean_s: float = 0.0,
    locked: bool = False,
    coverage: float = 0.95,
) -> float | None:
    """Expanded uncertainty of the mean of `n` intervals whose edges fall anywhere between samples, seconds.

    Quantisation shrinks with sqrt(n) unless the signal is `locked` to the recorder's clock; the clock's tolerance does
    not. None for n = 0.
    """
    if n <= 0:
        return None
    clock = abs(mean_s) * clock_ppm * PPM
    if locked:
        return _coverage(1, sample_period_s, clock, 0.0, coverage)
    if n > 30:
        # by then the mean of triangles is normal to better than the figures shown
        return _coverage(0, 0.0, clock, sample_period_s / math.sqrt(6 * n), coverage)
    return _coverage(n, sample_period_s, clock, 0.0, coverage)


def combined_uncertainty(normal_s: float, rectangle_s: float, coverage: float = 0.95) -> float:
    """Half-width that holds `coverage` of a normal error of that standard deviation plus a rectangular +-one."""
    return _coverage(0, 0.0, abs(rectangle_s), normal_s, coverage)


def looks_locked(intervals: ArrayLike) -> bool:
    """True where intervals never differ by as much as a tick: then no dither is seen, and averaging proves nothing.

    A signal that runs from the recorder's own clock always meets the samples at the same phase; so does, by chance,
    one whose interval is a whole number of samples. The two cannot be told apart, and the larger uncertainty is kept.
    """
    array = np.asarray(intervals)
    return bool(array.size > 1 and (array == array.flat[0]).all())
