"""Two sets of captures compared in one quantity: shifts and ratios with intervals that serial dependence has widened.

A standard error is that of the stationary block bootstrap over revolutions, scaled to the long-run variance of the
statistic's influence series: at the lengths that captures have, the bootstrap's own variance runs short (its blocks cut
the dependence that spans them). Student's t with the degrees of freedom of that variance gives the interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spinlag.compare.blocks import (
    FREEDOM,
    Series,
    block_variance,
    cosine_variance,
    dependence,
    flat_frequencies,
    long_run_variance,
    replicates,
)
from spinlag.compare.swings import swing

Floats = NDArray[np.float64]

COVERAGE = 0.95
LEAST_REVOLUTIONS = 20
"""With fewer revolutions on a side nothing is compared."""
REPLICATES = 200
"""Enough for a standard error (B. Efron, R. J. Tibshirani, An Introduction to the Bootstrap, 1993, 6.4)."""
TAIL = 0.99
LEAST_LONGER = 1.25
"""What a recording cannot tell although it nearly does needs a quarter more at least, as chance may turn."""


@dataclass(frozen=True, eq=False)
class Estimate:
    """One statistic of one set of captures.

    `variance` and `freedom` are those of `value` with the captures as they are. `by_capture`, shape (captures, 3):
    value, variance and number of revolutions of each, from which a contrast learns how much captures differ.
    """

    value: float
    variance: float
    freedom: float
    by_capture: Floats

    @property
    def standard_error(self) -> float:
        """Square root of `variance`."""
        return float(np.sqrt(self.variance))


@dataclass(frozen=True, eq=False)
class Sample:
    """All statistics of one quantity over one set of captures.

    `median`, `tail` (the 99 % quantile) and `log_spread` (natural logarithm of the standard deviation, or of the rms)
    are estimates. `revolutions` counts all, `effective` how many independent ones the median is worth, `block` is the
    mean block length in revolutions.
    """

    median: Estimate
    tail: Estimate
    log_spread: Estimate
    revolutions: int
    effective: float
    block: float


@dataclass(frozen=True)
class Contrast:
    """A difference (after less before) with its interval and the p-value of no difference.

    `standard_error` and `freedom` belong to Student's t; `between` tells whether differences from capture to capture
    widened it.
    """

    difference: float
    low: float
    high: float
    p: float
    standard_error: float
    freedom: float
    between: bool


def describe(
    captures: Sequence[Floats],
    rng: np.random.Generator,
    *,
    centred: bool = True,
    excess_variance: float = 0.0,
    freedom: float = FREEDOM,
    swinging: bool = False,
    turns: Sequence[Floats] | None = None,
    count: int = REPLICATES,
) -> Sample:
    """Estimates for one set of captures, each a series over revolutions (finite values, in order).

    `centred` takes the standard deviation as spread, otherwise the rms. `excess_variance` is what sampling added to the
    square of the spread; it is taken off (W. F. Sheppard, Proc. London Math. Soc. 29, 1898). `freedom` goes to
    long_run_variance. `swinging` series are a shaft's: how well their spread is known follows from the memory of the
    series itself, where it is linear (see swings.py), or from that of the `turns` whose differences a capture holds.
    """
    pooled = np.concatenate(list(captures))
    median, tail = (float(q) for q in np.quantile(pooled, (0.5, TAIL), method="weibull"))
    middle = float(pooled.mean()) if centred else 0.0
    values = (median, tail, float(np.mean((pooled - middle) ** 2)))
    influences = (
        [(capture <= median).astype(np.float64) for capture in captures],
        [(capture <= tail).astype(np.float64) for capture in captures],
        [(capture - middle) ** 2 for capture in captures],
    )
    lengths = [max(dependence(one[i]).stationary for one in influences) for i in range(len(captures))]
    long_runs = _long_runs(influences, freedom)
    variances = _bootstrap_variances(captures, lengths, rng, count, middle, float(np.sqrt(values[2])), centred=centred)
    beyond = (len(pooled) + 1) * (1 - TAIL) * effective_number(influences[1], long_runs[1]) / len(pooled)
    variances[1] /= order_statistic_bias(max(beyond, 1.0))
    single = np.array([_statistics(capture[None, :], centred=centred)[0] for capture in captures])
    estimates = [
        _estimate(values[k], float(variances[k]), single[:, k], influences[k], lengths, long_runs[k]) for k in range(3)
    ]
    linear = _linear_square(captures, turns, values[2], single[:, 2], rng) if swinging else None
    wider = _leaving_out_one(values[2], np.concatenate(influences[2]), excess_variance) if linear is None else 1.0
    sizes = np.array([len(capture) for capture in captures], dtype=np.float64)
    return Sample(
        median=estimates[0],
        tail=estimates[1],
        log_spread=_logarithm(linear or estimates[2], wider, excess_variance),
        revolutions=len(pooled),
        effective=effective_number(influences[0], long_runs[0]),
        block=float(np.average(lengths, weights=sizes)),
    )


LongRuns = Sequence[tuple[float, int]]
"""Long-run variance of each capture and its degrees of freedom."""


def _long_runs(influences: Sequence[Sequence[Floats]], freedom: float) -> list[LongRuns]:
    """Long-run variances of each influence series; that of the median, the steadiest, guides the others."""
    flat = [[flat_frequencies(one, freedom) for one in influence] for influence in influences]
    return [
        [(cosine_variance(one, min(own, guide)), min(own, guide)) for one, own, guide in zip(*parts, strict=True)]
        for parts in zip(influences, flat, [flat[0]] * len(flat), strict=True)
    ]


def _bootstrap_variances(
    captures: Sequence[Floats],
    lengths: Sequence[float],
    rng: np.random.Generator,
    count: int,
    middle: float,
    unit: float,
    *,
    centred: bool,
) -> Floats:
    """Variances of median, 99 % quantile and mean square, in single precision about `middle` in units of `unit`."""
    unit = unit if unit > 0 else 1.0
    scaled = [((capture - middle) / unit).astype(np.float32) for capture in captures]
    drawn = replicates(scaled, lengths, lambda rows: _statistics(rows, centred=centred), rng, count)
    return np.asarray(drawn.astype(np.float64).var(axis=0, ddof=1) * np.array([unit**2, unit**2, unit**4]))


def order_statistic_bias(k: float) -> float:
    """How many times too large the bootstrap takes the variance of the k-th value from the end of a sample, k >= 1.

    Expected values where the tail is exponential, as every tail of an unbounded distribution of this trade nearly is
    over so short a stretch: the gaps between ordered values are then independent exponentials of mean 1/i, counted
    from the end (A. Renyi, Acta Math. Acad. Sci. Hung. 4, 1953, 191), so that the true variance is trigamma(k), while
    a resample's k-th value is the i-th or beyond with the probability that a Poisson count of mean i reaches k.
    """
    from scipy.special import gammainc, polygamma

    i = np.arange(1, int(k + 12 * np.sqrt(k)) + 16)
    reached = gammainc(k, i)
    chance = np.diff(reached, prepend=0.0)
    place = np.concatenate([[0.0], np.cumsum(1.0 / i)[:-1]])
    mean = float(chance @ place)
    drawn = float(chance @ (place - mean) ** 2) + float(np.sum(reached * (1 - reached) / i**2))
    return drawn / float(polygamma(1, k))


def _statistics(rows: Series, *, centred: bool) -> Series:
    """Median, 99 % quantile (rank (n + 1) p) and mean square of each row, shape (rows, 3)."""
    n = rows.shape[1]
    ranks = [min(max(p * (n + 1), 1.0), float(n)) for p in (0.5, TAIL)]
    lower = [int(rank) - 1 for rank in ranks]
    ordered = np.sort(rows, axis=1)
    found = []
    for rank, at in zip(ranks, lower, strict=True):
        above = ordered[:, min(at + 1, n - 1)]
        found.append(ordered[:, at] + (rank - at - 1) * (above - ordered[:, at]))
    about = rows - rows.mean(axis=1, keepdims=True) if centred else rows
    return np.column_stack([*found, np.mean(about**2, axis=1)])


def _estimate(
    value: float,
    bootstrap: float,
    single: Floats,
    influence: Sequence[Floats],
    lengths: Sequence[float],
    long_run: LongRuns,
) -> Estimate:
    """Scale the bootstrap's variance to the long-run variance of the influence series, capture by capture."""
    sizes = np.array([len(one) for one in influence], dtype=np.float64)
    wide = np.array([variance for variance, _ in long_run])
    narrow = np.array([block_variance(one, length) for one, length in zip(influence, lengths, strict=True)])
    scale = float(sizes @ wide / (sizes @ narrow)) if sizes @ narrow > 0 else 1.0
    variance = bootstrap * scale
    everything = float(sizes @ wide)
    freedom = (
        everything**2 / sum((n * v) ** 2 / nu for n, (v, nu) in zip(sizes, long_run, strict=True) if v > 0)
        if (everything > 0)
        else float(sizes.sum())
    )
    freedom = 1 / (1 / freedom + (_kurtosis(influence) - 1) / (2 * sizes.sum()))
    share = wide / (everything / sizes.sum()) if everything > 0 else np.ones(len(sizes))
    own = variance * share * sizes.sum() / sizes
    return Estimate(value, variance, freedom, np.column_stack([single, own, sizes]))


def _kurtosis(influence: Sequence[Floats]) -> float:
    """Fourth moment over the square of the second: how uncertain the variance is that rare large values make."""
    centred = np.concatenate([one - one.mean() for one in influence])
    square = float(np.mean(centred**2))
    return float(np.mean(centred**4)) / square**2 if square > 0 else 1.0


def _linear_square(
    captures: Sequence[Floats],
    turns: Sequence[Floats] | None,
    square: float,
    single: Floats,
    rng: np.random.Generator,
) -> Estimate | None:
    """The mean square as an estimate, from the captures' own memories; None where one is not linear.

    Its logarithm varies as that of chi-squared does, by trigamma(half the independent values), which is more than the
    slope of the logarithm tells where these are few.
    """
    from scipy.special import polygamma

    behind = turns if turns is not None else [None] * len(captures)
    swings = [swing(capture, rng, turns=shaft) for capture, shaft in zip(captures, behind, strict=True)]
    known = [one for one in swings if one is not None]
    if len(known) < len(captures):
        return None
    sizes = np.array([len(capture) for capture in captures], dtype=np.float64)
    own = np.array([polygamma(1, 1 / one.relative_variance) for one in known]) * single**2
    parts = (sizes / sizes.sum()) ** 2 * own
    freedom = float(parts.sum() ** 2 / np.sum(parts**2 / np.array([one.freedom for one in known])))
    return Estimate(square, float(parts.sum()), freedom, np.column_stack([single, own, sizes]))


def _left(value: float | Floats, excess: float) -> Floats:
    """A mean square less what sampling added; not believed below a quarter of that."""
    return np.maximum(value - excess, max(excess / 4, float(np.finfo(np.float64).tiny)))


def _leaving_out_one(square: float, squares: Floats, excess: float) -> float:
    """How many times the slope's variance the logarithm of a mean of `squares` has, at least 1.

    Where a few large values make most of a spread, its logarithm is less certain than its slope tells: by the variance
    of the pseudo-values that leave out one of the squares each (R. G. Miller, Ann. Math. Stat. 39, 1968, 567).
    """
    n = len(squares)
    linear = (0.5 / float(_left(square, excess))) ** 2 * float(np.var(squares))
    if not linear > 0:
        return 1.0
    less = (n * square - squares * (n / (n - 1))) / (n - 1)
    return max(1.0, (n - 1) ** 2 * float(np.var(0.5 * np.log(_left(less, excess)))) / linear)


def _logarithm(square: Estimate, wider: float, excess: float) -> Estimate:
    """Estimate of a mean square to that of the logarithm of its root, what sampling added taken off, and the variance
    `wider` times as large."""

    def root(value: float) -> float:
        return 0.5 * float(np.log(_left(value, excess)))

    def slope(value: float) -> float:
        return 0.5 / float(_left(value, excess))

    by_capture = np.array([[root(v), var * wider * slope(v) ** 2, size] for v, var, size in square.by_capture])
    variance = square.variance * wider * slope(square.value) ** 2
    return Estimate(root(square.value), variance, square.freedom, by_capture)


def effective_number(influence: Sequence[Floats], long_runs: LongRuns | None = None) -> float:
    """How many independent revolutions the captures are worth: n variance / long-run variance, at most n."""
    sizes = np.array([len(one) for one in influence], dtype=np.float64)
    spread = np.array([float(np.var(one)) for one in influence])
    known = [long_run_variance(one) for one in influence] if long_runs is None else long_runs
    long_run = np.array([variance for variance, _ in known])
    if not sizes @ long_run > 0:
        return float(sizes.sum())
    return float(min(sizes.sum() * (sizes @ spread) / (sizes @ long_run), sizes.sum()))


def contrast(before: Estimate, after: Estimate, *, extra_variance: float = 0.0, coverage: float = COVERAGE) -> Contrast:
    """After less before, with Student's t on Welch's degrees of freedom (B. L. Welch, Biometrika 34, 1947).

    Where a side has several captures, what they differ by beyond their own uncertainty widens the interval: variance
    from capture to capture by the method of moments (W. G. Cochran, Biometrics 10, 1954, 101), common to both sides,
    because two or three captures are too few to resample. `extra_variance` is what sampling and the
    recorders' clocks add.
    """
    from scipy.stats import t

    difference = float(after.value - before.value)
    parts = [(before.variance, before.freedom), (after.variance, after.freedom)]
    spread, freedom = _between(before.by_capture, after.by_capture)
    shares = sum(float(np.sum((one[:, 2] / one[:, 2].sum()) ** 2)) for one in (before.by_capture, after.by_capture))
    if spread > 0:
        parts.append((spread * shares, freedom))
    variance = float(sum(v for v, _ in parts)) + extra_variance
    if variance <= 0:
        return Contrast(difference, difference, difference, 1.0 if difference == 0 else 0.0, 0.0, np.inf, False)
    degrees = variance**2 / max(sum(v**2 / f for v, f in parts), np.finfo(np.float64).tiny)
    error = float(np.sqrt(variance))
    half = float(t.ppf((1 + coverage) / 2, degrees)) * error
    p = float(2 * t.sf(abs(difference) / error, degrees))
    return Contrast(difference, difference - half, difference + half, p, error, float(degrees), spread > 0)


def _between(before: Floats, after: Floats) -> tuple[float, float]:
    """Variance from capture to capture and its degrees of freedom; (0, 0) where no side has two captures."""
    freedom = len(before) + len(after) - 2
    if freedom < 1:
        return 0.0, 0.0
    seen = explained = 0.0
    for side in (before, after):
        seen += float(np.sum((side[:, 0] - side[:, 0].mean()) ** 2))
        explained += float((1 - 1 / len(side)) * side[:, 1].sum())
    # half a standard error more: so few captures often differ less than they might, and zero would be too sure
    allowance = 0.5 * np.sqrt(2 / freedom) * seen / freedom
    return max(0.0, (seen - explained) / freedom + float(allowance)), float(freedom)


def tendency(
    before: Sequence[Floats], after: Sequence[Floats], *, independent: bool = False, freedom: float = FREEDOM
) -> Contrast:
    """Does one side tend to larger values? P(before < after) + P(equal) / 2, less one half.

    The test of E. Brunner and U. Munzel (Biometrical J. 42, 2000, 17), which asks for no shape and allows ties, with
    the variance of the placements taken as long-run variance; `independent` gives the textbook's own.
    """
    from scipy.stats import rankdata

    x, y = np.concatenate(list(before)), np.concatenate(list(after))
    ranks = rankdata(np.concatenate([x, y]))
    of_x = (ranks[: len(x)] - rankdata(x)) / len(y)
    of_y = (ranks[len(x) :] - rankdata(y)) / len(x)
    low = _mean_of(_split(of_x, before), independent, freedom)
    high = _mean_of(_split(of_y, after), independent, freedom)
    effect = float(of_y.mean())
    # placements of one side fall as the other's rise; each side's mean is the effect, seen from that side
    mirrored = replace(low, value=0.5, by_capture=low.by_capture * (-1, 1, 1))
    return contrast(mirrored, replace(high, value=effect))


def _split(values: Floats, captures: Sequence[Floats]) -> list[Floats]:
    return np.split(values, np.cumsum([len(capture) for capture in captures])[:-1])


def _mean_of(captures: Sequence[Floats], independent: bool, frequencies: float) -> Estimate:
    """The mean over all captures' revolutions with its long-run variance; each needs two revolutions or more."""
    sizes = np.array([len(capture) for capture in captures], dtype=np.float64)
    if independent:
        known = [(float(np.var(capture, ddof=1)), len(capture) - 1) for capture in captures]
    else:
        known = [long_run_variance(capture, (), frequencies) for capture in captures]
    variances = np.array([variance for variance, _ in known])
    total = float(sizes @ variances)
    freedom = (
        total**2 / sum((n * v) ** 2 / nu for n, (v, nu) in zip(sizes, known, strict=True))
        if total > 0
        else sizes.sum() - 1
    )
    means = np.array([float(capture.mean()) for capture in captures])
    floor = 1 / (4 * sizes.sum() ** 2) / len(captures)
    return Estimate(
        float(np.average(means, weights=sizes)),
        max(total / float(sizes.sum()) ** 2, floor),
        freedom,
        np.column_stack([means, variances / sizes, sizes]),
    )


def holm(p_values: Sequence[float]) -> Floats:
    """p-values adjusted so that any below alpha may be called, with a family-wise error of alpha at most.

    (S. Holm, Scand. J. Stat. 6, 1979): the i-th smallest of m times m - i + 1, made monotone and capped at 1.
    """
    p = np.asarray(p_values, dtype=np.float64)
    order = np.argsort(p, kind="stable")
    adjusted = np.minimum(1.0, np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1)))
    result = np.empty(len(p))
    result[order] = adjusted
    return result


def could_be_told(least: Sequence[float], alpha: float) -> NDArray[np.bool_]:
    """Which of several tests could come out below alpha after correction over those that could, whatever is seen.

    `least` are the smallest p-values that each could have given: 0 for continuous ones, more for few counts. The
    others need not be corrected for (R. E. Tarone, Biometrics 46, 1990, 515): of the smallest K for which no more than
    K tests can reach alpha / K, those tests. Counts enter by their sums alone, so that choosing is no peeking.
    """
    smallest = np.asarray(least, dtype=np.float64)
    for k in range(1, len(smallest) + 1):
        able = smallest <= alpha / k
        if able.sum() <= k:
            return np.asarray(able)
    return np.ones(len(smallest), dtype=np.bool_)


def normal_p(half_widths: float) -> float:
    """Two-sided p-value of a normal estimate that lies so many half-widths of its 95 % interval from zero."""
    from scipy.special import ndtr, ndtri

    return float(2 * ndtr(-half_widths * ndtri((1 + COVERAGE) / 2)))


def within(low: float, high: float, tolerance: float) -> bool:
    """True where the whole interval lies inside plus or minus the tolerance.

    With a 95 % interval both one-sided tests of D. J. Schuirmann (J. Pharmacokin. Biopharm. 15, 1987) reject at 2.5 %.
    """
    return bool(-tolerance <= low and high <= tolerance)


def longer_by(found: Contrast, tolerance: float, p_limit: float) -> float | None:
    """How many times as long a recording would settle the matter, if the difference stayed as it is.

    With the length the standard error shrinks as its square root and the degrees of freedom grow as its power 2/3 (see
    long_run_variance), until the interval lies inside the tolerance or the difference is told from zero at `p_limit`.
    Never below LEAST_LONGER. None where neither is in sight (1000 times as long).
    """
    from scipy.special import stdtr, stdtrit

    if found.standard_error == 0:
        return None
    factors = np.geomspace(LEAST_LONGER, 1000.0, 400)
    freedom = np.minimum(found.freedom, 1e9) * factors ** (2 / 3)
    errors = found.standard_error / np.sqrt(factors)
    apart = abs(found.difference)
    inside = apart + stdtrit(freedom, (1 + COVERAGE) / 2) * errors <= tolerance
    told = 2 * stdtr(freedom, -apart / errors) <= p_limit
    enough = np.flatnonzero(inside | told)
    return float(factors[enough[0]]) if len(enough) else None
