"""Each quantity over a row of versions, and the version at which it changed, with how sure that is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.compare.counts import SHARES, between_versions, fault_counts, pooled_timing, share_counts, timing_names
from spinlag.compare.items import ITEMS, Item
from spinlag.compare.measured import Measured
from spinlag.compare.series import WHATS, Described, Memo, describe_side
from spinlag.compare.stats import COVERAGE
from spinlag.quantities import quantity
from spinlag.rig import Limit
from spinlag.summary import poisson_interval

Floats = NDArray[np.float64]
Sets = Mapping[str, Sequence[Measured]]

SURE = 0.95
"""A change is named from this probability on."""
NO_CHANGE = 0.5
"""Probability given beforehand to a quantity that never changes; the rest is spread evenly over the versions."""


@dataclass(frozen=True)
class Point:
    """One version's value with its 95 % interval, in the quantity's unit."""

    version: str
    value: float
    low: float
    high: float
    revolutions: int


@dataclass(frozen=True)
class Trend:
    """One quantity over the versions that have it, in order. `changed_at` is the version whose value first differs
    from those before, None where no change is surer than SURE; `sure` its probability, or that of no change; `said`
    puts it in words."""

    id: str
    title: str
    what: str
    unit: str
    points: tuple[Point, ...]
    changed_at: str | None
    sure: float
    said: str


def trends_of(sets: Sets, limits: Mapping[str, Limit], memo: Memo) -> list[Trend]:
    """All trends: quantities of revolutions, shares, bit times, and every kind of fault that any version showed."""
    found = [trend_of(item, sets, memo) for item in ITEMS]
    found += [_share_trend(quantity_id, sets) for quantity_id in SHARES]
    found += [_timing_trend(name, sets, limits) for name in timing_names(list(sets.values()))]
    kinds = sorted({kind for side in sets.values() for one in side for kind, seen in one.faults.items() if seen})
    found += [_fault_trend(kind, sets) for kind in kinds]
    return [trend for trend in found if trend is not None]


def trend_of(item: Item, sets: Sets, memo: Memo) -> Trend | None:
    """One quantity over the versions; None where fewer than two have enough revolutions."""
    every = {name: describe_side(item, captures, memo=memo) for name, captures in sets.items()}
    described = {name: found for name, found in every.items() if found is not None}
    if len(described) < 2:
        return None
    points = tuple(_point(item, name, found) for name, found in described.items())
    estimates = [
        found.sample.median if item.kind == "location" else found.sample.log_spread for found in described.values()
    ]
    values = np.array([one.value for one in estimates])
    variances = np.array([one.variance * _heavy(one.freedom) for one in estimates])
    if item.kind == "location":
        spread = float(np.exp(np.mean([found.sample.log_spread.value for found in described.values()])))
        prior = spread**2
    else:
        # what one revolution knows of the logarithm of a spread
        prior = 0.5
    probability = change_probabilities(values / np.sqrt(prior), variances / prior, 1.0)
    changed, sure, said = _changed(probability, [point.version for point in points])
    return Trend(item.id, item.title, WHATS[item.kind], "deg" if item.angle else "s", points, changed, sure, said)


def _point(item: Item, name: str, found: Described) -> Point:
    from scipy.stats import t

    one = found.sample.median if item.kind == "location" else found.sample.log_spread
    half = float(t.ppf((1 + COVERAGE) / 2, one.freedom)) * one.standard_error
    ends = np.array([one.value, one.value - half, one.value + half])
    value, low, high = (ends if item.kind == "location" else np.exp(ends)).tolist()
    return Point(name, value, low, high, found.sample.revolutions)


def _heavy(freedom: float) -> float:
    """How much wider than normal, squared, Student's t makes a 95 % interval."""
    from scipy.stats import norm, t

    return float((t.ppf((1 + COVERAGE) / 2, freedom) / norm.ppf((1 + COVERAGE) / 2)) ** 2)


def change_probabilities(values: Floats, variances: Floats, prior_variance: float) -> Floats:
    """Probability of no change (first), and of a change at each version from the second on, shape (versions,).

    One step at most: value = level + step * (version >= k) + error. The step's prior is normal with `prior_variance`,
    what one single revolution would know of it (unit information: R. E. Kass, L. Wasserman, J. Am. Stat. Assoc. 90,
    1995, 928); the level's is flat. Evidence is the Gaussian likelihood with level and step integrated out.
    """
    n = len(values)
    evidence = np.array([_evidence(values, variances, k, prior_variance) for k in range(n)])
    prior = np.full(n, (1 - NO_CHANGE) / (n - 1))
    prior[0] = NO_CHANGE
    scaled = prior * np.exp(evidence - evidence.max())
    return np.asarray(scaled / scaled.sum())


def _evidence(values: Floats, variances: Floats, k: int, prior_variance: float) -> float:
    """Log of the marginal likelihood of a step at version k; of none at all for k = 0."""
    covariance = np.diag(np.maximum(variances, np.finfo(np.float64).eps * prior_variance))
    if k > 0:
        step = (np.arange(len(values)) >= k).astype(np.float64)
        covariance = covariance + prior_variance * np.outer(step, step)
    inverse = np.linalg.inv(covariance)
    level = inverse.sum()
    centred = values - (inverse @ values).sum() / level
    return -0.5 * float(np.linalg.slogdet(covariance)[1] + np.log(level) + centred @ inverse @ centred)


def _changed(probability: Floats, versions: Sequence[str]) -> tuple[str | None, float, str]:
    """Version of the change (None where none is sure), its probability or that of no change, and both in words."""
    best = int(np.argmax(probability[1:])) + 1
    sure = float(probability[best])
    if sure >= SURE:
        return versions[best], sure, f"changed at {versions[best]} (probability {_told(sure)})"
    none = float(probability[0])
    if none >= NO_CHANGE:
        return None, none, f"no change told (probability of none {_told(none)})"
    some = 1 - none
    return None, none, f"a change somewhere has probability {some:.2f}; likeliest at {versions[best]} ({sure:.2f})"


def _told(probability: float) -> str:
    return "above 0.999" if probability > 0.999 else f"{probability:.3f}"


def _fault_trend(kind: str, sets: Sets) -> Trend | None:
    counted = {name: fault_counts(kind, side) for name, side in sets.items()}
    return _count_trend(f"faults.{kind}", kind, {name: found for name, found in counted.items() if found is not None})


def _share_trend(quantity_id: str, sets: Sets) -> Trend | None:
    return _count_trend(quantity_id, quantity(quantity_id).title, share_counts(quantity_id, sets))


def _count_trend(id_: str, title: str, counted: Mapping[str, tuple[float, float, int]]) -> Trend | None:
    """Trend of a rate from events, exposure and revolutions of each version; None with fewer than two versions."""
    if len(counted) < 2:
        return None
    points = []
    for name, (events, exposure, revolutions) in counted.items():
        low, high = poisson_interval(round(events))
        points.append(Point(name, events / exposure, low / exposure, high / exposure, revolutions))
    table = np.array(list(counted.values()), dtype=np.float64)
    changed, sure, said = _changed(rate_change_probabilities(table[:, 0], table[:, 1]), list(counted))
    if not table[:, 0].any():
        said = "none in any version"
    return Trend(id_, title, "rate" if id_.startswith("faults.") else "share", "1", tuple(points), changed, sure, said)


def rate_change_probabilities(events: Floats, exposures: Floats) -> Floats:
    """As change_probabilities, for Poisson counts over exposures.

    Rates before and after have gamma priors of shape 1/2 about the overall rate: half an event's worth of knowledge.
    With the conjugate prior the evidence of a segment of K events over T is, but for factors that all segmentations
    share, Gamma(1/2 + K) / Gamma(1/2) * sqrt(b) / (b + T)^(1/2 + K).
    """
    from scipy.special import gammaln

    n = len(events)
    prior = np.full(n, (1 - NO_CHANGE) / (n - 1))
    prior[0] = NO_CHANGE
    if not events.sum() > 0:
        return prior
    rest = 0.5 * exposures.sum() / events.sum()

    def segment(seen: Floats, exposure: Floats) -> float:
        k, time = float(seen.sum()), float(exposure.sum())
        return float(gammaln(0.5 + k) - gammaln(0.5) + 0.5 * np.log(rest) - (0.5 + k) * np.log(rest + time))

    parts = [segment(events[:k], exposures[:k]) + segment(events[k:], exposures[k:]) for k in range(1, n)]
    evidence = np.array([segment(events, exposures), *parts])
    scaled = prior * np.exp(evidence - evidence.max())
    return np.asarray(scaled / scaled.sum())


def _timing_trend(name: str, sets: Sets, limits: Mapping[str, Limit]) -> Trend | None:
    """Mean bit times; versions may differ by half the tolerance without a change of the firmware."""
    found = {version: mean for version, side in sets.items() if (mean := pooled_timing(name, side)) is not None}
    if len(found) < 2:
        return None
    widest, apart = between_versions(name, [one for side in sets.values() for one in side], limits)
    points = [
        Point(version, mean, mean - u, mean + u, sum(one.revolutions for one in sets[version]))
        for version, (mean, u) in found.items()
    ]
    values = np.array([mean for mean, _ in found.values()])
    variances = np.array([(u / 1.96) ** 2 + apart**2 for _, u in found.values()])
    changed, sure, said = _changed(
        change_probabilities((values - values[0]) / widest, variances / widest**2, 1.0), list(found)
    )
    return Trend(name, quantity(name).title, "mean", "s", tuple(points), changed, sure, said)
