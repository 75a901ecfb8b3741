"""How well the size of a shaft's swing is known: the variance of a variance in a series with a memory.

The squares of a series that swings slowly wax and wane more slowly still, too slowly for a recording of some hundred
turns to show how much. The series itself shows its memory far better. Where it is linear (a shaft's inertia sums up
many small pushes, which makes it nearly so, and nearly Gaussian), the variance of its mean square follows from its
autocorrelations alone (M. S. Bartlett, J. R. Stat. Soc. Suppl. 8, 1946, 27), and is that of as many independent values
as G. V. Bayley and J. M. Hammersley give (ibid., 184): n / sum of rho(k)^2.

Differences of neighbouring turns take their memory from the turns themselves. Differencing leaves a zero in the
spectrum that no autoregression of a moderate order can follow, so that a model of the differences misses their memory
(C. I. Plosser, G. W. Schwert, J. Econometrics 6, 1977, 199); that of the turns, differenced, has it exactly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.compare.blocks import cosine_variance

Floats = NDArray[np.float64]

SIMULATED = 100
"""Series made up from the model to learn the estimate's own bias and scatter."""
CELLS = 200_000
"""Values simulated at a time."""
WARM_UP = 400
MOST_FREEDOM = 1000.0
STEADY_FREQUENCIES = 8
STEADY = 0.107
"""The 0.1 % point of a mean of STEADY_FREQUENCIES squared normal values (chi-squared with 8 degrees of freedom)."""


@dataclass(frozen=True)
class Swing:
    """How many independent values a series' mean square is worth, and of how many degrees of freedom that knowledge
    is. `relative_variance` is the variance of the mean square over the square of its expectation."""

    independent: float
    freedom: float
    relative_variance: float


def swing(series: Floats, rng: np.random.Generator, *, turns: Floats | None = None) -> Swing | None:
    """What the mean square of a series about its mean is worth; None where the series is no linear one.

    `turns` are given where the series holds differences of neighbours among them, and show its memory. The
    autocorrelations are those of an autoregression by J. P. Burg's method (Maximum Entropy Spectral Analysis,
    thesis, Stanford 1975), of the order that Akaike's criterion prefers among up to 10 log10(n). Series of the model
    are made up and put through the same estimate, which tells its bias, taken off in logarithms, and its scatter, which
    gives the degrees of freedom (sieve bootstrap: P. Buhlmann, Bernoulli 3, 1997, 123; bias: B. Efron, R. J.
    Tibshirani, An Introduction to the Bootstrap, 1993, chapter 10). Heavier tails than the normal distribution's, where
    two standard errors tell them, add their share by Bartlett's formula.

    A swing of steady size, such as the limit cycle of a speed loop, looks slow to a linear model although its size
    hardly varies. Its squares give it away: where they vary, at the lowest frequencies, far less than a linear series'
    would (0.1 %), None is returned, and what the squares show must do.
    """
    n = len(series)
    centred = series - series.mean()
    square = float(np.mean(centred**2))
    remembers = centred if turns is None else turns - turns.mean()
    order = min(int(10 * np.log10(n)), n // 4)
    if not square > 0 or order < 1 or not np.ptp(remembers) > 0:
        return None
    models = burg(remembers[None, :], order)
    differences = turns is not None
    at_first = float(np.log(independent_values(models, n, differences=differences))[0])
    scattered = np.log(_of_made_up(models[0], len(remembers), n, order, rng, differences=differences))
    independent = float(np.clip(np.exp(2 * at_first - np.median(scattered)), 1.0, n))
    expected = 2 * square**2 * n / independent
    if n > 4 * STEADY_FREQUENCIES and cosine_variance(centred**2, STEADY_FREQUENCIES) < STEADY * expected:
        return None
    freedom = min(2 / max(float(np.var(scattered)), 2 / MOST_FREEDOM), MOST_FREEDOM)
    return Swing(independent, freedom, 2 / independent + _heavy_tails(remembers, models[0]) / n)


def burg(rows: Floats, order: int) -> Floats:
    """Coefficients of each row's autoregression, shape (rows, order), zeros behind the order that it takes."""
    n = rows.shape[1]
    rows = rows - rows.mean(axis=1, keepdims=True)
    ahead, back = rows[:, 1:], rows[:, :-1]
    coefficients = np.zeros((len(rows), order))
    error = n * np.log(np.mean(rows**2, axis=1))
    best, kept = error, coefficients.copy()
    for m in range(order):
        reflection = 2 * np.sum(ahead * back, axis=1) / np.sum(ahead**2 + back**2, axis=1)
        earlier = coefficients[:, :m]
        coefficients[:, :m] = earlier - reflection[:, None] * earlier[:, ::-1]
        coefficients[:, m] = reflection
        error = error + n * np.log1p(-(reflection**2))
        better = error + 2 * (m + 1) < best
        best = np.where(better, error + 2 * (m + 1), best)
        kept[better] = coefficients[better]
        ahead, back = (ahead - reflection[:, None] * back)[:, 1:], (back - reflection[:, None] * ahead)[:, :-1]
    return kept


def independent_values(coefficients: Floats, n: int, *, differences: bool = False) -> Floats:
    """n / sum over |k| < n of (1 - |k| / n) rho(k)^2 of each row's autoregression (Bayley and Hammersley, 1946), or of
    the differences of its neighbours."""
    size = 1 << int(4 * n - 1).bit_length()
    whitening = np.concatenate([np.ones((len(coefficients), 1)), -coefficients], axis=1)
    spectrum = 1 / np.abs(np.fft.rfft(whitening, size, axis=1)) ** 2
    if differences:
        spectrum *= 4 * np.sin(np.pi * np.arange(spectrum.shape[1]) / size) ** 2
    covariance = np.fft.irfft(spectrum, size, axis=1)[:, :n]
    squares = (covariance[:, 1:] / covariance[:, :1]) ** 2
    return np.asarray(n / (1 + 2 * squares @ (1 - np.arange(1, n) / n)))


def _of_made_up(
    coefficients: Floats, length: int, n: int, order: int, rng: np.random.Generator, *, differences: bool
) -> Floats:
    """independent_values of series of the model, each of so many values, by its own fit."""
    from scipy.signal import lfilter

    step = max(1, CELLS // (length + WARM_UP))
    found = []
    for first in range(0, SIMULATED, step):
        white = rng.standard_normal((min(step, SIMULATED - first), length + WARM_UP))
        made = lfilter([1.0], np.concatenate([[1.0], -coefficients]), white, axis=1)[:, WARM_UP:]
        found.append(independent_values(burg(made, order), n, differences=differences))
    return np.concatenate(found)


def _heavy_tails(series: Floats, coefficients: Floats) -> float:
    """Excess kurtosis of what the model leaves over, 0 within two standard errors sqrt(24 / n)."""
    left = np.convolve(series, np.concatenate([[1.0], -coefficients]))[len(coefficients) : len(series)]
    square = float(np.mean((left - left.mean()) ** 2))
    excess = float(np.mean((left - left.mean()) ** 4)) / square**2 - 3 if square > 0 else 0.0
    return excess if excess > 2 * np.sqrt(24 / len(left)) else 0.0
