"""Statistics of directions: do angles bunch, where, and how sure is that."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

FULL_TURN = 360.0


@dataclass(frozen=True)
class Bunching:
    """Rayleigh test of `n` angles against a uniform circle.

    `resultant` is the mean resultant length R (0: none, 1: all at one angle), `z` = n R^2, `p` the probability of so
    large an R from uniform angles. `mean_deg` in [0, 360), with the confidence half-width `half_width_deg` (None where
    the angles are too scattered or too few for one).
    """

    n: int
    resultant: float
    z: float
    p: float
    mean_deg: float | None
    half_width_deg: float | None


def rayleigh_p(n: int, resultant: ArrayLike) -> Floats:
    """Tail probability of the Rayleigh test for mean resultant lengths of `n` uniform angles.

    exp(sqrt(1 + 4 n + 4 (n^2 - (n R)^2)) - (1 + 2 n)), good to a few per mille for n >= 10 and a little high for fewer
    (J. H. Zar, Biostatistical Analysis, eq. 27.4 in the fifth edition; D. Wilkie, Appl. Statist. 32, 1983).
    """
    length = np.clip(np.asarray(resultant, dtype=np.float64), 0.0, 1.0)
    return np.asarray(np.exp(np.sqrt(1 + 4 * n + 4 * n**2 * (1 - length**2)) - (1 + 2 * n)))


def bunching(angles_deg: ArrayLike, confidence: float = 0.95) -> Bunching:
    """Rayleigh test and mean direction of angles in degrees, shape (n,)."""
    angles = np.deg2rad(np.asarray(angles_deg, dtype=np.float64))
    n = int(angles.size)
    if n == 0:
        return Bunching(0, 0.0, 0.0, 1.0, None, None)
    mean = np.exp(1j * angles).mean()
    resultant = float(min(abs(mean), 1.0))
    direction = float(np.rad2deg(np.angle(mean)) % FULL_TURN)
    return Bunching(
        n=n,
        resultant=resultant,
        z=n * resultant**2,
        p=float(rayleigh_p(n, resultant)),
        mean_deg=direction,
        half_width_deg=direction_half_width(n, resultant, confidence),
    )


def direction_half_width(n: int, resultant: float, confidence: float = 0.95) -> float | None:
    """Confidence half-width of the mean direction, degrees; None where the formula has no answer.

    With chi2 the quantile of one degree of freedom and R_n = n R: arccos(sqrt(2 n (2 R_n^2 - n chi2) / (4 n - chi2)) /
    R_n) for R <= 0.9, arccos(sqrt(n^2 - (n^2 - R_n^2) exp(chi2 / n)) / R_n) above (G. J. G. Upton, Biometrika 73, 1986;
    Zar eq. 26.24 and 26.25).
    """
    from scipy.stats import chi2

    if n < 2:
        return None
    quantile = float(chi2.ppf(confidence, 1))
    total = n * resultant
    if resultant <= 0.9:
        square = 2 * n * (2 * total**2 - n * quantile) / (4 * n - quantile)
        if 4 * n <= quantile:
            return None
    else:
        square = n**2 - (n**2 - total**2) * np.exp(quantile / n)
    if square <= 0 or total == 0:
        return None
    return float(np.rad2deg(np.arccos(min(np.sqrt(square) / total, 1.0))))


def fewest_for(p: float) -> int:
    """Fewest angles, all in one direction, that the Rayleigh test would call bunched at that p."""
    n = 2
    while rayleigh_p(n, 1.0) >= p:
        n += 1
    return n
