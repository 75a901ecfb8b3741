"""Revolutions and updates to columns: at which angle each update became visible, and at which it should have."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spinlag.capture import Capture
from spinlag.columns import Matching, firmware_bounds, match_columns
from spinlag.leds.updates import ChainUpdates
from spinlag.motor import Motor
from spinlag.observations import Observation
from spinlag.placement_watch import watch_placement
from spinlag.rig import Rig
from spinlag.rotation import Rotation
from spinlag.summary import Statistics, summarise
from spinlag.uncertainty import interval_standard_uncertainty

Floats = NDArray[np.float64]

_TURN = 360.0
_NORMAL_95 = 1.959964


@dataclass(frozen=True, eq=False)
class Placement:
    """Columns on the picture, for one chain.

    `updates`, one row per update of the chain: `update`, `revolution` (-1 before the first and after the last whole
    one), `column` (-1 where none), `start_s`, `last_s`, `visible_s`, `angle_deg`, `error_deg`, `residue_deg`, `whole`.
    `turns`, one row per revolution: `revolution`, `updates`, `offset_deg`, `scale`, `residue_rms_deg`, `seam_deg` (to
    the next revolution), `missing`, `repeated`, `extra`. The error of an update is its angle less that of its column;
    a turn's errors split into offset (mean), scale (slope over the turn: by this share the firmware's idea of the
    period was wrong) and residue. NaN stands where a turn has too few updates.
    """

    chain: str
    columns: int
    columns_from: str
    updates: pd.DataFrame
    turns: pd.DataFrame
    offset: Statistics
    scale: Statistics
    residue: Statistics
    residue_rms_deg: float | None
    residue_uncertainty_deg: float | None
    seam: Statistics
    missing: int
    extra: int
    repeated: int
    columns_expected: int
    usual_response_s: float
    instant_bound_deg: float
    """Largest error of one angle from sampling: one sample period as an angle."""
    angles_from: Literal["index", "motor lines"] = "index"
    index_residue_rms_deg: float | None = None
    """Where angles are from the motor lines: the residue of all updates as the index alone shows it."""
    observations: tuple[Observation, ...] = ()


def place(
    capture: Capture, rig: Rig, rotation: Rotation, chain: ChainUpdates, motor: Motor | None = None
) -> Placement | None:
    """Placement of one chain's updates: each on the nearest slot of the grid that its turn's own updates show.

    Angles come from the motor lines where these know the shaft better than the index alone, otherwise from the index
    and the period that really happened. None where there is no whole revolution or no whole update to place.
    """
    if len(rotation.turn_ticks) < 2 or not chain.whole.any():
        return None
    bounds = firmware_bounds(rotation)
    columns, columns_from = _column_count(rig, chain, bounds)
    matching = match_columns(chain.start, bounds, columns, slack=math.ceil(capture.sample_period.ticks))
    updates = _update_table(capture, rotation, chain, matching, columns)
    table = _turn_table(updates, rotation, columns)
    by_index = None
    if motor is not None and _knows_better(motor):
        by_index = _rms(updates["residue_deg"].to_numpy())
        updates = _by_motor(capture, motor, chain, updates, columns)
        table = _turn_table(updates, rotation, columns)
    judged = table[(table["updates"] > 0) & rotation.turns["used"].to_numpy(dtype=bool)]
    residue = updates["residue_deg"].to_numpy()
    usable = np.isin(updates["revolution"].to_numpy(), judged["revolution"].to_numpy())
    residue = residue[usable & np.isfinite(residue)]
    instant = _instant_in_degrees(capture, rotation)
    if by_index is not None and motor is not None:
        instant = float(np.hypot(instant, motor.angle_rms_deg or 0.0))
    n_turns = max(len(judged), 1)
    placed = Placement(
        chain=chain.name,
        columns=columns,
        columns_from=columns_from,
        updates=updates,
        turns=table,
        offset=summarise(judged["offset_deg"], _NORMAL_95 * instant / np.sqrt(n_turns)),
        scale=summarise(judged["scale"], _NORMAL_95 * instant / _TURN * np.sqrt(2 / n_turns)),
        residue=summarise(residue, _NORMAL_95 * instant / np.sqrt(max(len(residue), 1))),
        residue_rms_deg=_rms(residue),
        residue_uncertainty_deg=_rms_uncertainty(residue, instant),
        seam=summarise(judged["seam_deg"], _NORMAL_95 * instant * np.sqrt(2 / n_turns)),
        missing=int(judged["missing"].sum()),
        extra=int(judged["extra"].sum()),
        repeated=int(judged["repeated"].sum()),
        columns_expected=columns * len(judged),
        usual_response_s=matching.response * float(capture.tick),
        instant_bound_deg=instant * np.sqrt(6),
        angles_from="index" if by_index is None else "motor lines",
        index_residue_rms_deg=by_index,
    )
    return replace(placed, observations=watch_placement(capture, rotation, chain, updates, table, matching, columns))


def _rms(values: Floats) -> float | None:
    finite = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(finite**2))) if finite.size else None


def _knows_better(motor: Motor) -> bool:
    """True where the motor lines are expected to know the shaft's angle better than the index alone does."""
    by_motor, by_index = motor.angle_rms_deg, motor.index_rms_deg
    return motor.witness is not None and by_motor is not None and by_index is not None and by_motor < by_index


def _by_motor(capture: Capture, motor: Motor, chain: ChainUpdates, updates: pd.DataFrame, columns: int) -> pd.DataFrame:
    """The table with angles and errors from the motor lines, where these reach."""
    visible = chain.last + np.rint(chain.light_s / float(capture.tick)).astype(np.int64)
    angle = _TURN * (motor.turns_at(visible) - updates["revolution"].to_numpy())
    known = np.isfinite(angle) & np.isfinite(updates["angle_deg"].to_numpy())
    angle = np.where(known, angle, updates["angle_deg"].to_numpy())
    error = angle - updates["column"].to_numpy() * (_TURN / columns)
    error = np.where(np.isfinite(updates["error_deg"].to_numpy()), error, np.nan)
    return updates.assign(angle_deg=angle, error_deg=error, residue_deg=np.full(len(updates), np.nan))


def _column_count(rig: Rig, chain: ChainUpdates, bounds: NDArray[np.int64]) -> tuple[int, str]:
    if rig.display.columns is not None:
        return rig.display.columns, "rig"
    counts = np.diff(chain.start.searchsorted(bounds))
    values, times = np.unique(counts[counts > 0], return_counts=True)
    if not values.size:
        return 1, "no revolution holds an update"
    return int(values[np.argmax(times)]), "the commonest number of updates in a revolution"


def _update_table(
    capture: Capture, rotation: Rotation, chain: ChainUpdates, matching: Matching, columns: int
) -> pd.DataFrame:
    tick = float(capture.tick)
    turn = matching.revolution
    inside = turn >= 0
    safe = np.where(inside, turn, 0)
    begin, period = rotation.turn_ticks[safe], np.diff(rotation.turn_ticks)[safe]
    since = (chain.last - begin) * tick + chain.light_s
    angle = np.where(inside, _TURN * since / (period * tick), np.nan)
    known = inside & chain.whole
    error = np.where(known, angle - matching.column * _TURN / columns, np.nan)
    return pd.DataFrame(
        {
            "update": np.arange(len(chain), dtype=np.int64),
            "revolution": turn,
            "column": matching.column,
            "start_s": capture.seconds(chain.start),
            "last_s": capture.seconds(chain.last),
            "visible_s": capture.seconds(chain.last) + chain.light_s,
            "angle_deg": angle,
            "error_deg": error,
            "residue_deg": np.full(len(chain), np.nan),
            "whole": chain.whole,
        }
    )


def _turn_table(updates: pd.DataFrame, rotation: Rotation, columns: int) -> pd.DataFrame:
    """One row per revolution; fills `updates["residue_deg"]`."""
    n = len(rotation.turn_ticks) - 1
    turn = updates["revolution"].to_numpy()
    column = updates["column"].to_numpy()
    error = updates["error_deg"].to_numpy()
    ok = np.isfinite(error)
    g, x, y = turn[ok], column[ok] * (_TURN / columns), error[ok]
    count = np.bincount(g, minlength=n)
    offset, slope = _line_per_group(g, x, y, n)
    mean_x = np.divide(np.bincount(g, x, n), count, out=np.full(n, np.nan), where=count > 0)
    residue = y - offset[g] - np.nan_to_num(slope[g]) * (x - mean_x[g])
    updates.loc[ok, "residue_deg"] = np.where(count[g] > 2, residue, np.nan)
    squares = np.bincount(g, residue**2, n)
    inside = turn >= 0
    same = np.zeros(len(turn), dtype=bool)
    same[1:] = inside[1:] & (turn[1:] == turn[:-1]) & (column[1:] == column[:-1])
    beyond = inside & (column >= columns)
    distinct = np.bincount(turn[inside & ~same & ~beyond], minlength=n)
    return pd.DataFrame(
        {
            "revolution": np.arange(n, dtype=np.int64),
            "updates": np.bincount(turn[inside], minlength=n),
            "offset_deg": offset,
            "scale": slope,
            "residue_rms_deg": np.sqrt(np.divide(squares, count, out=np.full(n, np.nan), where=count > 2)),
            "seam_deg": _seams(turn, column, updates["angle_deg"].to_numpy(), n, columns),
            "missing": columns - distinct,
            "repeated": np.bincount(turn[same], minlength=n),
            "extra": np.bincount(turn[beyond], minlength=n),
        }
    )


def _line_per_group(group: NDArray[np.int64], x: Floats, y: Floats, n: int) -> tuple[Floats, Floats]:
    """Least-squares mean and slope of y over x for each group; NaN where a group has too few points."""
    count = np.bincount(group, minlength=n)
    nan = np.full(n, np.nan)
    mean_x = np.divide(np.bincount(group, x, n), count, out=nan.copy(), where=count > 0)
    mean_y = np.divide(np.bincount(group, y, n), count, out=nan.copy(), where=count > 0)
    dx = x - mean_x[group]
    sxx = np.bincount(group, dx * dx, n)
    slope = np.divide(np.bincount(group, dx * (y - mean_y[group]), n), sxx, out=nan, where=(count > 2) & (sxx > 0))
    return mean_y, slope


def _seams(turn: NDArray[np.int64], column: NDArray[np.int64], angle: Floats, n: int, columns: int) -> Floats:
    """Gap (positive) or overlap between the last column of a turn and the first of the next, degrees, shape (n,)."""
    seam = np.full(n, np.nan)
    where = np.flatnonzero((turn[1:] == turn[:-1] + 1) & (turn[:-1] >= 0)) if len(turn) > 1 else np.empty(0, np.int64)
    steps = columns - column[where] + column[where + 1]
    seam[turn[where]] = angle[where + 1] + _TURN - angle[where] - steps * (_TURN / columns)
    return seam


def _instant_in_degrees(capture: Capture, rotation: Rotation) -> float:
    """Standard uncertainty of one angle from sampling, degrees.

    An angle is a ratio of intervals on one clock, so the tolerance of the recorder's clock cancels.
    """
    period_s = rotation.period.mean or float(np.mean(np.diff(rotation.turn_ticks)) * float(capture.tick))
    return _TURN / period_s * interval_standard_uncertainty(capture.sample_period_s)


def _rms_uncertainty(values: Floats, instant_deg: float) -> float | None:
    """Expanded uncertainty of the rms of `values` from sampling alone, degrees.

    The rms of n values each known to u has standard uncertainty u / sqrt(n); quantisation also adds u^2 to its square,
    which is the larger share when the rms is near u.
    """
    if not values.size:
        return None
    rms = float(np.sqrt(np.mean(values**2)))
    inflation = rms - np.sqrt(max(rms**2 - instant_deg**2, 0.0))
    return float(_NORMAL_95 * instant_deg / np.sqrt(values.size) + inflation)
