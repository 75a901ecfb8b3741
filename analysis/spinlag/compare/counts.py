"""Rows for what is counted, and for bit times: shares of revolutions and columns, faults, means of many intervals."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from spinlag.compare.items import NEGLIGIBLE_COLUMNS, NEGLIGIBLE_SHARE, NEGLIGIBLE_WINDOW
from spinlag.compare.measured import Measured, Timing
from spinlag.compare.rates import compare_rates, dispersion, exposure_needed, unseen
from spinlag.compare.rows import ALPHA, Fault, Row, judged_fault
from spinlag.quantities import TIMING_NAMES, quantity
from spinlag.rig import Limit
from spinlag.summary import summarise

Side = Sequence[Measured]
SHARES = {"latency.without_update": "without_update", "placement.missing": "missing"}
"""Quantity and the series that counts it in each revolution; columns are counted against all that were due."""


def share_rows(before: Side, after: Side, limits: Mapping[str, Limit]) -> list[Row]:
    """Revolutions without an update, and columns missing, as shares: exact Poisson rates that allow for clusters."""
    rows = []
    for quantity_id, name in SHARES.items():
        counts = [np.concatenate([one.series[name] for one in side]) for side in (before, after)]
        per_turn = _due(quantity_id, [*before, *after])
        if all(len(values) for values in counts) and per_turn is not None:
            rows.append(_share(quantity_id, counts, per_turn, limits))
    return rows


def _due(quantity_id: str, captures: Side) -> float | None:
    """How many of the counted are due in one revolution; None where nothing was placed."""
    if quantity_id == "latency.without_update":
        return 1.0
    return next((float(one.columns) for one in captures if one.columns), None)


def share_counts(quantity_id: str, sets: Mapping[str, Side]) -> dict[str, tuple[float, float, int]]:
    """Independent events, exposure and revolutions of each version that has any, for one share."""
    name = SHARES[quantity_id]
    counts = {version: np.concatenate([one.series[name] for one in side]) for version, side in sets.items()}
    per_turn = _due(quantity_id, [one for side in sets.values() for one in side])
    if per_turn is None:
        return {}
    clumped = max((dispersion(values) for values in counts.values() if len(values)), default=1.0)
    return {
        version: (float(values.sum()) / clumped, len(values) * per_turn / clumped, len(values))
        for version, values in counts.items()
        if len(values)
    }


def fault_counts(kind: str, side: Side) -> tuple[float, float, int] | None:
    """Origins of one kind and the revolutions looked at, as exposure and as count; None where it was not looked for."""
    revolutions = sum(one.revolutions for one in side)
    if not revolutions or any(kind not in one.faults for one in side):
        return None
    return float(sum(one.faults[kind] for one in side)), float(revolutions), revolutions


def _share(quantity_id: str, counts: list[np.ndarray], per_turn: float, limits: Mapping[str, Limit]) -> Row:
    # one figure for both sides: a side without events shows no clusters, which does not mean that it has none
    clumped = max(dispersion(values) for values in counts)
    events = [round(float(values.sum()) / clumped) for values in counts]
    exposures = [len(values) * per_turn / clumped for values in counts]
    found = compare_rates(events[0], events[1], exposures[0], exposures[1])
    given = limits.get(quantity_id)
    default = NEGLIGIBLE_COLUMNS if per_turn > 1 else NEGLIGIBLE_SHARE
    by_rig = given is not None and given.negligible is not None
    tolerance = given.negligible if given is not None and given.negligible is not None else default
    blocks = [summarise(values / per_turn) for values in counts]
    row = Row(
        id=quantity_id,
        title=quantity(quantity_id).title,
        what="share",
        unit="1",
        before=blocks[0],
        after=blocks[1],
        shift=(blocks[1].mean or 0.0) - (blocks[0].mean or 0.0),
        low=found.low,
        high=found.high,
        tolerance=tolerance,
        tolerance_from="rig" if by_rig else f"default: {100 * default:g} %",
        p_single=found.p,
        least_p=found.least_p,
        toward=found.difference,
    )
    needed = exposure_needed(events[0] / exposures[0], events[1] / exposures[1], tolerance, ALPHA)
    return replace(row, longer=needed / min(exposures) if needed is not None else None)


def fault_rows(before: Side, after: Side) -> list[Fault]:
    """Kinds of fault that were looked for on both sides, as rates of origins per revolution; the commonest first."""
    revolutions = [sum(one.revolutions for one in side) for side in (before, after)]
    if not all(revolutions):
        return []
    kinds = set.intersection(*(set(one.faults) for one in (*before, *after)))
    rows = []
    for kind in sorted(kinds):
        seen = [sum(one.faults[kind] for one in side) for side in (before, after)]
        found = compare_rates(seen[0], seen[1], revolutions[0], revolutions[1])
        needed = exposure_needed(seen[0] / revolutions[0], seen[1] / revolutions[1], NEGLIGIBLE_SHARE, ALPHA)
        rows.append(
            Fault(
                kind=kind,
                before=seen[0],
                after=seen[1],
                revolutions_before=revolutions[0],
                revolutions_after=revolutions[1],
                rate_ratio=found.ratio,
                ratio_low=found.ratio_low,
                ratio_high=found.ratio_high,
                low=found.low,
                high=found.high,
                tolerance=NEGLIGIBLE_SHARE,
                p_single=found.p,
                least_p=found.least_p,
                longer=needed / min(revolutions) if needed is not None else None,
            )
        )
    return sorted(rows, key=lambda row: -(row.before + row.after))


def settled_fault(fault: Fault) -> Fault:
    """The fault with its verdict and reason, once its corrected p-value is known."""
    return judged_fault(fault, unseen(fault.revolutions_before, fault.revolutions_after))


def timing_rows(before: Side, after: Side, limits: Mapping[str, Limit]) -> list[Row]:
    """Mean bit times that have a window in the part's sheet: a change towards the middle of the window is better.

    A mean of so many intervals is known to its measurement uncertainty; chance from turn to turn plays no part, so
    there is no p-value: a row differs where its whole interval lies outside the tolerance.
    """
    rows = []
    for name in timing_names([before, after]):
        sides = [[side_one.timing[name] for side_one in side if name in side_one.timing] for side in (before, after)]
        row = _timing(name, sides, limits)
        if row is not None:
            rows.append(row)
    return rows


def timing_names(sides: Sequence[Side]) -> list[str]:
    """Bit times that every side's first capture has and that a sheet limits, in the order of chains and of bits:
    results.json sorts them by name."""
    first = [side[0].timing for side in sides]
    place = {f"leds.{chain.name}": number for number, chain in enumerate(sides[0][0].chains)}

    def order(name: str) -> tuple[int, int]:
        chain, _, timing = name.rpartition(".")
        return place.get(chain, len(place)), TIMING_NAMES.index(timing) if timing in TIMING_NAMES else len(TIMING_NAMES)

    found = [
        name
        for name, one in first[0].items()
        if all(name in others for others in first[1:])
        and not (one.low_s is None and one.high_s is None)
        and not name.endswith((".low_between_updates", ".between_updates"))
    ]
    return sorted(found, key=order)


def pooled_timing(name: str, side: Side) -> tuple[float, float] | None:
    """Mean of one bit time over a side's captures and its 95 % uncertainty, seconds; None where there is none."""
    mean, u = _pooled([one.timing[name] for one in side if name in one.timing])
    return None if mean is None else (mean, u)


def between_versions(name: str, captures: Side, limits: Mapping[str, Limit]) -> tuple[float, float]:
    """Half the sheet's window, and half of what is negligible in it, seconds."""
    window = next(one.timing[name] for one in captures if name in one.timing)
    tolerance, _ = _timing_tolerance(name, window, limits)
    return _width(window) / 2, tolerance / 2


def _width(window: Timing) -> float:
    """Of the sheet's window; of one limit alone, the limit."""
    if window.low_s is not None and window.high_s is not None:
        return window.high_s - window.low_s
    return window.low_s if window.low_s is not None else window.high_s or 0.0


def _timing_tolerance(name: str, window: Timing, limits: Mapping[str, Limit]) -> tuple[float, str]:
    given = limits.get(name)
    if given is not None and given.negligible is not None:
        return given.negligible, "rig"
    what = "window" if window.low_s is not None and window.high_s is not None else "limit"
    return NEGLIGIBLE_WINDOW * _width(window), f"default: {100 * NEGLIGIBLE_WINDOW:g} % of the sheet's {what}"


def _timing(name: str, sides: list[list[Timing]], limits: Mapping[str, Limit]) -> Row | None:
    pooled = [_pooled(side) for side in sides]
    if any(mean is None for mean, _ in pooled):
        return None
    (a, ua), (b, ub) = ((mean or 0.0, u) for mean, u in pooled)
    window = sides[0][0]
    half = float(np.hypot(ua, ub))
    tolerance, source = _timing_tolerance(name, window, limits)
    return Row(
        id=name,
        title=quantity(name).title,
        what="mean",
        unit="s",
        before=sides[0][0].statistics,
        after=sides[1][0].statistics,
        shift=b - a,
        low=b - a - half,
        high=b - a + half,
        tolerance=tolerance,
        tolerance_from=source,
        p_single=None,
        toward=_badness(b, window) - _badness(a, window),
    )


def _pooled(side: list[Timing]) -> tuple[float | None, float]:
    """Mean over captures, and the larger of its measurement uncertainty and what captures differ by (95 %)."""
    means = [one.statistics.mean for one in side if one.statistics.mean is not None]
    if not means:
        return None, 0.0
    # recorder clock and sample phase are much alike from capture to capture, so uncertainties are not averaged down
    own = max(one.statistics.uncertainty or 0.0 for one in side)
    apart = 0.0
    if len(means) > 1:
        from scipy.stats import t

        apart = float(t.ppf(0.975, len(means) - 1) * np.std(means, ddof=1) / np.sqrt(len(means)))
    return float(np.mean(means)), max(own, apart)


def _badness(value: float, window: Timing) -> float:
    """Distance from the middle of the window, or how little is left to the only limit."""
    if window.low_s is not None and window.high_s is not None:
        return abs(value - (window.low_s + window.high_s) / 2)
    return window.low_s - value if window.low_s is not None else value - (window.high_s or 0.0)
