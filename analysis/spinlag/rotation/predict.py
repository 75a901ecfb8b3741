"""What interpolation costs: the placement error that every predictor of the next turn makes on this shaft."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spinlag.motor.pattern import Nodes
from spinlag.rotation.statistics import NORMAL_95, Sampling, independent_values

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

MEANS = (2, 4, 8, 16)
COLUMNS = (
    "predictor",
    "n",
    "rms_deg",
    "end_rms_deg",
    "end_p95_deg",
    "end_max_deg",
    "uncertainty_deg",
    "columns_allowed",
    "columns_low",
    "columns_high",
)
BIAS_LEAST = 8
MOST_COLUMNS = 100_000


def predictor_table(
    periods_s: Floats,
    used: Mask,
    sampling: Sampling,
    nodes: Nodes | None,
    poles: int | None,
    changed: Mask | None = None,
) -> pd.DataFrame:
    """One row per predictor: `last period`, `mean of k`, `linear`, and `motor lines` where there are some.

    Firmware that expects a turn of P draws angle a at P a / 360 after the index; on a turn of T it really stands at
    a P / T. The error grows along the turn: `end_rms_deg`, `end_p95_deg` and `end_max_deg` are those of
    |360 (P / T - 1)| at the turn's end, `rms_deg` the mean over the turn (end over the square root of 3). With motor
    lines the prediction starts afresh at every edge, at its learned angle, with the pace of the last electrical cycle;
    then the end is that of a sector. `uncertainty_deg`: expanded (95 %), from sampling, of a single error.
    `columns_allowed`: so many columns that 95 % of all errors stay within half a column, so that neighbouring columns
    just do not run into each other; `columns_low` and `columns_high`: 95 % interval of what the shaft would show in
    the long run. Turns `changed` (told as incidents: steps and jerks of the speed) and what is predicted from them
    count in `end_max_deg` alone.
    """
    calm = used if changed is None else used & ~changed
    turn_s = float(np.mean(periods_s[used])) if used.any() else float("inf")
    one_instant = 360.0 * sampling.interval_u_s / float(np.sqrt(2.0)) / turn_s
    kinds_of = [("last period", np.array([1.0]))]
    kinds_of += [(f"mean of {k}", np.full(k, 1.0 / k)) for k in MEANS]
    kinds_of.append(("linear", np.array([2.0, -1.0])))
    rows = []
    for name, weights in kinds_of:
        error, every = (_errors(periods_s, own, weights) for own in (calm, used))
        rows.append(_row(name, error, every, one_instant * _gain(weights)))
    if nodes is not None and poles is not None:
        error, per_cycle = _node_errors(nodes, poles)
        rows.append(_row("motor lines", error, error, one_instant * _gain(np.full(per_cycle, 1.0 / per_cycle))))
    kinds = ("str", "int64", *("float64",) * (len(COLUMNS) - 2))
    columns = zip(*rows, strict=True)
    return pd.DataFrame(
        {name: pd.Series(list(own), dtype=kind) for name, kind, own in zip(COLUMNS, kinds, columns, strict=True)}
    )


def _errors(periods: Floats, used: Mask, weights: Floats) -> Floats:
    """Errors at the turn's end, degrees, where the turn and those that predict it are all trusted. `weights[0]` is that
    of the last turn."""
    k = len(weights)
    if len(periods) <= k:
        return np.empty(0)
    predicted = np.convolve(periods, weights, mode="full")[k - 1 : len(periods) - 1]
    good = np.lib.stride_tricks.sliding_window_view(used, k + 1).all(axis=1)
    return np.asarray(360.0 * (predicted[good] / periods[k:][good] - 1.0))


def _gain(weights: Floats) -> float:
    """Standard deviation of a prediction's error over that of a single instant: every edge between two of its intervals
    enters with the difference of their weights. `weights[0]` is that of the last interval."""
    each = np.concatenate(([-1.0], weights, [0.0]))
    return float(np.sqrt(1.0 + np.sum(np.diff(each) ** 2)))


def _node_errors(nodes: Nodes, poles: int) -> tuple[Floats, int]:
    """Errors at the end of every sector, degrees, of the pace of the electrical cycle before it; sectors a cycle."""
    per_cycle = max(round((len(nodes.even) - 1) / max(float(nodes.even[-1] - nodes.even[0]) * poles, 1e-9)), 1)
    if len(nodes.even) <= per_cycle + 1:
        return np.empty(0), per_cycle
    seconds = (nodes.ticks - nodes.ticks[0]).astype(np.float64)
    cycle = nodes.even[per_cycle:-1] - nodes.even[: -per_cycle - 1]
    pace = cycle / (seconds[per_cycle:-1] - seconds[: -per_cycle - 1])
    step = np.diff(seconds)[per_cycle:]
    width = np.diff(nodes.even)[per_cycle:]
    ordinary = (width < 1.5 * float(np.median(width))) & (cycle < 2.0 / poles)
    return np.asarray(360.0 * (pace * step - width)[ordinary]), per_cycle


def _row(name: str, error: Floats, every: Floats, u_deg: float) -> tuple[str | int | float, ...]:
    """`every`: with the errors of incidents; `u_deg`: standard uncertainty of one error from sampling."""
    nan = float("nan")
    if not len(error):
        return name, 0, *(nan,) * (len(COLUMNS) - 2)
    end = float(np.sqrt(np.mean(error**2)))
    p95, low, high = _p95(np.abs(error), u_deg)
    columns = [_columns_for(size) for size in (p95, high, low)]
    return name, len(error), end / np.sqrt(3.0), end, p95, float(np.abs(every).max()), NORMAL_95 * u_deg, *columns


def _columns_for(degrees: float) -> float:
    """Columns of which half is so wide, whole ones."""
    return float(np.floor(min(180.0 / max(degrees, 1e-9), float(MOST_COLUMNS))))


def _p95(size: Floats, u_deg: float) -> tuple[float, float, float]:
    """95 % quantile of the sizes of n errors, and its 95 % interval.

    The interval is that between two order statistics (binomial distribution; H. A. David, H. N. Nagaraja, Order
    Statistics, 2003, 7.1, from memory) or, where it is wider, that of a normal distribution's; of as many observations
    as n that depend on each other are worth. Sampling enlarges the sizes: that counts in full on the lower side.
    """
    from scipy.special import bdtrik

    value = float(np.quantile(size, 0.95, method="weibull"))
    worth = independent_values(size**2)
    ranks = np.array([bdtrik(p, worth, 0.95) for p in (0.025, 0.975)]) / worth
    low, high = np.quantile(size, np.clip([ranks[0], ranks[1] + 1.0 / worth], 0.0, 1.0))
    normal = NORMAL_95 / np.sqrt(2.0 * worth)
    low, high = min(float(low), value * max(1.0 - normal, 0.0)), max(float(high), value * (1.0 + normal))
    return value, max(low - NORMAL_95 * u_deg, 0.0), high


def best_predictor(table: pd.DataFrame, *, with_motor: bool) -> str | None:
    """The predictor with the smallest rms error over the turn; without motor lines unless `with_motor`."""
    known = table[table["n"] >= BIAS_LEAST]
    if not with_motor:
        known = known[known["predictor"] != "motor lines"]
    return str(known.loc[known["rms_deg"].idxmin(), "predictor"]) if len(known) else None
