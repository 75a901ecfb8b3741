"""Block bootstrap of serially dependent revolutions: how long the blocks must be, and the resampling itself.

Revolutions lean on their neighbours (the speed wanders, interrupts come in bursts), so single revolutions must not be
drawn as if they were independent. The stationary bootstrap (D. N. Politis, J. P. Romano, J. Am. Stat. Assoc. 89, 1994)
draws blocks of geometric length from the series closed to a circle; the mean length follows D. N. Politis, H. White,
Econometric Reviews 23 (2004), 53, with the correction of A. Patton, D. N. Politis, H. White, ibid. 28 (2009), 372.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Series = NDArray[np.floating]
Indices = NDArray[np.int32]

CELLS = 2_000_000
"""Resampled revolutions held at a time."""


def autocovariance(series: Floats, lags: int) -> Floats:
    """Sample autocovariance R(0)..R(lags), each sum divided by n, so that the sequence is positive semidefinite."""
    centred = series - series.mean()
    n = len(centred)
    size = 1 << int(2 * n - 1).bit_length()
    spectrum = np.fft.rfft(centred, size)
    return np.asarray(np.fft.irfft(spectrum * spectrum.conj(), size)[: lags + 1] / n)


@dataclass(frozen=True)
class Dependence:
    """Serial dependence of one series: mean block length for the stationary and the circular bootstrap, the long-run
    variance (n times the variance of the mean), and the effective number of independent values n R(0) / long-run
    variance."""

    stationary: float
    circular: float
    long_run_variance: float
    effective: float


def dependence(series: Floats) -> Dependence:
    """Automatic block length by Politis and White (2004), corrected by Patton, Politis and White (2009).

    m is the first of K consecutive lags whose autocorrelations all stay below 2 sqrt(log10(n) / n), as in the
    authors' own program, with K = max(5, sqrt(log10 n)); M = 2 m is the reach of the flat-top window. With
    g = sum of window * R(k) and G = sum of window * |k| * R(k) over |k| <= M, the stationary length is
    (G^2 n / g^2)^(1/3) and the circular one (3 G^2 n / (2 g^2))^(1/3),
    bounded by min(3 sqrt(n), n / 3).
    """
    n = len(series)
    if n < 8 or not np.ptp(series) > 0:
        return Dependence(1.0, 1.0, float(np.var(series)) if n else 0.0, float(n))
    run = max(5, int(np.sqrt(np.log10(n))))
    most = int(np.ceil(np.sqrt(n))) + run
    covariance = autocovariance(series, min(most + run, n - 1))
    correlation = np.abs(covariance / covariance[0])
    insignificant = correlation[1:] < 2 * np.sqrt(np.log10(n) / n)
    runs = np.lib.stride_tricks.sliding_window_view(insignificant[:most], run).all(axis=1)
    # where no run of small ones is found, the last large one counts; then there is at least one
    m = 1 + int(np.argmax(runs)) if runs.any() else 1 + int(np.flatnonzero(~insignificant[:most]).max())
    reach = min(2 * m, len(covariance) - 1)
    lag = np.arange(1, reach + 1)
    ratio = lag / (2 * m)
    window = np.where(ratio <= 0.5, 1.0, 2 * (1 - ratio))
    weighted = 2 * window * covariance[1 : reach + 1]
    g_zero = float(covariance[0] + weighted.sum())
    g_slope = float((weighted * lag).sum())
    longest = float(np.ceil(min(3 * np.sqrt(n), n / 3)))
    # the window can make the estimate negative where neighbours repel each other; a mean of nothing but noise is meant
    floor = float(covariance[0]) / n
    long_run = max(g_zero, floor)
    stationary = min(max((g_slope**2 * n / long_run**2) ** (1 / 3), 1.0), longest)
    circular = min(max((1.5 * g_slope**2 * n / long_run**2) ** (1 / 3), 1.0), longest)
    return Dependence(stationary, circular, long_run, n * float(covariance[0]) / long_run)


def draw_blocks(rng: np.random.Generator, n: int, mean_length: float, rows: int) -> Indices:
    """`rows` resamples of n revolutions as indices, shape (rows, n): blocks of geometric length with that mean, from
    the series closed to a circle (Politis and Romano, 1994)."""
    stay = 1.0 - 1.0 / mean_length
    total = rows * n
    if stay <= 0:
        return rng.integers(n, size=(rows, n), dtype=np.int32)
    # all rows as one run of places; a row's first place always begins a block, which a geometric length allows
    room = int(total / mean_length + 6 * np.sqrt(total / mean_length) + 10)
    begins = np.cumsum(rng.geometric(1.0 - stay, size=room)) - 1
    fresh = np.zeros(total, dtype=bool)
    fresh[begins[begins < total]] = True
    fresh[::n] = True
    first = np.flatnonzero(fresh)
    starts = rng.integers(n, size=len(first), dtype=np.int32)
    found = np.repeat(starts - first.astype(np.int32), np.diff(first, append=total))
    found += np.arange(total, dtype=np.int32)
    return np.asarray(np.where(found >= n, found - n, found).reshape(rows, n))


def replicates(
    captures: Sequence[Series],
    mean_lengths: Sequence[float],
    statistics: Callable[[Series], Series],
    rng: np.random.Generator,
    count: int,
) -> Series:
    """Statistics of resampled captures, shape (count, k): blocks are drawn within each capture, never across two.

    `statistics` takes shape (rows, n) and gives (rows, k) over all revolutions of a row.
    """
    total = sum(len(capture) for capture in captures)
    step = max(1, CELLS // total)
    parts = []
    for first in range(0, count, step):
        rows = min(step, count - first)
        drawn = [
            capture[draw_blocks(rng, len(capture), length, rows)]
            for capture, length in zip(captures, mean_lengths, strict=True)
        ]
        parts.append(statistics(drawn[0] if len(drawn) == 1 else np.concatenate(drawn, axis=1)))
    return np.concatenate(parts)


def block_variance(series: Floats, mean_length: float) -> float:
    """n times the variance that the stationary bootstrap gives the mean of a series, in closed form (Politis and
    Romano, 1994, lemma 1)."""
    n = len(series)
    covariance = autocovariance(series, n - 1)
    lag = np.arange(1, n)
    stay = 1.0 - 1.0 / mean_length
    weight = (1 - lag / n) * stay**lag + (lag / n) * stay ** (n - lag)
    return float(covariance[0] + 2 * (weight * covariance[1:]).sum())


LEAST_FREEDOM = 3
FREEDOM = 0.6
"""Cosine transforms, times n^(2/3): a half more than E. Lazarus et al. (see long_run_variance) recommend, because
updates lean on each other for a few turns only; on made-up series intervals cover as often, and more is found."""
SLOW_FREEDOM = 0.07
"""For what follows the shaft. Its speed remembers some tens of turns, so that its spectrum is flat only below one swing
in 200 turns: of 300 turns three transforms lie there. Few transforms, paid for by Student's t, are what keeps an
interval honest under such persistence (U. K. Muller, J. Econometrics 141, 2007, 1331)."""
MOST_BIAS = 1.05
AR_ORDER = 12
LEAST_AR_ORDER = 4
"""A slow wander under much noise needs several terms to show, more than Akaike's criterion would grant it."""


def long_run_variance(series: Floats, guides: Sequence[Floats] = (), freedom: float = FREEDOM) -> tuple[float, int]:
    """(n times the variance of the mean, degrees of freedom of that estimate), by equally weighted cosines.

    The mean of the first nu squared cosine transforms of the series, to be used with Student's t on nu degrees of
    freedom (E. Lazarus, D. J. Lewis, J. H. Stock, M. W. Watson, J. Bus. Econ. Stat. 36, 2018, 541). nu is `freedom`
    times n^(2/3), or fewer where the spectrum of an autoregression (order by Akaike's criterion, at least 4) of the
    series, or of one of the `guides`, is not flat to 5 % over so many frequencies: slow wander must not be taken for
    less than it is.
    """
    nu = min(flat_frequencies(one, freedom) for one in (series, *guides))
    return cosine_variance(series, nu), nu


def cosine_variance(series: Floats, frequencies: int) -> float:
    """Mean of the first squared cosine transforms of a series, its mean left out."""
    n = len(series)
    at = (np.arange(n) + 0.5) / n
    cosines = np.cos(np.pi * np.outer(np.arange(1, frequencies + 1), at))
    transforms = np.sqrt(2 / n) * (cosines @ (series - series.mean()))
    return float(np.mean(transforms**2))


def flat_frequencies(series: Floats, freedom: float = FREEDOM) -> int:
    """Over how many of the lowest frequencies a series' spectrum is flat; see long_run_variance."""
    most = min(max(LEAST_FREEDOM, int(freedom * len(series) ** (2 / 3))), len(series) - 1)
    coefficients = _autoregression(series)
    if len(coefficients) == 0:
        return most
    step = np.arange(1, most + 1)
    angle = np.pi * np.concatenate([[0], step]) / len(series)
    powers = np.exp(-1j * np.outer(angle, np.arange(1, len(coefficients) + 1)))
    spectrum = 1.0 / np.abs(1 - powers @ coefficients) ** 2
    mean = np.cumsum(spectrum[1:]) / step
    bent = np.abs(np.log(spectrum[0] / mean)) > np.log(MOST_BIAS)
    return min(most, max(LEAST_FREEDOM, int(np.argmax(bent)))) if bent.any() else most


def _autoregression(series: Floats) -> Floats:
    """Coefficients of the autoregression that Akaike's criterion prefers (Levinson's recursion), maybe none."""
    n = len(series)
    highest = min(AR_ORDER, n // 10)
    covariance = autocovariance(series, highest)
    if covariance[0] <= 0:
        return np.empty(0)
    found = np.empty(0)
    best, best_found = n * np.log(covariance[0]), found
    rest = float(covariance[0])
    for order in range(1, highest + 1):
        ahead = float(found @ covariance[order - 1 : 0 : -1]) if order > 1 else 0.0
        reflection = (covariance[order] - ahead) / rest
        found = np.concatenate([found - reflection * found[::-1], [reflection]])
        rest *= 1 - reflection**2
        if rest <= 0:
            break
        criterion = n * np.log(rest) + 2 * order
        if criterion < best or order <= LEAST_AR_ORDER:
            best, best_found = min(criterion, best), found
    return best_found
