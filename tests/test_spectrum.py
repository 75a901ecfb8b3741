"""Spectral densities against scipy.signal, which computes them from other code."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from spinlag.rotation.spectrum import periodogram, welch

SEED = 20


@pytest.mark.parametrize("n", [2, 3, 8, 9, 301, 1024])
def test_a_periodogram_is_that_of_scipy(n: int) -> None:
    from scipy import signal

    values = 5.0 + np.random.default_rng(SEED).standard_normal(n).cumsum()
    frequency, density = periodogram(values)
    theirs = signal.periodogram(values)
    assert_allclose(frequency, theirs[0], rtol=1e-15, atol=0)
    assert_allclose(density[1:], theirs[1][1:], rtol=1e-9, atol=0)
    assert density[0] < 1e-20 * density.sum()
    assert_allclose(np.sum(density) / n, np.var(values), rtol=1e-12, atol=0)


@pytest.mark.parametrize(("n", "length"), [(96, 96), (97, 96), (500, 96), (500, 97), (2000, 384)])
def test_the_mean_over_stretches_is_that_of_scipy(n: int, length: int) -> None:
    from scipy import signal

    values = 5.0 + np.random.default_rng(SEED).standard_normal(n).cumsum()
    frequency, density = welch(values, 12.0, length)
    theirs = signal.welch(values, fs=12.0, nperseg=length, detrend="constant")
    assert_allclose(frequency, theirs[0], rtol=1e-15, atol=0)
    assert_allclose(density, theirs[1], rtol=1e-9, atol=0)
