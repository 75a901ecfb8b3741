"""Quantity, uncertainty and limit to a verdict: pass, fail, undecided or not-measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Outcome = Literal["pass", "fail", "undecided", "not-measured"]


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
