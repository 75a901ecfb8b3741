"""One pulse or the shaft? Three simple stories about a stretch of intervals, and which of them fits.

A pulse that the sensor gave too early or too late lengthens one interval and shortens its neighbour by as much. A
change of speed keeps its new pace, at once or, from a corner on, more and more. A jerk of the shaft moves one interval
and is not paid back. Each is a linear model of the intervals; generalised least squares with the capture's own noise
weighs them, with a penalty for each figure that may bend.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from spinlag.rotation.noise import Noise

Floats = NDArray[np.float64]

Story = Literal["calm", "shifted", "speed-step", "jerk", "corner"]

PENALTY = 4.0
"""Chi-square that each free figure of a story has to earn: a little over the BIC's ln(n) for 16 intervals."""


BASE = 3
"""Figures that every story may bend for the slow swing of the speed."""


@dataclass(frozen=True)
class Explanation:
    """The best story. `at` is the index of the pulse (shifted: pulse `at` ends interval at - 1) or of the interval;
    `size` the shift as a share of a mean interval, or the relative change of pace (corner: over the whole window);
    `lead` by how much the chi-square of the best other story exceeds this one's; `shown`: how much of a step interval
    `at` itself shows, 0 ... 1 (1 for the other stories)."""

    story: Story
    at: int
    size: float
    lead: float
    shown: float = 1.0


@dataclass(frozen=True)
class _Candidate:
    story: Story
    at: int
    columns: tuple[Floats, ...]


@dataclass(frozen=True, eq=False)
class _Model:
    """A candidate's whitened design matrix, and the matrix that takes whitened intervals to its coefficients."""

    candidate: _Candidate
    design: Floats
    solve: Floats


def explain(lengths: Floats, share: Floats, noise: Noise, near: range) -> Explanation:
    """Explain n intervals, `lengths` (any unit) of nominal lengths `share` (mean about 1), by one event among the
    intervals `near`.

    The unit is taken out with the median pace, a slow gain, loss or swing of speed with a parabola.
    """
    scale = float(np.median(lengths / share))
    mean_share = float(share.mean())
    whiten, models = _models(tuple(share.tolist()), noise, near)
    white = whiten @ (lengths / scale - share)
    results = []
    for model in models:
        chi2, extra = _fit(model, white)
        if _sensible(model.candidate, extra, noise):
            results.append((chi2 + PENALTY * len(model.candidate.columns), extra, model.candidate))
    results.sort(key=lambda result: result[0])
    best_chi2, extra, best = results[0]
    others = [chi2 for chi2, _, candidate in results if candidate.story != best.story]
    lead = min(others, default=np.inf) - best_chi2
    return Explanation(best.story, best.at, _size(best, extra, mean_share), lead, _shown(best, extra, mean_share))


def _shown(candidate: _Candidate, extra: Floats, mean_share: float) -> float:
    if candidate.story != "speed-step" or extra[0] == 0:
        return 1.0
    return float(np.clip(extra[1] / (extra[0] * mean_share), 0.0, 1.0))


def _size(candidate: _Candidate, extra: Floats, mean_share: float) -> float:
    if candidate.story == "calm":
        return 0.0
    if candidate.story in ("speed-step", "corner"):
        return float(extra[0])
    return float(extra.sum()) / mean_share


@lru_cache(maxsize=32)
def _models(shares: tuple[float, ...], noise: Noise, near: range) -> tuple[Floats, tuple[_Model, ...]]:
    """The whitening matrix of these intervals and every story's model; most windows of a capture share them."""
    share, n = np.array(shares), len(shares)
    mean_share = float(share.mean())
    covariance = noise.covariance(share / mean_share) * mean_share**2 + 1e-18 * np.eye(n)
    whiten = np.linalg.inv(np.linalg.cholesky(covariance))
    x = (np.arange(n) - 0.5 * (n - 1)) / n
    base = (share, share * x, share * x**2)
    models = []
    for candidate in (_Candidate("calm", near.start, ()), *_candidates(n, share, near)):
        design = whiten @ np.column_stack((*base, *candidate.columns))
        models.append(_Model(candidate, design, np.linalg.pinv(design, rcond=n * np.finfo(np.float64).eps)))
    return whiten, tuple(models)


def _fit(model: _Model, white: Floats) -> tuple[float, Floats]:
    """Chi-square and the coefficients after those of the base."""
    coefficients = model.solve @ white
    rest = white - model.design @ coefficients
    return float(rest @ rest), np.asarray(coefficients[BASE:], dtype=np.float64)


def _candidates(n: int, share: Floats, near: range) -> list[_Candidate]:
    unit = np.eye(n)
    found = []
    for k in near:
        if 0 < k < n:
            found.append(_Candidate("shifted", k, (unit[k - 1] - unit[k],)))
        if 0 <= k < n:
            found.append(_Candidate("jerk", k, (unit[k],)))
            after = np.where(np.arange(n) > k, share, 0.0)
            if 0 < k < n - 2:
                found.append(_Candidate("speed-step", k, (after, unit[k])))
                found.append(_Candidate("corner", k, (share * np.maximum(np.arange(n) - k, 0) / n,)))
        if 0 <= k < n - 1:
            found.append(_Candidate("jerk", k, (unit[k], unit[k + 1])))
    return found


def _sensible(candidate: _Candidate, extra: Floats, noise: Noise) -> bool:
    """A jerk pushes one way; a step's own interval lies between the two speeds."""
    if candidate.story == "jerk" and len(extra) == 2:
        return bool(extra[0] * extra[1] > 0)
    if candidate.story == "speed-step":
        slack = 3.0 * (noise.edge + noise.pace)
        low, high = sorted((0.0, float(extra[0])))
        return bool(low - slack <= extra[1] <= high + slack)
    return True
