"""Findings to data that a picture can draw as it is: thinned, binned and in SI units, nothing drawn here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.findings import Findings
from spinlag.leds.updates import ChainUpdates, Tally
from spinlag.placed import stretches
from spinlag.placement import Placement
from spinlag.rig import Limit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MAP_REVOLUTIONS = 1000
"""From so many revolutions on, the map of placement shows the worst of several in one cell."""
MAP_COLUMNS = 720
_HISTOGRAM_BINS = 60


@dataclass(frozen=True, eq=False)
class LatencySeries:
    """Latency over revolutions: `revolution` and `latency_s`, shape (n,); `missing` are revolutions without one.

    `edges_s` and `counts` are its distribution, bins a whole number of sample periods wide; `degrees_per_s` turns
    seconds into degrees at the mean speed.
    """

    chain: str
    revolution: Ints
    latency_s: Floats
    missing: Ints
    median_s: float
    edges_s: Floats
    counts: Ints
    degrees_per_s: float
    sample_period_s: float
    limit: Limit


@dataclass(frozen=True)
class Span:
    """One window of allowed lengths, in seconds, None where open, and what it is in words."""

    low_s: float | None
    high_s: float | None
    label: str


@dataclass(frozen=True, eq=False)
class LengthSeries:
    """Distribution of one interval on an LED line.

    `centres_s` and `counts`, shape (k,); each bin is `width_s` wide. `step_s` is the sample period. `spans` are the
    windows to draw, the rig's limit or else the sheet's first. `beyond` lengths are far longer than the rest, up to
    `longest_s`, and stand in no bin.
    """

    name: str
    title: str
    centres_s: Floats
    counts: Ints
    width_s: float
    step_s: float
    n: int
    mean_s: float
    spans: tuple[Span, ...]
    beyond: int
    longest_s: float


@dataclass(frozen=True, eq=False)
class PlacementMap:
    """Placement error by column and revolution, less its median.

    `error_deg`, shape (columns, cells), NaN where no update came; cell j covers revolutions [j * per_cell,
    (j + 1) * per_cell) and holds the one farthest from 0. `middle_deg`, `low_deg`, `high_deg`, shape (columns,):
    median, 5th and 95th percentile over the revolutions.
    """

    chain: str
    columns: int
    first_revolution: int
    revolutions: int
    per_cell: int
    columns_per_cell: int
    error_deg: Floats
    median_deg: float
    middle_deg: Floats
    low_deg: Floats
    high_deg: Floats


@dataclass(frozen=True, eq=False)
class SpeedSeries:
    """Speed by revolution: `time_s` (middle of the revolution) and `speed`, shape (n,), NaN where not believed.

    `flagged` holds, by kind in words, the instants of revolutions that are not normal, and their apparent speeds.
    """

    time_s: Floats
    speed: Floats
    flagged: Mapping[str, tuple[Floats, Floats]]
    limit: Limit


def latency_series(findings: Findings, chain_index: int) -> LatencySeries | None:
    """Latency of one chain over revolutions; None where none was measured."""
    latency = findings.latencies[chain_index]
    if latency is None or latency.latency.n == 0 or latency.latency.median is None:
        return None
    revolution = latency.table["revolution"].to_numpy(dtype=np.int64)
    value = latency.table["latency_s"].to_numpy(dtype=np.float64)
    there = np.isfinite(value)
    edges, counts = _histogram(value[there], findings.capture.sample_period_s)
    mean_s, mean_deg = latency.latency.mean, latency.latency_deg.mean
    return LatencySeries(
        chain=latency.chain,
        revolution=revolution[there],
        latency_s=value[there],
        missing=revolution[~there],
        median_s=latency.latency.median,
        edges_s=edges,
        counts=counts,
        degrees_per_s=mean_deg / mean_s if mean_s and mean_deg else 0.0,
        sample_period_s=findings.capture.sample_period_s,
        limit=findings.rig.limits.get("latency.latency", Limit()),
    )


def _histogram(values: Floats, step: float) -> tuple[Floats, Ints]:
    """Bins that are a whole number of sample periods wide, so that the lattice makes no pattern of its own."""
    low, high = float(values.min()), float(values.max())
    width = step * max(1, int(np.ceil((high - low) / step / _HISTOGRAM_BINS)))
    first = np.floor(low / width - 0.5)
    edges = (np.arange(int(np.ceil(high / width + 0.5) - first) + 1) + first - 0.5) * width + width / 2
    counts, _ = np.histogram(values, bins=edges)
    return edges, counts.astype(np.int64)


_LENGTH_TITLES = {
    "t0h": "T0H, high time of a 0 bit",
    "t0l": "T0L, low time of a 0 bit",
    "t1h": "T1H, high time of a 1 bit",
    "t1l": "T1L, low time of a 1 bit",
    "bit_period": "bit period",
    "low_between_updates": "low between updates",
}


def length_series(findings: Findings, chain: ChainUpdates) -> tuple[LengthSeries, ...]:
    """Distributions of every interval of one chain that was seen at all."""
    return tuple(
        _lengths(findings, chain, name, tally) for name, tally in chain.timing.items() if tally.statistics.n > 0
    )


def _lengths(findings: Findings, chain: ChainUpdates, name: str, tally: Tally) -> LengthSeries:
    tick = float(findings.capture.tick)
    step = findings.capture.sample_period_s
    inside = _not_far_out(tally)
    lengths, seen = tally.lengths[inside] * tick, tally.counts[inside]
    # bins of whole samples centred on a multiple of the sample period: each bar is a length that can occur
    per_bin = max(1, int(np.ceil((lengths[-1] - lengths[0]) / step / (4 * _HISTOGRAM_BINS))))
    width = step * per_bin
    which = np.rint(lengths / width).astype(np.int64)
    bins, where = np.unique(which, return_inverse=True)
    counts = np.bincount(where, weights=seen).astype(np.int64)
    statistics = tally.statistics
    return LengthSeries(
        name=name,
        title=_LENGTH_TITLES.get(name, name.replace("_", " ")),
        centres_s=bins * width,
        counts=counts,
        width_s=width,
        step_s=step,
        n=statistics.n,
        mean_s=statistics.mean if statistics.mean is not None else float("nan"),
        spans=_spans(findings, chain, name),
        beyond=int(tally.counts.sum() - seen.sum()),
        longest_s=tally.longest * tick,
    )


def _not_far_out(tally: Tally) -> NDArray[np.bool_]:
    """Lengths that can share one axis: a pause a hundred times as long would squeeze all others into one bin."""
    upto = np.cumsum(tally.counts)
    usual = tally.lengths[np.searchsorted(upto, 0.99 * upto[-1])]
    return np.asarray(tally.lengths <= 4 * usual)


def _spans(findings: Findings, chain: ChainUpdates, name: str) -> tuple[Span, ...]:
    spans = []
    limit = findings.rig.limits.get(f"leds.{chain.name}.{name}")
    if limit is not None and (limit.low is not None or limit.high is not None):
        spans.append(Span(limit.low, limit.high, "limit of the rig"))
    part = chain.part
    if part is not None and name == "low_between_updates":
        if part.latch_s is not None:
            spans.append(Span(part.latch_s, None, "datasheet: latches"))
        if part.measured_latch_s is not None:
            spans.append(Span(part.measured_latch_s, None, "family, measured"))
    elif part is not None and name in part.windows:
        window = part.windows[name]
        if window.low_s is not None or window.high_s is not None:
            spans.append(Span(window.low_s, window.high_s, "datasheet"))
    if part is not None and name in part.measured:
        window = part.measured[name]
        if window.low_s is not None or window.high_s is not None:
            spans.append(Span(window.low_s, window.high_s, "family, measured"))
    return tuple(spans)


def _by_column(error: Floats, column: NDArray[np.signedinteger], columns: int) -> Floats:
    """The 5 %, 50 % and 95 % quantiles of each column, shape (3, columns); NaN where it has no update."""
    found = np.full((3, columns), np.nan)
    for k in range(columns):
        own = error[column == k]
        if len(own):
            found[:, k] = np.quantile(own, (0.05, 0.5, 0.95))
    return found


def placement_map(placement: Placement) -> PlacementMap | None:
    """Placement error as a map; None where no update stands on a column."""
    places = placement.places
    error, column, turn = places.error_deg, places.column, places.revolution
    good = np.isfinite(error) & (column >= 0) & (column < placement.columns) & (turn >= 0)
    if not good.any():
        return None
    error, column, turn = error[good], column[good], turn[good]
    median = float(np.median(error))
    error -= median
    first, last = int(turn.min()), int(turn.max())
    per_cell = -(-(last - first + 1) // MAP_REVOLUTIONS)
    columns_per_cell = -(-placement.columns // MAP_COLUMNS)
    shape = (-(-placement.columns // columns_per_cell), -(-(last - first + 1) // per_cell))
    grid = np.full(shape, np.nan)
    for rows in stretches(len(error)):
        part = error[rows]
        order = np.argsort(np.abs(part), kind="stable")  # the worst is written last and stays
        worst = np.full(shape, np.nan)
        worst[column[rows][order] // columns_per_cell, (turn[rows][order] - first) // per_cell] = part[order]
        np.copyto(grid, worst, where=~(np.abs(worst) < np.abs(grid)) & np.isfinite(worst))
    low, middle, high = _by_column(error, column, placement.columns)
    return PlacementMap(
        chain=placement.chain,
        columns=placement.columns,
        first_revolution=first,
        revolutions=last - first + 1,
        per_cell=per_cell,
        columns_per_cell=columns_per_cell,
        error_deg=grid,
        median_deg=median,
        middle_deg=middle,
        low_deg=low,
        high_deg=high,
    )


_KINDS = {
    "filled": "index pulse missed",
    "shifted": "index pulse shifted",
    "speed-step": "speed step",
}


def speed_series(findings: Findings) -> SpeedSeries | None:
    """Speed over time; None where there is no revolution."""
    rotation = findings.rotation
    if rotation is None or rotation.turns.empty:
        return None
    turns = rotation.turns
    time = turns["start_s"].to_numpy(dtype=np.float64) + turns["period_s"].to_numpy(dtype=np.float64) / 2
    speed = turns["speed_rev_per_s"].to_numpy(dtype=np.float64)
    kind = turns["kind"].astype(str).to_numpy()
    flagged = {}
    for name in dict.fromkeys(kind[kind != "normal"].tolist()):
        chosen = kind == name
        flagged[_KINDS.get(name, name.replace("-", " "))] = (time[chosen], speed[chosen])
    used = turns["used"].to_numpy(dtype=bool)
    return SpeedSeries(
        time_s=time,
        speed=np.where(used, speed, np.nan),
        flagged=flagged,
        limit=findings.rig.limits.get("rotation.speed", Limit()),
    )
