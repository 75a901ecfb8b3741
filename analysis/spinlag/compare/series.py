"""Rows for quantities that have a value for each revolution: medians and spreads, by block bootstrap."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from spinlag.compare.items import (
    ITEMS,
    Item,
    Tolerance,
    dithered,
    resolution,
    statistics_of,
    tolerance_of,
    values_of,
    without_drift,
)
from spinlag.compare.measured import Floats, Measured
from spinlag.compare.rows import ALPHA, Row
from spinlag.compare.stats import LEAST_REVOLUTIONS, Contrast, Sample, contrast, describe, longer_by, tendency
from spinlag.rig import Limit
from spinlag.summary import Statistics
from spinlag.uncertainty import PPM, interval_standard_uncertainty, looks_locked

SEED = 20091
"""Of the random numbers of resampling: the same captures give the same comparison."""
TAIL_SPREADS = 0.5
"""A shift of the 99 % quantile by more than half the spread keeps a quantity from being called the same."""
LEAST_PER_CAPTURE = 8
WHATS = {"location": "median", "spread": "standard deviation", "rms": "rms"}

Side = Sequence[Measured]


@dataclass(frozen=True, eq=False)
class Described:
    """One side of one item: its series by capture, and the estimates from them."""

    series: tuple[Floats, ...]
    sample: Sample


Memo = dict[tuple[object, ...], "Described | None"]
"""Sides that were described already, by what they hold."""


def describe_side(
    item: Item, side: Side, *, excess_variance: float = 0.0, memo: Memo | None = None
) -> Described | None:
    """Estimates of one item over one set of captures; None with fewer than LEAST_REVOLUTIONS revolutions.

    Captures of fewer than LEAST_PER_CAPTURE revolutions are left out: they show no dependence. `memo` keeps what was
    found, so that a version in several comparisons is resampled once.
    """
    if memo is None:
        return _described(item, side, excess_variance)
    key = (
        item.id,
        excess_variance,
        *((one.sha256, resolution(item, one), one.series[item.series].tobytes()) for one in side),
    )
    if key not in memo:
        memo[key] = _described(item, side, excess_variance)
    return memo[key]


def _described(item: Item, side: Side, excess_variance: float) -> Described | None:
    # seeded by item and recording, so that a side comes out the same whatever it is compared with
    keys = [int(one.sha256[:12] or "0", 16) for one in side]
    rng = np.random.default_rng([SEED, ITEMS.index(item), *keys])
    long = [(one, values) for one in side if len(values := dithered(item, one, rng)) >= LEAST_PER_CAPTURE]
    series = tuple(values for _, values in long)
    if sum(len(values) for values in series) < LEAST_REVOLUTIONS:
        return None
    dither = max(resolution(item, one) for one in side) ** 2 / 12
    sample = describe(
        series,
        rng,
        centred=item.kind != "rms",
        excess_variance=excess_variance + dither,
        freedom=item.freedom,
        swinging=item.id.startswith("rotation."),
        turns=[without_drift(one.series["period_s"]) for one, _ in long] if item.series == "cycle_s" else None,
    )
    return Described(series, sample)


def series_row(
    item: Item, before: Side, after: Side, limits: Mapping[str, Limit], tried: int, memo: Memo
) -> Row | None:
    """One row; None where neither side has anything of the kind. `tried` is how many quantities share the level."""
    counts = [sum(len(values_of(item, one)) for one in side) for side in (before, after)]
    if not any(counts):
        return None
    blocks = statistics_of(item, before), statistics_of(item, after)
    excess = _sampling_excess(item, before, after)
    sides = [
        describe_side(item, side, excess_variance=extra, memo=memo)
        for side, extra in zip((before, after), excess, strict=True)
    ]
    first, second = sides
    spread = _usual_spread(item, before)
    figure = float(np.exp(first.sample.log_spread.value)) if first is not None else blocks[0].std or 0.0
    tolerance = tolerance_of(item, before, spread if item.kind == "location" else figure, limits)
    row = _empty(item, blocks, tolerance)
    if first is None or second is None:
        fewest = min(counts)
        why = f"only {counts[0]} and {counts[1]} revolutions; at least {LEAST_REVOLUTIONS} are needed"
        return replace(row, why=why, longer=LEAST_REVOLUTIONS / fewest if fewest else None)
    row = replace(
        row,
        spread=contrast(first.sample.log_spread, second.sample.log_spread),
        effective=(first.sample.effective, second.sample.effective),
        block=(first.sample.block, second.sample.block),
    )
    if item.kind == "location":
        extra = sum(
            _extra_variance(item, side, described) for side, described in zip((before, after), sides, strict=True)
        )
        return _location(item, row, first, second, extra, spread, tried)
    return _spread(row, first.sample, second.sample, tried)


def _empty(item: Item, blocks: tuple[Statistics, Statistics], tolerance: Tolerance) -> Row:
    return Row(
        id=item.id,
        title=item.title,
        what=WHATS[item.kind],
        unit="deg" if item.angle else "s",
        before=blocks[0],
        after=blocks[1],
        shift=None,
        low=None,
        high=None,
        tolerance=tolerance.value,
        tolerance_from=tolerance.source,
        p_single=None,
        toward=0.0,
    )


def _usual_spread(item: Item, side: Side) -> float:
    """Half the central 68 % range: a standard deviation that a few bad turns do not stretch."""
    values = np.concatenate([values_of(item, one) for one in side])
    if not len(values):
        return 0.0
    low, high = np.quantile(values, (0.16, 0.84))
    return float(high - low) / 2


def _sampling_excess(item: Item, before: Side, after: Side) -> tuple[float, float]:
    """Variance that sampling added on each side (T_s^2 / 6), where the sample periods differ and it does not cancel."""
    periods = [max(resolution(item, one) for one in side) for side in (before, after)]
    if max(periods) <= 1.01 * min(periods):
        return 0.0, 0.0
    before_u, after_u = (interval_standard_uncertainty(period) ** 2 for period in periods)
    return before_u, after_u


def _extra_variance(item: Item, side: Side, described: Described | None) -> float:
    """Variance of a median that no number of revolutions averages out: the recorder's clock, and samples that always
    fall alike."""
    if item.series == "offset_deg" or described is None:
        return 0.0
    clock = 0.0 if item.angle else described.sample.median.value * max(one.clock_ppm for one in side) * PPM / np.sqrt(3)
    locked = all(looks_locked(values_of(item, one)) for one in side if len(one.series[item.series]))
    sampled = interval_standard_uncertainty(max(resolution(item, one) for one in side)) if locked else 0.0
    return float(clock**2 + sampled**2)


def _location(
    item: Item, row: Row, first: Described, second: Described, extra: float, spread: float, tried: int
) -> Row:
    found = contrast(first.sample.median, second.sample.median, extra_variance=extra)
    tail = contrast(first.sample.tail, second.sample.tail, extra_variance=extra)
    # ranks know nothing of clocks and locked samples; where those matter the interval of the median decides
    p = (
        found.p
        if extra > 0.1 * found.standard_error**2
        else tendency(first.series, second.series, freedom=item.freedom).p
    )
    toward = found.difference
    if item.about_zero:
        toward = abs(second.sample.median.value) - abs(first.sample.median.value)
    return replace(
        row,
        shift=found.difference,
        low=found.low,
        high=found.high,
        p_single=p,
        toward=toward,
        tail=tail,
        tail_tolerance=max(row.tolerance, TAIL_SPREADS * spread),
        longer=longer_by(found, row.tolerance, ALPHA / tried),
    )


def _spread(row: Row, first: Sample, second: Sample, tried: int) -> Row:
    """The difference of two spreads, its interval carried over from that of the logarithm of their ratio.

    The logarithmic mean of both turns a difference of logarithms into one of the spreads themselves.
    """
    ratio = contrast(first.log_spread, second.log_spread)
    a, b = float(np.exp(first.log_spread.value)), float(np.exp(second.log_spread.value))
    scale = (b - a) / ratio.difference if abs(ratio.difference) > 1e-9 else (a + b) / 2
    found = Contrast(
        ratio.difference * scale,
        ratio.low * scale,
        ratio.high * scale,
        ratio.p,
        ratio.standard_error * scale,
        ratio.freedom,
        ratio.between,
    )
    return replace(
        row,
        shift=found.difference,
        low=found.low,
        high=found.high,
        p_single=found.p,
        toward=found.difference,
        longer=longer_by(found, row.tolerance, ALPHA / tried),
    )
