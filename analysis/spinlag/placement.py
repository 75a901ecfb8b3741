"""Revolutions and updates to columns: at which angle each update became visible, and at which it should have."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spinlag.capture import Capture
from spinlag.changes import leaves_gaps, match_changes, missing_of, usual_columns
from spinlag.columns import Matching, firmware_bounds, match_columns
from spinlag.leds.updates import ChainUpdates
from spinlag.motor import Motor
from spinlag.observations import Observation
from spinlag.paged import paged_full
from spinlag.placed import PlacedUpdates, stretches, turn_stretches, update_rows
from spinlag.placement_watch import watch_placement
from spinlag.rig import Rig
from spinlag.rotation import Rotation
from spinlag.summary import Statistics, summarise
from spinlag.uncertainty import interval_standard_uncertainty

Floats = NDArray[np.float64]

_TURN = 360.0
_NORMAL_95 = 1.959964
USUAL_LENGTH = 0.9
"""Where so large a share of a chain's updates have one length, others are faults of theirs."""


@dataclass(frozen=True, eq=False)
class Placement:
    """Columns on the picture, for one chain.

    `places` is where each update stands, `updates` the same as a table.
    `turns`, one row per revolution: `revolution`, `updates`, `offset_deg`, `scale`, `residue_rms_deg`, `seam_deg` (to
    the next revolution), `missing`, `repeated`, `extra`. The error of an update is its angle less that of its column;
    a turn's errors split into offset (mean), scale (slope over the turn: by this share the firmware's idea of the
    period was wrong) and residue. NaN stands where a turn has too few updates. Updates with other than the chain's LEDs
    (`broken` of them) end sooner or later than they should and so say nothing of where their column stands: they are
    incidents, have a residue, and are left out of the fits and of every statistic of placement.
    """

    chain: str
    columns: int
    columns_from: str
    places: PlacedUpdates
    sent: ChainUpdates
    tick_s: float
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
    broken: int = 0
    """Updates with fewer or more LEDs than the chain's others have, in the turns that are judged."""
    changes_only: bool = False
    """True where columns that show the same as the one before leave no trace, so that only those which change in most
    turns can be missed, and latency is known of turns whose first column changes."""
    gap_turns: int = 0
    """Turns that are not judged only because part of them was not seen."""
    observations: tuple[Observation, ...] = ()

    @property
    def updates(self) -> pd.DataFrame:
        """A table made afresh, one row per update of the chain: `update`, `revolution` (-1 before the first and after
        the last whole one), `column` (-1 where none), `start_s`, `last_s`, `visible_s`, `angle_deg`, `error_deg`,
        `residue_deg`, `whole`."""
        return update_rows(self.sent, self.tick_s, self.places, slice(0, len(self.places)))


def place(
    capture: Capture,
    rig: Rig,
    rotation: Rotation,
    chain: ChainUpdates,
    motor: Motor | None = None,
    *,
    gaps: Sequence[tuple[int, int]] = (),
) -> Placement | None:
    """Placement of one chain's updates: each on the nearest slot of the grid that its turn's own updates show.

    Angles come from the motor lines where these know the shaft better than the index alone, otherwise from the index
    and the period that really happened. Turns that meet one of the `gaps` in what was seen of the chain (first and last
    tick) are not judged: nobody knows which columns came in it. None where there is no whole revolution or no whole
    update to place.
    """
    if len(rotation.turn_ticks) < 2 or not chain.whole.any():
        return None
    bounds = firmware_bounds(rotation)
    columns, columns_from = _column_count(rig, chain, bounds)
    slack = math.ceil(capture.sample_period.ticks)
    changes = columns_from == "rig" and leaves_gaps(chain, bounds, columns)
    matching = (match_changes if changes else match_columns)(chain.start, bounds, columns, slack=slack)
    places = _by_index(capture, rotation, chain, matching, columns)
    sound = sound_updates(chain)
    table = _turn_table(places, rotation, columns, sound)
    by_index = None
    if motor is not None and _knows_better(motor):
        by_index = _rms(places.residue_deg[sound])
        places = _by_motor(capture, motor, chain, places, columns)
        table = _turn_table(places, rotation, columns, sound)
    expected = np.arange(columns)
    if changes:
        turns = len(table)
        expected = usual_columns(places.revolution, places.column, turns, columns)
        table["missing"] = missing_of(expected, places.revolution, places.column, turns, columns)
    used = (table["updates"] > 0).to_numpy() & rotation.turns["used"].to_numpy(dtype=bool)
    recorded = ~turns_touched(rotation, gaps)
    whole = recorded & (rotation.turns["kind"] != "doubtful").to_numpy()
    table.loc[~(whole & np.append(whole[1:], True)), "seam_deg"] = np.nan  # two turns have a part in it
    judged = table[used & recorded]
    usable = np.zeros(len(table) + 1, dtype=bool)  # the last one is for updates of no revolution, which say -1
    usable[judged["revolution"].to_numpy()] = True
    judgeable = usable[places.revolution] & np.isfinite(places.residue_deg)
    residue = places.residue_deg[judgeable & sound]
    instant = _instant_in_degrees(capture, rotation)
    if by_index is not None and motor is not None:
        instant = float(np.hypot(instant, motor.angle_rms_deg or 0.0))
    n_turns = max(len(judged), 1)
    placed = Placement(
        chain=chain.name,
        columns=columns,
        columns_from=columns_from,
        places=places,
        sent=chain,
        tick_s=float(capture.tick),
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
        columns_expected=len(expected) * len(judged),
        usual_response_s=matching.response * float(capture.tick),
        instant_bound_deg=instant * np.sqrt(6),
        angles_from="index" if by_index is None else "motor lines",
        index_residue_rms_deg=by_index,
        broken=int(np.count_nonzero(judgeable & ~sound)),
        changes_only=changes,
        gap_turns=int(np.count_nonzero(used & ~recorded)),
    )
    seen = watch_placement(capture, rotation, chain, places, table, matching, columns, expected)
    return replace(placed, observations=seen)


def turns_touched(rotation: Rotation, gaps: Sequence[tuple[int, int]]) -> NDArray[np.bool_]:
    """Turns that meet one of the gaps (first and last tick), shape (turns,)."""
    touched = np.zeros(len(rotation.turn_ticks) - 1, dtype=bool)
    for begin, end in gaps:
        first = int(rotation.turn_ticks.searchsorted(begin, side="right")) - 1
        touched[max(first, 0) : int(rotation.turn_ticks.searchsorted(end, side="right"))] = True
    return touched


def sound_updates(chain: ChainUpdates) -> NDArray[np.bool_]:
    """True for updates with as many LEDs as nine in ten of the chain's have, shape (updates,); where lengths vary more
    than that, and where updates show as changes only, for all."""
    leds = chain.leds_seen
    sound = np.empty(len(chain), dtype=np.bool_)
    for rows in stretches(len(chain)):
        sound[rows] = chain.bits[rows] // chain.bits_per_led == leds
    if chain.changes_only or np.count_nonzero(sound) < USUAL_LENGTH * len(chain):
        sound[:] = True
    return sound


def _rms(values: Floats) -> float | None:
    finite = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(finite**2))) if finite.size else None


def _knows_better(motor: Motor) -> bool:
    """True where the motor lines are expected to know the shaft's angle better than the index alone does."""
    by_motor, by_index = motor.angle_rms_deg, motor.index_rms_deg
    return motor.witness is not None and by_motor is not None and by_index is not None and by_motor < by_index


def _by_motor(
    capture: Capture, motor: Motor, chain: ChainUpdates, placed: PlacedUpdates, columns: int
) -> PlacedUpdates:
    """Angles and errors from the motor lines, where these reach; residues are NaN."""
    tick, found = float(capture.tick), _blank(placed.revolution, placed.column)
    for rows in stretches(len(placed)):
        visible = chain.last[rows] + np.rint(chain.light_s[rows] / tick).astype(np.int64)
        angle = _TURN * (motor.turns_at(visible) - placed.revolution[rows])
        known = np.isfinite(angle) & np.isfinite(placed.angle_deg[rows])
        angle = np.where(known, angle, placed.angle_deg[rows])
        error = angle - placed.column[rows] * (_TURN / columns)
        found.angle_deg[rows] = angle
        found.error_deg[rows] = np.where(np.isfinite(placed.error_deg[rows]), error, np.nan)
    return found


def _blank(revolution: NDArray[np.int32], column: NDArray[np.int32]) -> PlacedUpdates:
    angle, error, residue = (paged_full(len(revolution), np.nan, np.float64) for _ in range(3))
    return PlacedUpdates(revolution, column, angle, error, residue)


def _column_count(rig: Rig, chain: ChainUpdates, bounds: NDArray[np.int64]) -> tuple[int, str]:
    if rig.display.columns is not None:
        return rig.display.columns, "rig"
    counts = np.diff(chain.start.searchsorted(bounds))
    values, times = np.unique(counts[counts > 0], return_counts=True)
    if not values.size:
        return 1, "no revolution holds an update"
    return int(values[np.argmax(times)]), "the commonest number of updates in a revolution"


def _by_index(
    capture: Capture, rotation: Rotation, chain: ChainUpdates, matching: Matching, columns: int
) -> PlacedUpdates:
    """Angles and errors from the index and the period that really happened; residues are NaN."""
    tick, periods = float(capture.tick), np.diff(rotation.turn_ticks)
    found = _blank(matching.revolution, matching.column)
    for rows in stretches(len(found)):
        turn = found.revolution[rows]
        inside = turn >= 0
        safe = np.where(inside, turn, 0)
        since = (chain.last[rows] - rotation.turn_ticks[safe]) * tick + chain.light_s[rows]
        angle = np.where(inside, _TURN * since / (periods[safe] * tick), np.nan)
        known = inside & chain.whole[rows]
        found.angle_deg[rows] = angle
        found.error_deg[rows] = np.where(known, angle - found.column[rows] * _TURN / columns, np.nan)
    return found


_TURN_PARTS = ("updates", "offset_deg", "scale", "residue_rms_deg", "missing", "repeated", "extra")


def _turn_table(placed: PlacedUpdates, rotation: Rotation, columns: int, sound: NDArray[np.bool_]) -> pd.DataFrame:
    """One row per revolution; fills `placed.residue_deg`. Turns are taken some at a time: updates stand in order."""
    n = len(rotation.turn_ticks) - 1
    parts: dict[str, list[NDArray[Any]]] = {name: [] for name in _TURN_PARTS}
    for rows, first, last in turn_stretches(placed.revolution, n):
        for name, part in _turns(placed, rows, first, last - first, columns, sound[rows]).items():
            parts[name].append(part)
    joined = {name: np.concatenate(part) if part else np.empty(0) for name, part in parts.items()}
    seam = _seams(placed.revolution, placed.column, placed.angle_deg, n, columns)
    order = ("updates", "offset_deg", "scale", "residue_rms_deg", "seam_deg", "missing", "repeated", "extra")
    table = {"revolution": np.arange(n, dtype=np.int64)} | {name: {**joined, "seam_deg": seam}[name] for name in order}
    return pd.DataFrame(table)


def _turns(
    placed: PlacedUpdates, rows: slice, first: int, n: int, columns: int, sound: NDArray[np.bool_]
) -> dict[str, NDArray[Any]]:
    """What the table says of turns first ... first + n, whose updates are `rows`; fills their residues. The `sound`
    updates make the fits."""
    turn, column, error = placed.revolution[rows] - first, placed.column[rows], placed.error_deg[rows]
    ok = np.isfinite(error)
    fitted = sound[ok]
    g, x, y = turn[ok], column[ok].astype(np.float64) * (_TURN / columns), error[ok]
    count = np.bincount(g[fitted], minlength=n)
    offset, slope = _line_per_group(g[fitted], x[fitted], y[fitted], n)
    mean_x = np.divide(np.bincount(g[fitted], x[fitted], n), count, out=np.full(n, np.nan), where=count > 0)
    residue = y - offset[g] - np.nan_to_num(slope[g]) * (x - mean_x[g])
    placed.residue_deg[rows][ok] = np.where(count[g] > 2, residue, np.nan)
    squares = np.bincount(g[fitted], residue[fitted] ** 2, n)
    same = np.zeros(len(turn), dtype=bool)
    same[1:] = (turn[1:] == turn[:-1]) & (column[1:] == column[:-1])
    beyond = column >= columns
    distinct = np.bincount(turn[~same & ~beyond], minlength=n)
    return {
        "updates": np.bincount(turn, minlength=n),
        "offset_deg": offset,
        "scale": slope,
        "residue_rms_deg": np.sqrt(np.divide(squares, count, out=np.full(n, np.nan), where=count > 2)),
        "missing": columns - distinct,
        "repeated": np.bincount(turn[same], minlength=n),
        "extra": np.bincount(turn[beyond], minlength=n),
    }


def _line_per_group(group: NDArray[np.int32], x: Floats, y: Floats, n: int) -> tuple[Floats, Floats]:
    """Least-squares mean and slope of y over x for each group; NaN where a group has too few points."""
    count = np.bincount(group, minlength=n)
    nan = np.full(n, np.nan)
    mean_x = np.divide(np.bincount(group, x, n), count, out=nan.copy(), where=count > 0)
    mean_y = np.divide(np.bincount(group, y, n), count, out=nan.copy(), where=count > 0)
    dx = x - mean_x[group]
    sxx = np.bincount(group, dx * dx, n)
    slope = np.divide(np.bincount(group, dx * (y - mean_y[group]), n), sxx, out=nan, where=(count > 2) & (sxx > 0))
    return mean_y, slope


def _seams(turn: NDArray[np.int32], column: NDArray[np.int32], angle: Floats, n: int, columns: int) -> Floats:
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
