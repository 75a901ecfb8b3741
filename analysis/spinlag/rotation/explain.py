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
class _Models:
    """M candidates for windows of n intervals. `whiten`, shape (n, n); `rest`, (M, n, n), takes whitened intervals to
    what a candidate leaves of them, `extra`, (M, 2, n), to its coefficients after those of the base (0 where it has
    fewer); `penalty`, `story`, `pair` (a jerk over two intervals) and `step`, each of shape (M,)."""

    whiten: Floats
    candidates: tuple[_Candidate, ...]
    rest: Floats
    extra: Floats
    penalty: Floats
    story: NDArray[np.str_]
    pair: NDArray[np.bool_]
    step: NDArray[np.bool_]


def explain(lengths: Floats, share: Floats, noise: Noise, near: range) -> Explanation:
    """Explain n intervals, `lengths` (any unit) of nominal lengths `share` (mean about 1), by one event among the
    intervals `near`.

    The unit is taken out with the median pace, a slow gain, loss or swing of speed with a parabola.
    """
    scale = float(np.median(lengths / share))
    mean_share = float(share.mean())
    models = _models(tuple(share.tolist()), noise, near)
    white = models.whiten @ (lengths / scale - share)
    # no product of matrices: the order of summing must not follow the number of processors
    left = np.einsum("mij,j->mi", models.rest, white)
    extra = np.einsum("mij,j->mi", models.extra, white)
    chi2 = np.einsum("mi,mi->m", left, left) + models.penalty
    chi2[~_sensible(models, extra, noise)] = np.inf
    at = int(np.argmin(chi2))
    best = models.candidates[at]
    figures = extra[at, : len(best.columns)]
    lead = float(chi2[models.story != best.story].min(initial=np.inf) - chi2[at])
    return Explanation(best.story, best.at, _size(best, figures, mean_share), lead, _shown(best, figures, mean_share))


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
def _models(shares: tuple[float, ...], noise: Noise, near: range) -> _Models:
    """The whitening matrix of these intervals and every story's model; most windows of a capture share them."""
    share, n = np.array(shares), len(shares)
    mean_share = float(share.mean())
    covariance = noise.covariance(share / mean_share) * mean_share**2 + 1e-18 * np.eye(n)
    whiten = np.linalg.inv(np.linalg.cholesky(covariance))
    x = (np.arange(n) - 0.5 * (n - 1)) / n
    base = (share, share * x, share * x**2)
    candidates = (_Candidate("calm", near.start, ()), *_candidates(n, share, near))
    rest, extra = np.empty((len(candidates), n, n)), np.zeros((len(candidates), 2, n))
    for i, candidate in enumerate(candidates):
        design = whiten @ np.column_stack((*base, *candidate.columns))
        solve = np.linalg.pinv(design, rcond=n * np.finfo(np.float64).eps)
        rest[i] = np.eye(n) - design @ solve
        extra[i, : len(candidate.columns)] = solve[BASE:]
    figures = np.array([len(candidate.columns) for candidate in candidates])
    story = np.array([candidate.story for candidate in candidates])
    return _Models(
        whiten=whiten,
        candidates=candidates,
        rest=rest,
        extra=extra,
        penalty=PENALTY * figures,
        story=story,
        pair=(story == "jerk") & (figures == 2),
        step=story == "speed-step",
    )


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


def _sensible(models: _Models, extra: Floats, noise: Noise) -> NDArray[np.bool_]:
    """A jerk pushes one way; a step's own interval lies between the two speeds."""
    size, own = extra[:, 0], extra[:, 1]
    slack = 3.0 * (noise.edge + noise.pace)
    one_way = ~models.pair | (size * own > 0)
    between = (own >= np.minimum(size, 0.0) - slack) & (own <= np.maximum(size, 0.0) + slack)
    return np.asarray(one_way & (~models.step | between))
