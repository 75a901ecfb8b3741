"""Power spectral densities by numpy's FFT; the package of scipy that has them is a tenth of a short check to load."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def periodogram(values: Floats) -> tuple[Floats, Floats]:
    """Frequencies, cycles per value, and one-sided density of n values, their mean taken out.

    Its sum times the step of frequency, 1 / n, is the variance (A. Schuster, Terrestrial Magnetism 3, 1898).
    """
    return _density(values[None, :], np.ones(len(values)))


def welch(values: Floats, per_unit: float, length: int) -> tuple[Floats, Floats]:
    """Frequencies, cycles per unit, and one-sided density of values of which `per_unit` make a unit.

    The mean over stretches of `length` values (at most all of them) that overlap by half, each without its mean and
    under a Hann window (P. D. Welch, IEEE Trans. Audio Electroacoust. 15, 1967).
    """
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(length) / length)
    frequency, density = _density(sliding_window_view(values, length)[:: length - length // 2], window)
    return frequency * per_unit, density / per_unit


def _density(stretches: Floats, window: Floats) -> tuple[Floats, Floats]:
    n = len(window)
    level = stretches - stretches.mean(axis=1, keepdims=True)
    density: Floats = np.mean(np.abs(np.fft.rfft(level * window)) ** 2, axis=0) / np.sum(window**2)
    density[1 : (n + 1) // 2] *= 2  # both signs of frequency; zero and half the sampling rate have but one
    return np.asarray(np.fft.rfftfreq(n), dtype=np.float64), density
