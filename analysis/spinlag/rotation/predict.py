"""What interpolation costs: the placement error that every predictor of the next turn makes on this shaft."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spinlag.motor.pattern import Nodes
from spinlag.rotation.statistics import Sampling

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
)
BIAS_LEAST = 8
MOST_COLUMNS = 100_000


def predictor_table(
    periods_s: Floats, used: Mask, sampling: Sampling, nodes: Nodes | None, poles: int | None
) -> pd.DataFrame:
    """One row per predictor: `last period`, `mean of k`, `linear`, and `motor lines` where there are some.

    Firmware that expects a turn of P draws angle a at P a / 360 after the index; on a turn of T it really stands at
    a P / T. The error grows along the turn: `end_rms_deg`, `end_p95_deg` and `end_max_deg` are those of
    |360 (P / T - 1)| at the turn's end, `rms_deg` the mean over the turn (end over the square root of 3). With motor
    lines the prediction starts afresh at every edge, at its learned angle, with the pace of the last electrical cycle;
    then the end is that of a sector. `uncertainty_deg`: expanded (95 %), from sampling, of a single error.
    `columns_allowed`: so many columns that 95 % of all errors stay within half a column, so that neighbouring columns
    just do not run into each other.
    """
    rows = [_row("last period", _errors(periods_s, used, np.array([1.0])), sampling, periods_s[used])]
    for k in MEANS:
        rows.append(_row(f"mean of {k}", _errors(periods_s, used, np.full(k, 1.0 / k)), sampling, periods_s[used]))
    rows.append(_row("linear", _errors(periods_s, used, np.array([2.0, -1.0])), sampling, periods_s[used]))
    if nodes is not None and poles is not None:
        rows.append(_row("motor lines", _node_errors(nodes, poles), sampling, periods_s[used]))
    kinds = ("str", "int64", "float64", "float64", "float64", "float64", "float64", "float64")
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


def _node_errors(nodes: Nodes, poles: int) -> Floats:
    """Errors at the end of every sector, degrees, of the pace of the electrical cycle before it."""
    per_cycle = max(round((len(nodes.even) - 1) / max(float(nodes.even[-1] - nodes.even[0]) * poles, 1e-9)), 1)
    if len(nodes.even) <= per_cycle + 1:
        return np.empty(0)
    seconds = (nodes.ticks - nodes.ticks[0]).astype(np.float64)
    pace = (nodes.even[per_cycle:-1] - nodes.even[: -per_cycle - 1]) / (
        seconds[per_cycle:-1] - seconds[: -per_cycle - 1]
    )
    step = np.diff(seconds)[per_cycle:]
    width = np.diff(nodes.even)[per_cycle:]
    ordinary = width < 1.5 * float(np.median(width))
    return np.asarray(360.0 * (pace * step - width)[ordinary])


def _row(
    name: str, error: Floats, sampling: Sampling, periods: Floats
) -> tuple[str, int, float, float, float, float, float, float]:
    if not len(error):
        nan = float("nan")
        return name, 0, nan, nan, nan, nan, nan, nan
    size = np.abs(error)
    end = float(np.sqrt(np.mean(error**2)))
    p95 = float(np.quantile(size, 0.95, method="weibull"))
    one = 360.0 * 1.959964 * sampling.interval_u_s * float(np.sqrt(2.0)) / float(np.mean(periods))
    columns = min(180.0 / max(p95, 1e-9), float(MOST_COLUMNS))
    return name, len(error), end / np.sqrt(3.0), end, p95, float(size.max()), one, float(np.floor(columns))


def best_predictor(table: pd.DataFrame, *, with_motor: bool) -> str | None:
    """The predictor with the smallest rms error over the turn; without motor lines unless `with_motor`."""
    known = table[table["n"] >= BIAS_LEAST]
    if not with_motor:
        known = known[known["predictor"] != "motor lines"]
    return str(known.loc[known["rms_deg"].idxmin(), "predictor"]) if len(known) else None
