"""Counts compared: two Poisson rates, exactly, and what was not seen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.compare.blocks import long_run_variance
from spinlag.summary import fault_rate_bound, poisson_interval, proportion_interval

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Rates:
    """Two counts over two exposures. `ratio` is after over before with its 95 % interval (None where it does not
    exist); `difference` after less before per unit of exposure, with its 95 % interval; `p` of equal rates, None where
    nothing was counted at all; `least_p` the smallest that p could have been with so many events, however they fell."""

    ratio: float | None
    ratio_low: float | None
    ratio_high: float | None
    difference: float
    low: float
    high: float
    p: float | None
    least_p: float | None


def compare_rates(before: int, after: int, exposure_before: float, exposure_after: float) -> Rates:
    """Exact conditional comparison of two Poisson rates.

    Given the sum, the count after is binomial with the share of the exposure after; the ratio's interval follows from
    Clopper and Pearson's for that share (J. Przyborowski, H. Wilenski, Biometrika 31, 1940, 313). The p-value is the
    two-sided binomial one (sum of outcomes no likelier than the one seen). The interval of the difference combines
    Garwood's of each rate (A. Donner, G. Y. Zou, Stat. Methods Med. Res. 21, 2012, 347, the method of variance
    estimates recovery).
    """
    from scipy.stats import binomtest

    low_b, high_b = (bound / exposure_before for bound in poisson_interval(before))
    low_a, high_a = (bound / exposure_after for bound in poisson_interval(after))
    rate_b, rate_a = before / exposure_before, after / exposure_after
    difference = rate_a - rate_b
    low = difference - float(np.hypot(rate_a - low_a, high_b - rate_b))
    high = difference + float(np.hypot(high_a - rate_a, rate_b - low_b))
    total = before + after
    if total == 0:
        return Rates(None, None, None, 0.0, low, high, None, None)
    share = exposure_after / (exposure_before + exposure_after)
    p = float(binomtest(after, total, share).pvalue)
    least = min(float(binomtest(all_after, total, share).pvalue) for all_after in (0, total))
    part_low, part_high = proportion_interval(after, total)

    def as_ratio(part: float) -> float | None:
        return part / (1 - part) * exposure_before / exposure_after if part < 1 else None

    ratio = rate_a / rate_b if before else None
    return Rates(ratio, as_ratio(part_low), as_ratio(part_high), difference, low, high, p, least)


def dispersion(counts: Floats) -> float:
    """Long-run variance over mean of counts per revolution: 1 for Poisson counts, more where they come in clusters.

    Never less than 1. Dividing counts and exposure by it leaves the number of independent events (quasi-likelihood,
    R. W. M. Wedderburn, Biometrika 61, 1974).
    """
    mean = float(counts.mean()) if len(counts) else 0.0
    if mean <= 0:
        return 1.0
    return max(1.0, long_run_variance(counts)[0] / mean)


def unseen(before: int, after: int) -> str:
    """What two recordings without a single event bound, in words: revolutions in, one-sided 95 % bounds out."""
    bounds = [fault_rate_bound(0, n) if n else 1.0 for n in (before, after)]
    return (
        f"none in {before} and in {after} revolutions: with 95 % confidence fewer than {100 * bounds[0]:.2g} % and "
        f"{100 * bounds[1]:.2g} % of revolutions have one"
    )


def exposure_needed(rate_before: float, rate_after: float, tolerance: float, p_limit: float) -> float | None:
    """Exposure on each side, in units of the rates', that would settle a comparison if the rates stayed as seen.

    Counts have a variance-stabilising square root with variance 1/4 (M. S. Bartlett, J. R. Stat. Soc. Suppl. 3, 1936).
    None where it is out of sight.
    """
    from scipy.stats import norm

    apart = abs(float(np.sqrt(rate_after) - np.sqrt(rate_before)))
    if abs(rate_after - rate_before) > tolerance:
        return float((norm.isf(p_limit / 2) / apart) ** 2 / 2)
    room = tolerance - abs(rate_after - rate_before)
    if rate_before == rate_after == 0:
        return 3.0 / tolerance
    return float(norm.isf(0.025) ** 2 * (rate_before + rate_after) / room**2) if room > 0 else None
