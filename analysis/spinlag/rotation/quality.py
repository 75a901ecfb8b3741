"""Quality of rotation: what the mechanics and the speed loop do to the picture before any firmware does."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from spinlag.capture import Capture
from spinlag.motor import Motor
from spinlag.rig import Limit, Rig
from spinlag.rotation import Rotation
from spinlag.rotation.hunting import Hunting, Search, find_hunting
from spinlag.rotation.predict import MOST_COLUMNS, best_predictor, predictor_table
from spinlag.rotation.profile import (
    ORDER_COLUMNS,
    PROFILE_COLUMNS,
    SPECTRUM_COLUMNS,
    Witnessed,
    find_witness,
    order_table,
    profile_table,
    spectrum_table,
)
from spinlag.rotation.statistics import NORMAL_95, Sampling, independent_values, runs, without_changes

FIGURES_OF_MERIT = (
    "rotation.period_jitter_peak_to_peak",
    "rotation.drift",
    "rotation.allan",
    "rotation.hunting",
    "rotation.order_1",
    "rotation.order_2",
    "rotation.ripple",
    "rotation.prediction",
    "rotation.columns_allowed",
    "motor.slip",
    "motor.sequence_faults",
    "motor.dropouts",
)
"""Ids of the measures that only this stage gives; a rig may limit each."""


@dataclass(frozen=True)
class Measure:
    """One figure of merit: `value` in `unit` with its expanded uncertainty (95 %, None where `note` says why), what it
    comes to in degrees on the picture, and as a share of a column (None without columns in the rig)."""

    id: str
    title: str
    value: float | None
    uncertainty: float | None
    unit: str
    degrees: float | None
    columns: float | None
    note: str = ""


@dataclass(frozen=True, eq=False)
class RotationQuality:
    """How well the shaft turns.

    `profile`: mean speed over one turn (`angle_deg`, `speed_ratio`, `low`, `high`, `spread`). `orders`: its orders of
    rotation (`order`, `name`, `ripple`, `low`, `high`, `angle_deg`). `spectrum`: power spectral density of the speed
    over order (`order`, `density`). `predictors`: what each way to predict the next turn costs. `phases`, one row per
    stretch: `phase` (`run-up`, `steady`, `run-down`), `first`, `last` (turns), `start_s`, `duration_s`,
    `from_rev_per_s`, `to_rev_per_s`. Tables are empty, with their columns, where the capture does not tell; `notes` say
    why. `columns_allowed`: columns per turn at which 95 % of a column's positions stay within half a column for the
    best predictor that needs the index alone (`best_predictor`); `columns_allowed_motor` with the motor lines.
    """

    measures: tuple[Measure, ...]
    profile: pd.DataFrame
    orders: pd.DataFrame
    spectrum: pd.DataFrame
    hunting: Hunting | None
    predictors: pd.DataFrame
    best_predictor: str | None
    columns_allowed: int | None
    columns_allowed_motor: int | None
    phases: pd.DataFrame
    witness: str
    notes: tuple[str, ...]

    def measure(self, measure_id: str) -> Measure:
        """The measure of that id; KeyError where there is none."""
        for one in self.measures:
            if one.id == measure_id:
                return one
        raise KeyError(measure_id)


def measure_quality(
    capture: Capture, rig: Rig, rotation: Rotation | None, motor: Motor | None
) -> RotationQuality | None:
    """Quality of the rotation; None where there is no revolution."""
    if rotation is None or len(rotation.turn_ticks) < 2 or rig.index is None:
        return None
    tick_s = float(capture.tick)
    sampling = Sampling(tick_s, capture.sample_period_s, rig.capture.clock_ppm, rig.index.edge == "centre")
    periods = np.diff(rotation.turn_ticks) * tick_s
    used = rotation.turns["used"].to_numpy(dtype=bool)
    changed = rotation.turns["kind"].to_numpy() == "speed-step"
    witnessed, why_not = find_witness(capture, rotation, motor)
    poles = motor.pole_pairs if motor is not None and motor.witness is not None else None
    nodes = motor.witness.nodes if motor is not None and motor.witness is not None else None
    predictors = predictor_table(periods, used, sampling, nodes, poles, changed)
    best = best_predictor(predictors, with_motor=False)
    level = without_changes(periods, used, changed)
    search = find_hunting(level, used)
    orders = order_table(witnessed) if witnessed is not None else _empty_orders()
    return RotationQuality(
        measures=_measures(rig, rotation, motor, search, orders, predictors, best, sampling, level, used),
        profile=profile_table(witnessed) if witnessed is not None else _empty(PROFILE_COLUMNS),
        orders=orders,
        spectrum=spectrum_table(witnessed) if witnessed is not None else _empty(SPECTRUM_COLUMNS),
        hunting=search.found,
        predictors=predictors,
        best_predictor=best,
        columns_allowed=_columns(predictors, best),
        columns_allowed_motor=_columns(predictors, "motor lines"),
        phases=_phases(rotation),
        witness=witnessed.source if witnessed is not None else "",
        notes=(why_not,) if witnessed is None else _witness_notes(witnessed, orders),
    )


def _witness_notes(witnessed: Witnessed, orders: pd.DataFrame) -> tuple[str, ...]:
    top, poles = (witnessed.per_turn - 1) // 2, witnessed.poles
    notes = [
        f"the speed within the turn is read from the {witnessed.source}",
        f"{witnessed.per_turn} instants a turn show orders up to {top}; higher ones fold back onto them",
    ]
    if poles is not None and 6 * poles % witnessed.per_turn == 0:
        notes.append(
            f"commutation ripple, order {6 * poles}, repeats from one motor edge to the next and does not show in them"
        )
    untold = orders.loc[orders["ripple"].isna(), "order"].tolist()
    if untold:
        said = ", ".join(str(order) for order in untold[:8]) + (" and more" if len(untold) > 8 else "")
        notes.append(f"orders {said} cannot be told from sensors and poles that sit unevenly")
    return tuple(notes)


def _empty(columns: tuple[str, ...]) -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(dtype="float64") for name in columns})


def _empty_orders() -> pd.DataFrame:
    return _empty(ORDER_COLUMNS).astype({"order": "int64", "name": "str"})


def _columns(predictors: pd.DataFrame, name: str | None) -> int | None:
    row = predictors[(predictors["predictor"] == name) & (predictors["n"] > 0)]
    return int(row["columns_allowed"].iloc[0]) if len(row) else None


def _phases(rotation: Rotation) -> pd.DataFrame:
    """Run-up, steady running and run-down."""
    kind = rotation.turns["kind"].to_numpy()
    speed = rotation.turns["speed_rev_per_s"].to_numpy()
    start, period = rotation.turns["start_s"].to_numpy(), rotation.turns["period_s"].to_numpy()
    rows = []
    for phase in ("run-up", "run-down", "steady"):
        own = ~np.isin(kind, ("run-up", "run-down")) if phase == "steady" else kind == phase
        for first, end in runs(own):
            span = float(start[end - 1] + period[end - 1] - start[first])
            rows.append((phase, first, end - 1, float(start[first]), span, float(speed[first]), float(speed[end - 1])))
    rows.sort(key=lambda row: row[1])
    names = ("phase", "first", "last", "start_s", "duration_s", "from_rev_per_s", "to_rev_per_s")
    kinds = ("str", "int64", "int64", "float64", "float64", "float64", "float64")
    columns = zip(*rows, strict=True) if rows else ([] for _ in names)
    return pd.DataFrame(
        {name: pd.Series(list(own), dtype=dtype) for name, dtype, own in zip(names, kinds, columns, strict=True)}
    )


class _Scale:
    """Seconds within a turn, or shares of the speed, to degrees and columns."""

    def __init__(self, rig: Rig, period_s: float | None) -> None:
        self.columns = rig.display.columns
        self.period_s = period_s

    def of_time(self, seconds: float | None) -> float | None:
        """Degrees that the shaft turns in that time."""
        return None if seconds is None or not self.period_s else 360.0 * seconds / self.period_s

    def share(self, degrees: float | None) -> float | None:
        """Degrees as a share of a column."""
        return None if degrees is None or self.columns is None else degrees * self.columns / 360.0


def _measures(
    rig: Rig,
    rotation: Rotation,
    motor: Motor | None,
    search: Search,
    orders: pd.DataFrame,
    predictors: pd.DataFrame,
    best: str | None,
    sampling: Sampling,
    periods: np.ndarray,
    used: np.ndarray,
) -> tuple[Measure, ...]:
    scale = _Scale(rig, rotation.period.mean)
    found = [
        _time(scale, "rotation.period_jitter", "period jitter (rms)", rotation.period_jitter_rms_s, rotation),
        _time(
            scale,
            "rotation.period_jitter_peak_to_peak",
            "period jitter (peak to peak)",
            rotation.period_jitter_peak_to_peak_s,
            rotation,
            bound=2.0 * sampling.period_s,
        ),
        _time(
            scale,
            "rotation.cycle_to_cycle_jitter",
            "cycle-to-cycle jitter (rms)",
            rotation.cycle_to_cycle_jitter_rms_s,
            rotation,
        ),
        _drift(scale, rotation, periods, used),
        _allan(scale, rotation),
        _hunting(scale, search),
    ]
    found += [_order(scale, orders, order) for order in (1, 2)]
    found.append(_worst_order(scale, orders))
    found.append(_prediction(scale, predictors, best))
    found.append(_allowed(predictors, best, rig.limits.get("rotation.columns_allowed", Limit())))
    if motor is not None:
        found += _of_motor(scale, motor)
    return tuple(found)


def _time(
    scale: _Scale, measure_id: str, title: str, value: float | None, rotation: Rotation, bound: float | None = None
) -> Measure:
    degrees = scale.of_time(value)
    uncertainty = bound if bound is not None else rotation.jitter_uncertainty_s
    note = "" if value is not None else "too few revolutions"
    return Measure(
        measure_id,
        title,
        value,
        uncertainty if value is not None else None,
        "s",
        degrees,
        scale.share(degrees),
        note,
    )


def _drift(scale: _Scale, rotation: Rotation, periods: np.ndarray, used: np.ndarray) -> Measure:
    """Drift as the share by which the speed changes in a second, and the angle it adds from one turn to the next."""
    mean = rotation.speed.mean
    if rotation.drift_rev_per_s2 is None or not mean:
        return Measure("rotation.drift", "drift of the speed, per second", None, None, "1", None, None, "too few turns")
    share = rotation.drift_rev_per_s2 / mean
    seconds = np.cumsum(periods)[used]
    rest = 1.0 / periods[used] - rotation.drift_rev_per_s2 * seconds
    worth = max(independent_values(rest), 1.0)  # a wander or a swing passes for drift more easily than noise does
    reach = NORMAL_95 * float(np.std(rest)) / mean / max(float(np.std(seconds)) * np.sqrt(worth), 1e-12)
    degrees = 360.0 * abs(share) / mean
    return Measure(
        "rotation.drift", "drift of the speed, per second", abs(share), reach, "1", degrees, scale.share(degrees)
    )


def _allan(scale: _Scale, rotation: Rotation) -> Measure:
    """Allan deviation from one turn to the next, with half the width of its 95 % interval."""
    title = "Allan deviation over one turn"
    if not len(rotation.allan):
        return Measure("rotation.allan", title, None, None, "1", None, None, "too few revolutions")
    row = rotation.allan.iloc[0]
    degrees = 360.0 * float(row["adev"])
    reach = 0.5 * float(row["high"] - row["low"])
    return Measure("rotation.allan", title, float(row["adev"]), reach, "1", degrees, scale.share(degrees))


def _hunting(scale: _Scale, search: Search) -> Measure:
    title, hunting = "hunting of the speed loop (amplitude)", search.found
    if hunting is None and search.bound is None:
        return Measure("rotation.hunting", title, None, None, "1", None, None, "too few revolutions")
    if hunting is None:
        note = "none stands out; the uncertainty is the smallest that would have"
        return Measure("rotation.hunting", title, 0.0, search.bound, "1", 0.0, scale.share(0.0), note)
    reach = 0.5 * (hunting.high - hunting.low)
    said = f"period {hunting.period_s:.4g} s ({hunting.period_turns:.4g} turns)"
    return Measure(
        "rotation.hunting",
        title,
        hunting.amplitude,
        reach,
        "1",
        hunting.angle_deg,
        scale.share(hunting.angle_deg),
        said,
    )


def _order(scale: _Scale, orders: pd.DataFrame, order: int) -> Measure:
    row = orders[orders["order"] == order]
    title = f"speed ripple of order {order}"
    if not len(row):
        return Measure(f"rotation.order_{order}", title, None, None, "1", None, None, "nothing shows the turn within")
    one = row.iloc[0]
    if not np.isfinite(one["ripple"]):
        note = "cannot be told from sensors that sit unevenly"
        return Measure(f"rotation.order_{order}", title, None, None, "1", None, None, note)
    degrees = float(one["angle_deg"])
    reach = float(max(one["high"] - one["ripple"], one["ripple"] - one["low"]))
    return Measure(
        f"rotation.order_{order}",
        title,
        float(one["ripple"]),
        reach,
        "1",
        degrees,
        scale.share(degrees),
        str(one["name"]),
    )


def _worst_order(scale: _Scale, orders: pd.DataFrame) -> Measure:
    title = "largest speed ripple of any order"
    told = orders[np.isfinite(orders["ripple"].to_numpy(dtype=np.float64))]
    if not len(told):
        return Measure("rotation.ripple", title, None, None, "1", None, None, "nothing shows the turn within")
    one = told.loc[told["ripple"].idxmax()]
    degrees = float(one["angle_deg"])
    reach = float(max(one["high"] - one["ripple"], one["ripple"] - one["low"]))
    said = f"order {int(one['order'])}, {one['name']}"
    return Measure("rotation.ripple", title, float(one["ripple"]), reach, "1", degrees, scale.share(degrees), said)


def _prediction(scale: _Scale, predictors: pd.DataFrame, best: str | None) -> Measure:
    """What firmware cannot help: the error of the usual prediction, that the next turn lasts as long as the last."""
    title = "error at the turn's end, next turn taken like the last (rms)"
    row = predictors[(predictors["predictor"] == "last period") & (predictors["n"] > 0)]
    if not len(row):
        return Measure("rotation.prediction", title, None, None, "deg", None, None, "too few revolutions")
    one = row.iloc[0]
    value, u = float(one["end_rms_deg"]), float(one["uncertainty_deg"]) / NORMAL_95
    # as for the jitter: sampling blurs the figure, and enlarges it; errors in a row share their instants, whose weights
    # 1, -2, 1 correlate them by -2/3 and 1/6, so that the blur is at worst that of 3/8 as many
    blur = NORMAL_95 * u * np.sqrt(8 / 3 / float(one["n"]))
    reach = blur + value - float(np.sqrt(max(value**2 - u**2, 0.0)))
    said = f"the best that needs the index alone: {best}" if best else ""
    return Measure("rotation.prediction", title, value, reach, "deg", value, scale.share(value), said)


def _allowed(predictors: pd.DataFrame, best: str | None, limit: Limit) -> Measure:
    """Columns that the rotation allows; the uncertainty is that towards the limit, for its two sides differ: below the
    chance of few turns, above also what the recorder adds to the shaft's own restlessness."""
    title = "columns before neighbours blur, by the rotation alone"
    value = _columns(predictors, best)
    if value is None:
        return Measure("rotation.columns_allowed", title, None, None, "1", None, None, "too few revolutions")
    row = predictors[predictors["predictor"] == best].iloc[0]
    degrees, low, high = float(row["end_p95_deg"]), float(row["columns_low"]), float(row["columns_high"])
    unbounded = high >= MOST_COLUMNS
    said = f"{low:.0f} or more" if unbounded else f"{low:.0f} to {high:.0f}"
    upwards = (limit.low is not None and value < limit.low) or (limit.high is not None and value < limit.high)
    reach = high - value if upwards else value - low
    if limit.low is None and limit.high is None and not unbounded:
        reach = max(high - value, value - low)
    note = f"with {best}; in the long run {said}"
    # one column is the least that whole numbers tell apart
    return Measure("rotation.columns_allowed", title, float(value), max(reach, 1.0), "1", degrees, None, note)


def _of_motor(scale: _Scale, motor: Motor) -> list[Measure]:
    slip = None if motor.slip_deg_per_s is None else abs(motor.slip_deg_per_s)
    why = "" if slip is not None else "the motor lines could not be tied to the index"
    # lines that never move are out of sequence nowhere: nothing was counted
    counted = motor.cycles > 0
    still = "" if counted else f"no electrical cycle on {', '.join(motor.phases)}"
    return [
        Measure(
            "motor.slip",
            "slip of motor against index, per second",
            slip,
            motor.slip_uncertainty_deg_per_s,
            "deg",
            slip,
            scale.share(slip),
            why,
        ),
        Measure(
            "motor.sequence_faults",
            "faults in the motor's sequence",
            float(motor.sequence_faults) if counted else None,
            0.0,
            "1",
            None,
            None,
            still,
        ),
        Measure(
            "motor.dropouts",
            "dead motor lines",
            float(motor.dropouts) if counted else None,
            0.0,
            "1",
            None,
            None,
            still,
        ),
    ]
