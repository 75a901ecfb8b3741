"""A value against its limits as a small bar: where it lies, how far its uncertainty reaches, where the limits are."""

from __future__ import annotations

from dataclasses import dataclass

from spinlag.verdicts import Verdict

WIDTH = 190.0
_VIEW = (-0.3, 1.3)


@dataclass(frozen=True)
class Bar:
    """Horizontal positions in a drawing WIDTH units wide; None where there is no such thing to draw.

    The window of a two-sided limit takes the middle; a one-sided upper limit is drawn with zero at the left end of the
    window, a one-sided lower one with twice the limit at its right end. `beyond` is -1 or 1 where the value lies
    outside the drawing, to that side.
    """

    band_from: float
    band_to: float
    low: float | None
    high: float | None
    value: float
    whisker_from: float
    whisker_to: float
    beyond: int


def bar(verdict: Verdict) -> Bar | None:
    """Geometry of one verdict's bar; None where nothing was measured or there is no limit."""
    low, high, value = verdict.limit_low, verdict.limit_high, verdict.value
    if value is None or (low is None and high is None):
        return None
    zero, one = _frame(low, high, value)

    def place(x: float) -> float:
        share = (x - zero) / (one - zero)
        return round((share - _VIEW[0]) / (_VIEW[1] - _VIEW[0]) * WIDTH, 2)

    def inside(x: float) -> float:
        return min(max(x, 0.0), WIDTH)

    reach = verdict.uncertainty or 0.0
    at = place(value)
    return Bar(
        band_from=inside(place(low)) if low is not None else 0.0,
        band_to=inside(place(high)) if high is not None else WIDTH,
        low=place(low) if low is not None else None,
        high=place(high) if high is not None else None,
        value=inside(at),
        whisker_from=inside(place(value - reach)),
        whisker_to=inside(place(value + reach)),
        beyond=-1 if at < 0 else 1 if at > WIDTH else 0,
    )


def _frame(low: float | None, high: float | None, value: float) -> tuple[float, float]:
    """The values that stand at 0 and at 1 of the bar."""
    if low is not None and high is not None and high > low:
        return low, high
    if low is None and high is not None and high > 0:
        return 0.0, high
    if high is None and low is not None and low > 0:
        return low, 2 * low
    # limits at or below zero, or both the same: as wide as the distance that matters
    edge = low if low is not None else high if high is not None else 0.0
    width = abs(edge) or abs(value) or 1.0
    return (edge, edge + width) if low is not None else (edge - width, edge)
