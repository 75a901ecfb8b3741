"""One line of a comparison, and the rule that makes a verdict of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from spinlag.compare.stats import Contrast, within
from spinlag.summary import Statistics

Change = Literal["better", "worse", "same", "cannot-tell"]

ALPHA = 0.05
"""Family-wise level: the chance of calling anything different between two recordings of one firmware."""


@dataclass(frozen=True)
class Row:
    """One quantity compared. Figures are in `unit` (SI, degrees); None where they could not be had.

    `shift` (after less before) is that of the median, of the standard deviation, of the rms, of a share or of a mean,
    as `what` says, with its 95 % interval. `p_single` is the p-value of no difference by itself, `least_p` the smallest
    that it could have been where events are counted, `p` the one corrected over everything tried. `toward` is positive
    where after is worse, negative where it is better, whatever the sign of the shift. `tail` is the shift of the 99 %
    quantile, `spread` the difference of the logarithms of the spreads. `effective` and `block` are the numbers of
    independent revolutions and mean block lengths of both sides. `longer` is how many times as long a recording would
    settle a `cannot-tell`, `why` the verdict's reason in words.
    """

    id: str
    title: str
    what: str
    unit: str
    before: Statistics
    after: Statistics
    shift: float | None
    low: float | None
    high: float | None
    tolerance: float
    tolerance_from: str
    p_single: float | None
    toward: float
    p: float | None = None
    verdict: Change = "cannot-tell"
    why: str = ""
    tail: Contrast | None = None
    tail_tolerance: float | None = None
    spread: Contrast | None = None
    effective: tuple[float | None, float | None] = (None, None)
    block: tuple[float | None, float | None] = (None, None)
    longer: float | None = None
    least_p: float | None = None

    def value(self, side: Statistics) -> float | None:
        """The figure that is compared, of one side."""
        if self.what == "rms":
            return (
                None if side.mean is None else math.sqrt(side.mean**2 + (side.std or 0.0) ** 2 * (side.n - 1) / side.n)
            )
        return {"median": side.median, "standard deviation": side.std}.get(self.what, side.mean)

    @property
    def differs(self) -> bool:
        """True for `better` and `worse`."""
        return self.verdict in ("better", "worse")


@dataclass(frozen=True)
class Fault:
    """One kind of fault compared as a Poisson rate: origins counted, revolutions looked at, and the ratio of rates
    (after over before) with its exact 95 % interval. `low`, `high`: 95 % interval of the difference per revolution.
    `least_p` is the smallest that `p_single` could have been with so few faults."""

    kind: str
    before: int
    after: int
    revolutions_before: int
    revolutions_after: int
    rate_ratio: float | None
    ratio_low: float | None
    ratio_high: float | None
    low: float
    high: float
    tolerance: float
    p_single: float | None
    p: float | None = None
    verdict: Change = "cannot-tell"
    why: str = ""
    longer: float | None = None
    least_p: float | None = None


_HOW = {False: ", beyond chance", True: ", beyond what the measurement leaves open"}


def judged(row: Row, *, toward_words: tuple[str, str] = ("smaller", "larger")) -> Row:
    """The row with its verdict: `same` where the whole interval is negligible, `better` or `worse` where the corrected
    p-value is below ALPHA, else `cannot-tell`."""
    if row.low is None or row.high is None or row.shift is None:
        return replace(row, verdict="cannot-tell", why=row.why or "too little to compare")
    if within(row.low, row.high, row.tolerance):
        moved = (
            row.tail is not None
            and row.tail_tolerance is not None
            and (row.tail.low > row.tail_tolerance or row.tail.high < -row.tail_tolerance)
        )
        if moved:
            return replace(
                row, verdict="cannot-tell", why="the median stayed, but the 99 % point moved by more than that"
            )
        return replace(row, verdict="same", why="the whole interval is negligible", longer=None)
    beyond = row.low > row.tolerance or row.high < -row.tolerance
    if (row.p < ALPHA if row.p is not None else beyond) and row.toward != 0:
        verdict: Change = "worse" if row.toward > 0 else "better"
        smaller, larger = toward_words
        return replace(
            row, verdict=verdict, why=f"{larger if row.shift > 0 else smaller}{_HOW[row.p is None]}", longer=None
        )
    if row.low <= 0 <= row.high:
        return replace(row, verdict="cannot-tell", why="the interval holds both no change and one that matters")
    return replace(row, verdict="cannot-tell", why="a change is likely, but not beyond chance over all that was tried")


def judged_fault(fault: Fault, unseen: str) -> Fault:
    """The fault with its verdict; `unseen` says what could have been seen where nothing was."""
    if fault.p is not None and fault.p < ALPHA and fault.rate_ratio != 1:
        more = fault.after * fault.revolutions_before > fault.before * fault.revolutions_after
        verdict: Change = "worse" if more else "better"
        return replace(fault, verdict=verdict, why=f"{'more' if more else 'fewer'}, beyond chance", longer=None)
    none = fault.before + fault.after == 0
    if within(fault.low, fault.high, fault.tolerance):
        said = unseen if none else "the whole interval of the difference is negligible"
        return replace(fault, verdict="same", why=said, longer=None)
    return replace(fault, verdict="cannot-tell", why=unseen if none else "too few to tell the rates apart")
