"""Statistics of a set of observations, and what a finite number of them can bound."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True)
class Statistics:
    """One block of statistics in SI units (or degrees).

    `std` divides by n - 1. `p95` and `p99` follow the (n + 1) p definition of the NIST/SEMATECH e-Handbook, 7.2.6.2
    (numpy's "weibull" method), clipped to the extremes. `uncertainty` is the expanded uncertainty (95 %) of `mean` as
    the mean of what was recorded: sampling and recorder clock, not the spread of the process. None where undefined.
    """

    n: int
    min: float | None
    max: float | None
    mean: float | None
    std: float | None
    median: float | None
    p95: float | None
    p99: float | None
    uncertainty: float | None

    def as_dict(self) -> dict[str, Any]:
        """The block as results.json carries it."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


EMPTY = Statistics(0, None, None, None, None, None, None, None, None)


def summarise(values: ArrayLike, uncertainty: float | None = None) -> Statistics:
    """Statistics of finite `values`, shape (n,); NaN marks what was not measured and is left out."""
    array = np.asarray(values, dtype=np.float64)
    array = array[np.isfinite(array)]
    if array.size == 0:
        return EMPTY
    p50, p95, p99 = np.quantile(array, (0.5, 0.95, 0.99), method="weibull")
    return Statistics(
        n=int(array.size),
        min=float(array.min()),
        max=float(array.max()),
        mean=float(array.mean()),
        std=float(array.std(ddof=1)) if array.size > 1 else None,
        median=float(p50),
        p95=float(p95),
        p99=float(p99),
        uncertainty=None if uncertainty is None else float(uncertainty),
    )


def summarise_counts(values: ArrayLike, counts: ArrayLike, uncertainty: float | None = None) -> Statistics:
    """Statistics of a histogram: distinct `values` ascending, shape (k,), each seen `counts` times.

    The same definitions as `summarise`, without unrolling: an LED line has a million bits a second.
    """
    value = np.asarray(values, dtype=np.float64)
    count = np.asarray(counts, dtype=np.int64)
    value, count = value[count > 0], count[count > 0]
    n = int(count.sum())
    if n == 0:
        return EMPTY
    offset = value[0]
    mean = float(np.dot(value - offset, count) / n + offset)
    spread = float(np.dot((value - mean) ** 2, count))
    upto = np.cumsum(count)

    def ranked(rank: float) -> float:
        """Value at a 1-based fractional rank, interpolated between neighbours."""
        rank = min(max(rank, 1.0), float(n))
        lower = int(rank)
        low = value[np.searchsorted(upto, lower)]
        high = value[np.searchsorted(upto, min(lower + 1, n))]
        return float(low + (rank - lower) * (high - low))

    return Statistics(
        n=n,
        min=float(value[0]),
        max=float(value[-1]),
        mean=mean,
        std=float(np.sqrt(spread / (n - 1))) if n > 1 else None,
        median=ranked(0.5 * (n + 1)),
        p95=ranked(0.95 * (n + 1)),
        p99=ranked(0.99 * (n + 1)),
        uncertainty=uncertainty,
    )


def wilks_count(content: float, confidence: float, *, two_sided: bool = False) -> int:
    """Fewest observations whose extremes bound `content` of the population at `confidence`.

    One-sided: 1 - p^n >= c; two-sided: 1 - p^n - n (1 - p) p^(n - 1) >= c (S. S. Wilks, Ann. Math. Statist. 12, 1941).
    """
    if not (0 < content < 1 and 0 < confidence < 1):
        raise ValueError("content and confidence lie between 0 and 1")
    n = 1
    while True:
        missed = content**n + (n * (1 - content) * content ** (n - 1) if two_sided else 0.0)
        if 1 - missed >= confidence:
            return n
        n += 1


def bounded_content(n: int, confidence: float = 0.95) -> float:
    """Share of the population that the largest of `n` independent observations bounds: (1 - c)^(1/n)."""
    return float((1 - confidence) ** (1 / n)) if n > 0 else 0.0


def proportion_interval(seen: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Two-sided Clopper-Pearson interval of a proportion (Biometrika 26, 1934); (0, 1) for n = 0."""
    from scipy.special import betaincinv

    if n == 0:
        return 0.0, 1.0
    alpha = 1 - confidence
    low = float(betaincinv(seen, n - seen + 1, alpha / 2)) if seen > 0 else 0.0
    high = float(betaincinv(seen + 1, n - seen, 1 - alpha / 2)) if seen < n else 1.0
    return low, high


def fault_rate_bound(seen: int, n: int, confidence: float = 0.95) -> float:
    """One-sided Clopper-Pearson upper bound of a fault rate; for seen = 0 close to 3/n at 95 %."""
    from scipy.special import betaincinv

    return float(betaincinv(seen + 1, n - seen, confidence)) if seen < n else 1.0


def poisson_interval(seen: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact two-sided interval of a Poisson mean (F. Garwood, Biometrika 28, 1936); for 0 seen, the one-sided bound."""
    from scipy.special import gammaincinv

    if seen == 0:
        return 0.0, float(gammaincinv(1, confidence))
    alpha = 1 - confidence
    return float(gammaincinv(seen, alpha / 2)), float(gammaincinv(seen + 1, 1 - alpha / 2))
