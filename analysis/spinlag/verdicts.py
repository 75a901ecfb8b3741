"""Quantity, uncertainty and limit to a verdict: pass, fail, undecided or not-measured.

The rules follow JCGM 106 with a guard band of the whole expanded uncertainty on either side: nothing passes or fails
on a value that its own uncertainty could move across the limit.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

Outcome = Literal["pass", "fail", "undecided", "not-measured"]

NORMAL_95 = 1.959964
"""Coverage factor of 95 % for a normal error."""

USUAL_RATES_HZ = tuple(
    factor * decade for decade in (1e6, 1e7, 1e8, 1e9) for factor in (1.0, 1.2, 1.6, 2.0, 2.4, 2.5, 4.0, 5.0, 8.0)
)
"""Sample rates that recorders commonly offer. Common practice, no source."""

FASTEST_HZ = USUAL_RATES_HZ[-1]


@dataclass(frozen=True)
class Verdict:
    """One limit judged. `value`, `uncertainty` (expanded, 95 % or a bound), limits and `margin` are in `unit`.

    `margin` is the distance from the value to the nearest limit, negative outside. `source` says where the limit comes
    from, `note` what else a reader must know: what sample rate would decide, what n observations can bound.
    """

    id: str
    quantity: str
    unit: str
    value: float | None
    uncertainty: float | None
    limit_low: float | None
    limit_high: float | None
    margin: float | None
    verdict: Outcome
    source: str
    note: str = ""

    @property
    def limited(self) -> bool:
        """False where there was no limit to judge by, only a quantity that could not be measured."""
        return self.limit_low is not None or self.limit_high is not None


@dataclass(frozen=True)
class Figure:
    """One figure to hold against a limit: a value and its expanded uncertainty, both in `unit`."""

    id: str
    title: str
    unit: str
    value: float | None
    uncertainty: float | None
    why_not: str = ""
    """Where `value` is None: the reason, for the verdict's note."""


@dataclass(frozen=True)
class Observed:
    """Many observations of one interval, each of which must keep the limit.

    `lowest` and `highest` are the extremes, each known to +-(`bound` + its own size times `clock_share`); the true mean
    lies within `mean_uncertainty` of `mean` (95 %); `n` counts the observations. With `sample_period_s` the sample rate
    that would decide can be said.
    """

    id: str
    title: str
    unit: str
    n: int
    lowest: float
    highest: float
    mean: float
    bound: float
    mean_uncertainty: float
    sample_period_s: float | None = None
    clock_share: float = 0.0

    def bound_of(self, value: float) -> float:
        """Largest error of one observation of that size."""
        return self.bound + abs(value) * self.clock_share


def judge_figure(figure: Figure, low: float | None, high: float | None, source: str) -> Verdict:
    """Judge one figure (JCGM 106 with guard bands on both sides). Equality with a limit lies within it."""
    verdict = Verdict(
        figure.id, figure.title, figure.unit, figure.value, figure.uncertainty, low, high, None, "not-measured", source
    )
    if figure.value is None:
        return replace(verdict, note=figure.why_not or "nothing in the capture to measure")
    margin = _margin(figure.value, low, high)
    if figure.uncertainty is None:
        return replace(verdict, margin=margin, verdict="undecided", note="the value has no uncertainty to judge it by")
    outcome = _outcome(figure.value, figure.uncertainty, low, high)
    note = ""
    if outcome == "undecided":
        chance = conformance_probability(figure.value, figure.uncertainty / NORMAL_95, low, high)
        note = f"the uncertainty reaches across the limit (chance of keeping it {chance:.0%}): record longer"
    return replace(verdict, margin=margin, verdict=outcome, note=note)


def conformance_probability(value: float, standard_uncertainty: float, low: float | None, high: float | None) -> float:
    """Probability that the measurand lies within [low, high], for a normal error (JCGM 106:2012, 7.3 and 7.4)."""
    if standard_uncertainty == 0:
        return float(_margin(value, low, high) >= 0)

    def below(limit: float) -> float:
        return 0.5 * (1 + math.erf((limit - value) / (standard_uncertainty * math.sqrt(2))))

    return (1.0 if high is None else below(high)) - (0.0 if low is None else below(low))


def judge_every(seen: Observed, low: float | None, high: float | None, source: str) -> Verdict:
    """Judge a limit that every observation must keep.

    The extremes decide; but where even the mean lies outside, not all observations can lie inside, and the verdict is
    `fail` however coarse the sampling. For passes and for `undecided` the note says what would decide.
    """
    at_low = _outcome(seen.lowest, seen.bound_of(seen.lowest), low, high)
    at_high = _outcome(seen.highest, seen.bound_of(seen.highest), low, high)
    outcome: Outcome = "fail" if "fail" in (at_low, at_high) else "undecided" if at_low != at_high else at_low
    value = _worst(seen, low, high)
    uncertainty, note = seen.bound_of(value), ""
    mean_outcome = _outcome(seen.mean, seen.mean_uncertainty, low, high)
    if outcome != "fail" and mean_outcome == "fail":
        outcome, value, uncertainty = "fail", seen.mean, seen.mean_uncertainty
        note = f"the mean of {seen.n} lies outside, so not all of them can lie inside"
    elif outcome == "undecided":
        note = _deciding_rate(seen, low, high)
    return Verdict(
        seen.id,
        seen.title,
        seen.unit,
        value,
        uncertainty,
        low,
        high,
        _margin(value, low, high),
        outcome,
        source,
        note,
    )


def judge_revisions(candidates: Sequence[Verdict], names: Sequence[str]) -> Verdict:
    """One verdict for a part named without its revision, from the verdicts under each revision.

    `pass` if it meets every revision, `fail` if it meets none, `undecided` otherwise, saying which it meets. The
    numbers shown are those of the revision with the smallest margin. Needs at least one candidate.
    """
    outcomes = [verdict.verdict for verdict in candidates]
    tightest = min(candidates, key=lambda verdict: math.inf if verdict.margin is None else verdict.margin)
    if len(set(outcomes)) == 1 and (outcomes[0] != "fail" or len(candidates) == 1):
        return tightest
    if set(outcomes) == {"fail"}:
        return replace(tightest, note=f"outside every revision: {', '.join(names)}")
    by_outcome = {
        outcome: [name for name, verdict in zip(names, outcomes, strict=True) if verdict == outcome]
        for outcome in ("pass", "fail", "undecided", "not-measured")
    }
    words = {"pass": "meets", "fail": "fails", "undecided": "cannot be decided under", "not-measured": "no limit under"}
    said = "; ".join(f"{words[outcome]} {', '.join(found)}" for outcome, found in by_outcome.items() if found)
    if not by_outcome["fail"] and not by_outcome["undecided"]:
        return replace(tightest, verdict="pass", note=said)
    return replace(tightest, verdict="undecided", note=f"the rig names no revision: {said}")


def overall(verdicts: Iterable[Verdict]) -> Outcome:
    """`fail` where anything failed, else `undecided` where anything is undecided or not measured, else `pass`.

    With nothing judged at all the outcome is `undecided`: silence is no pass.
    """
    outcomes = {verdict.verdict for verdict in verdicts}
    if "fail" in outcomes:
        return "fail"
    return "undecided" if not outcomes or outcomes & {"undecided", "not-measured"} else "pass"


def _outcome(value: float, uncertainty: float, low: float | None, high: float | None) -> Outcome:
    floor = -math.inf if low is None else low
    ceiling = math.inf if high is None else high
    slack = _rounding(value, uncertainty)
    if value - uncertainty >= floor - slack and value + uncertainty <= ceiling + slack:
        return "pass"
    if value + uncertainty < floor - slack or value - uncertainty > ceiling + slack:
        return "fail"
    return "undecided"


def _rounding(*values: float) -> float:
    """What float64 arithmetic may have moved a sum of these: far below a femtosecond for any bit time."""
    return 8 * max(math.ulp(value) for value in values)


def _margin(value: float, low: float | None, high: float | None) -> float:
    return min(
        math.inf if low is None else value - low,
        math.inf if high is None else high - value,
    )


def _worst(seen: Observed, low: float | None, high: float | None) -> float:
    below, above = _margin(seen.lowest, low, None), _margin(seen.highest, None, high)
    return seen.lowest if below < above else seen.highest


def _deciding_rate(seen: Observed, low: float | None, high: float | None) -> str:
    """What sample rate would decide: one whose whole period, both ways, fits between the extremes and the limits."""
    if seen.sample_period_s is None:
        return "the uncertainty reaches across the limit"
    free = math.inf
    for limit, extreme, sign in ((low, seen.lowest, -1), (high, seen.highest, 1)):
        if limit is not None and _outcome(extreme, seen.bound_of(extreme), low, high) == "undecided":
            # extremes seen at the present rate are up to one period wider than the truth
            true_spread = max(sign * (extreme - seen.mean) - seen.sample_period_s, 0.0)
            free = min(free, sign * (limit - seen.mean) - true_spread)
    if not 0 < free < math.inf or 2 / free > FASTEST_HZ:
        return "the worst of them lies so near the limit that a faster recorder may not decide it either"
    needed = 2 / free
    usual = next((rate for rate in USUAL_RATES_HZ if rate >= needed * (1 - 1e-9)), needed)
    return f"sampling every {seen.sample_period_s * 1e9:.3g} ns cannot tell; {usual / 1e6:.4g} MHz would decide"
