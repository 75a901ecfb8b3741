"""A row of versions: each quantity as a trend, the version at which it changed, every version against a reference."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.compare import Comparison, assembled, correct, limits_of, raw_rows
from spinlag.compare.items import ITEMS, Item
from spinlag.compare.measured import CompareError, Measured, comparable
from spinlag.compare.rows import Change
from spinlag.compare.series import WHATS, Described, Memo, describe_side
from spinlag.compare.stats import COVERAGE
from spinlag.rig import Rig

Floats = NDArray[np.float64]

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


@dataclass(frozen=True, eq=False)
class Versions:
    """All of a row: names in order, the reference, every other version compared with it, and the trends."""

    names: tuple[str, ...]
    reference: str
    sets: Mapping[str, tuple[Measured, ...]]
    comparisons: Mapping[str, Comparison]
    trends: tuple[Trend, ...]

    @property
    def newest(self) -> Comparison:
        """The last version, or the one before where the last is the reference, against the reference."""
        return self.comparisons[[name for name in self.names if name != self.reference][-1]]

    @property
    def exit_status(self) -> int:
        """1 where the newest version is worse than the reference, 3 where something about it cannot be told, else 0."""
        if self.newest.verdict == "worse":
            return 1
        return 0 if self.newest.settled else 3

    @property
    def verdicts(self) -> dict[str, Change]:
        """Each version's verdict against the reference."""
        return {name: comparison.verdict for name, comparison in self.comparisons.items()}


def compare_versions(
    sets: Mapping[str, Sequence[Measured]], *, reference: str | None = None, rig: Rig | None = None
) -> Versions:
    """Compare two or more named sets of captures, in the order given; the reference is the first unless named.

    p-values are corrected over all quantities, fault kinds and versions together. Raises CompareError.
    """
    names = tuple(sets)
    if len(names) < 2:
        raise CompareError("comparing takes two sets of captures or more")
    base = names[0] if reference is None else reference
    if base not in sets:
        raise CompareError(f"no set {base!r} to compare with; there are {', '.join(names)}")
    comparable(sets)
    others = [name for name in names if name != base]
    memo: Memo = {}
    families = [
        raw_rows(sets[base], sets[name], limits_of(sets[base], sets[name], rig), len(others), memo) for name in others
    ]
    if not any(rows or faults for rows, faults in families):
        raise CompareError("cannot compare: neither side has revolutions or bit times with limits to compare")
    comparisons = {
        name: assembled(sets[base], sets[name], rows, faults, (base, name))
        for name, (rows, faults) in zip(others, correct(families), strict=True)
    }
    trends = [trend for item in ITEMS if (trend := trend_of(item, sets, memo)) is not None]
    kept = {name: tuple(captures) for name, captures in sets.items()}
    return Versions(names, base, kept, comparisons, tuple(trends))


def trend_of(item: Item, sets: Mapping[str, Sequence[Measured]], memo: Memo) -> Trend | None:
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
    changed, sure, said = _changed(values, variances, prior, [point.version for point in points])
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


def _changed(
    values: Floats, variances: Floats, prior_variance: float, versions: Sequence[str]
) -> tuple[str | None, float, str]:
    probability = change_probabilities(values / np.sqrt(prior_variance), variances / prior_variance, 1.0)
    best = int(np.argmax(probability[1:])) + 1
    sure = float(probability[best])
    if sure >= SURE:
        return versions[best], sure, f"changed at {versions[best]} (probability {sure:.3f})"
    none = float(probability[0])
    if none >= SURE:
        return None, none, f"no change told (probability {none:.3f})"
    some = 1 - none
    return None, none, f"a change somewhere has probability {some:.2f}; likeliest at {versions[best]} ({sure:.2f})"
