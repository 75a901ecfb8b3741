"""The quantities that can be judged and compared: one id each, shared by verdicts, rigs, comparison and reports."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Dimension = Literal["time", "angle", "speed", "ratio", "count"]
Rule = Literal["every", "mean"]
"""`every`: the limit holds for each single observation, so the worst one is judged; `mean`: it holds for one figure."""


@dataclass(frozen=True)
class Quantity:
    """One measurable quantity. Its SI unit follows from the dimension."""

    id: str
    title: str
    dimension: Dimension
    rule: Rule


UNITS: dict[Dimension, str] = {"time": "s", "angle": "deg", "speed": "rev/s", "ratio": "1", "count": "1"}

LIMIT_UNITS: dict[Dimension, dict[str, int]] = {
    "time": {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9},
    "angle": {"deg": 1},
    "speed": {"rev_per_s": 1, "r_per_min": 60},
    "ratio": {"ratio": 1, "percent": 100},
    "count": {"count": 1},
}
"""Suffixes that limits and tolerances may carry (`max_us`, `negligible_deg`), with how many of them make one unit of
UNITS: dividing by a whole number keeps 20 us at 2e-05 s, where a product with 1e-6 would not."""

_FIXED = (
    Quantity("latency.response", "index edge to first data edge", "time", "every"),
    Quantity("latency.wire", "first to last data edge", "time", "every"),
    Quantity("latency.latency", "index edge to visible light", "time", "every"),
    Quantity("latency.latency_deg", "index edge to visible light, as an angle", "angle", "every"),
    Quantity("latency.jitter", "latency jitter (standard deviation)", "time", "mean"),
    Quantity("latency.jitter_peak_to_peak", "latency jitter (peak to peak)", "time", "mean"),
    Quantity("latency.without_update", "share of revolutions without an update", "ratio", "mean"),
    Quantity("rotation.speed", "speed of rotation", "speed", "every"),
    Quantity("rotation.period_jitter", "period jitter (rms, drift removed)", "time", "mean"),
    Quantity("rotation.cycle_to_cycle_jitter", "cycle-to-cycle jitter (rms)", "time", "mean"),
    Quantity("rotation.period_jitter_peak_to_peak", "period jitter (peak to peak)", "time", "mean"),
    Quantity("rotation.drift", "drift of the speed, per second", "ratio", "mean"),
    Quantity("rotation.allan", "Allan deviation over one turn", "ratio", "mean"),
    Quantity("rotation.hunting", "hunting of the speed loop (amplitude)", "ratio", "mean"),
    Quantity("rotation.order_1", "speed ripple once per turn", "ratio", "mean"),
    Quantity("rotation.order_2", "speed ripple twice per turn", "ratio", "mean"),
    Quantity("rotation.ripple", "largest speed ripple of any order", "ratio", "mean"),
    Quantity("rotation.prediction", "error at the turn's end, next turn taken like the last (rms)", "angle", "mean"),
    Quantity("rotation.columns_allowed", "columns before neighbours blur, by the rotation alone", "count", "mean"),
    Quantity("motor.slip", "slip of motor against index, per second", "angle", "mean"),
    Quantity("motor.sequence_faults", "faults in the motor's sequence", "count", "mean"),
    Quantity("motor.dropouts", "dead motor lines", "count", "mean"),
    Quantity("placement.offset", "placement offset of the picture", "angle", "mean"),
    Quantity("placement.residue", "placement residue (rms)", "angle", "mean"),
    Quantity("placement.seam", "seam between revolutions", "angle", "every"),
    Quantity("placement.missing", "share of columns missing", "ratio", "mean"),
)

TIMING_TITLES = {
    "t0h": "high time of a 0 bit",
    "t0l": "low time of a 0 bit",
    "t1h": "high time of a 1 bit",
    "t1l": "low time of a 1 bit",
    "bit_period": "bit period",
    "low_between_updates": "low between updates",
    "clock_high": "clock high time",
    "clock_low": "clock low time",
    "clock_period": "clock period",
    "data_setup": "data set-up before the sampling edge",
    "data_hold": "data hold after the sampling edge",
    "clock_idle": "clock idle between updates",
    "clock_to_latch": "last sampling edge to latch edge",
    "clock_end_to_latch": "end of the last clock pulse to latch edge",
    "latch_width": "latch pulse width",
    "latch_to_clock": "latch edge to next sampling edge",
    "latch_end_to_clock": "end of the latch pulse to next sampling edge",
    "blank_width": "blank pulse width",
    "latch_to_blank_end": "latch edge to end of blank",
    "between_updates": "between changes of the lines",
}
"""Names of the intervals on LED lines: those of one-wire lines first, then clocked and latched, then direct ones."""

TIMING_NAMES = tuple(TIMING_TITLES)

QUANTITIES: dict[str, Quantity] = {quantity.id: quantity for quantity in _FIXED}


def quantity(quantity_id: str) -> Quantity:
    """The quantity of that id; `leds.<chain>.<timing name>` ids exist for every chain. Raises KeyError."""
    if quantity_id in QUANTITIES:
        return QUANTITIES[quantity_id]
    family, _, rest = quantity_id.partition(".")
    chain, _, name = rest.rpartition(".")
    if family == "leds" and chain and name in TIMING_TITLES:
        return Quantity(quantity_id, f"{chain}: {TIMING_TITLES[name]}", "time", "every")
    if family == "leds" and chain and name == "pwm_rate":
        return Quantity(quantity_id, f"{chain}: PWM periods per column slot", "ratio", "mean")
    raise KeyError(quantity_id)
