"""Random scenarios for randomised trials: clean displays, displays with planted faults, and with guilty markers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal, cast

import numpy as np

from spinlag.observations import KINDS
from spinlag.synth.random_chains import Shape, Wiring, draw_shape
from spinlag.synth.scenario import Scenario, scenario_from_mapping

Markers = Literal["none", "innocent", "guilty"]

SPACING = 8
"""Whole revolutions from one planted fault to the next, so that each makes an event of its own."""

_LEAD = 6
"""Whole revolutions before the first planted fault and after the last."""


def random_scenario(
    rng: np.random.Generator,
    *,
    faults: int | Sequence[str] = 0,
    markers: Markers = "none",
    motor: bool | None = None,
    wiring: Wiring = "one-wire",
    small: bool = True,
    sample_rate_hz: float | None = None,
    revolutions: int | None = None,
) -> Scenario:
    """A random display with its mechanics, sensor, firmware and recorder within what a healthy bench shows.

    `faults`: that many of random kinds, or these kinds in this order; each is large enough to matter to a viewer and
    stands SPACING revolutions from the next, so that no two are one event. `markers`: none, two lines that have nothing
    to do with anything, or the same with a train of late updates after most pulses of the first. `motor`: with motor
    lines or without (None: either). `wiring`: of its one chain; direct lines know no faults of data. `small` keeps it
    at tens of revolutions, few LEDs and columns, for thousands of trials; `revolutions` sets the length. The scenario
    has its own seed, drawn from `rng`.
    """
    kinds = _kinds(rng, faults, motor, wiring)
    with_motor = bool(rng.integers(2)) if motor is None else motor
    with_motor = with_motor or any(kind.startswith("motor-") for kind in kinds)
    speed = float(rng.uniform(18.0, 42.0))
    shape = draw_shape(rng, speed, wiring, small=small)
    least = 2 * _LEAD + SPACING * max(len(kinds) - 1, 0) + 2
    turns = max(least, revolutions or (int(rng.integers(16, 28)) if small else int(rng.integers(80, 200))))
    tables: dict[str, Any] = {
        "title": "random trial",
        "seed": int(rng.integers(2**62)),
        "duration_s": turns / speed,
        "recorder": _recorder(rng, sample_rate_hz),
        "index": _index(rng),
        "shaft": _shaft(rng, speed, with_motor),
        "leds": [shape.table],
        "firmware": shape.firmware(rng),
        "display": {"geometry": str(rng.choice(["arm", "slot"]))},
        "picture": {"kind": shape.picture},
    }
    if with_motor:
        tables["motor"] = _motor(rng)
        tables["shaft"]["orders"][1]["order"] = 6 * tables["motor"]["pole_pairs"]
    if markers != "none":
        tables["markers"] = _markers(rng, speed)
    if markers == "guilty":
        tables["fault_trains"] = [_guilt(rng, shape)]
    revolution = _LEAD
    tables["faults"] = []
    for kind in kinds:
        tables["faults"].append(_fault(rng, kind, revolution, 1.0 / speed, shape, tables))
        revolution += SPACING
    return scenario_from_mapping(tables)


def _guilt(rng: np.random.Generator, shape: Shape) -> dict[str, Any]:
    """Late updates after most pulses of the radio."""
    return {
        "marker": "radio",
        "kind": "update-late",
        "probability": float(rng.uniform(0.7, 1.0)),
        "lag_us": float(rng.uniform(1.0, 50.0)),
        "delay_us": shape.late_us(rng),
        "within_us": 1e6 * shape.slot_s,
    }


def _kinds(rng: np.random.Generator, faults: int | Sequence[str], motor: bool | None, wiring: Wiring) -> list[str]:
    if not isinstance(faults, int):
        return list(faults)
    able = [kind for kind in KINDS if motor is not False or not kind.startswith("motor-")]
    if wiring in ("direct", "any"):
        # nothing moves on such a line when it is told again what it shows already
        able = [kind for kind in able if not kind.startswith("data-") and kind != "update-repeated"]
    return [str(kind) for kind in rng.choice(able, faults)]


def _recorder(rng: np.random.Generator, sample_rate_hz: float | None) -> dict[str, Any]:
    rate = sample_rate_hz or float(rng.choice([16e6, 20e6, 24e6, 25e6, 32e6, 50e6, 100e6]))
    return {
        "sample_rate_hz": rate,
        "tick": str(rng.choice(["1 ns", "100 ps", "10 ps"])),
        "clock_error_ppm": float(rng.uniform(-40.0, 40.0)),
    }


def _index(rng: np.random.Generator) -> dict[str, Any]:
    return {
        "edge": str(rng.choice(["rising", "falling"])),
        "width_deg": float(rng.uniform(1.5, 8.0)),
        "noise_us": float(rng.uniform(0.0, 1.5)),
        "inverted": bool(rng.integers(2)),
    }


def _shaft(rng: np.random.Generator, speed: float, with_motor: bool) -> dict[str, Any]:
    ripple = float(rng.uniform(0.0, 0.002)) if with_motor else 0.0
    return {
        "speed_rev_per_s": speed,
        "drift_rev_per_s2": float(rng.uniform(-0.002, 0.002)) * speed,
        "hunting": {
            "period_s": float(rng.uniform(0.3, 2.0)),
            "amplitude": float(rng.uniform(0.0, 0.0015)),
            "phase_deg": float(rng.uniform(0.0, 360.0)),
        },
        "random_walk": float(rng.uniform(0.0, 0.0006)),
        "orders": [
            {"order": 1, "amplitude": float(rng.uniform(0.0, 0.003)), "phase_deg": float(rng.uniform(0.0, 360.0))},
            {"order": 24, "amplitude": ripple, "phase_deg": float(rng.uniform(0.0, 360.0))},
        ],
    }


def _motor(rng: np.random.Generator) -> dict[str, Any]:
    return {
        "pole_pairs": int(rng.integers(2, 8)),
        "offset_deg": float(rng.uniform(0.0, 360.0)),
        "sensor_error_deg": [float(error) for error in rng.uniform(-0.8, 0.8, 3)],
        "pole_error_deg": float(rng.uniform(0.0, 0.2)),
        "edge_noise_us": float(rng.uniform(0.0, 2.0)),
        "direction": str(rng.choice(["forward", "reverse"])),
    }


def _markers(rng: np.random.Generator, speed: float) -> list[dict[str, Any]]:
    rate = speed * float(rng.uniform(0.2, 0.5))
    innocent = {"name": "lamp", "channel": "LAMP", "jitter_us": 300.0, "width_us": 400.0}
    if rng.uniform() < 0.5:
        innocent["period_s"] = 1.0 / (speed * float(rng.uniform(0.2, 0.7)))
    else:
        innocent["rate_per_s"] = speed * float(rng.uniform(0.2, 0.7))
    return [{"name": "radio", "channel": "RADIO", "rate_per_s": rate, "width_us": 300.0}, innocent]


def _fault(
    rng: np.random.Generator, kind: str, revolution: int, turn_s: float, shape: Shape, tables: dict[str, Any]
) -> dict[str, Any]:
    """One fault of that kind, of a size that a viewer would notice and a recording can show."""
    turn_us = turn_s * 1e6
    sign = 1.0 if rng.uniform() < 0.5 else -1.0
    width_us = tables["index"]["width_deg"] / 360.0 * turn_us
    place: dict[str, Any] = {"kind": kind, "revolution": revolution}
    column = {"column": int(rng.integers(1, shape.columns - 2))}
    led = {"led": int(rng.integers(0, shape.leds)), "bit": int(rng.integers(0, 8))}
    if _bits_per_led(shape) < 8:  # so that what is struck or cut off is really there
        led = {"led": led["led"] % (shape.leds - 7), "bit": 0}
    if kind == "capture-gap":
        at = (revolution + float(rng.uniform())) * turn_s
        return {"kind": kind, "at_s": at, "duration_ms": float(rng.uniform(0.2, 1.5)) * turn_s * 1e3}
    if kind == "motor-dropout":
        where = {"phase": str(rng.choice(["PH_U", "PH_V", "PH_W"])), "at_deg": float(rng.uniform(0.0, 359.0))}
        return {**place, **where, "duration_ms": float(rng.uniform(0.5, 2.0)) * turn_s * 1e3}
    if kind == "motor-sequence":
        how = {"phase": str(rng.choice(["PH_U", "PH_V", "PH_W"])), "how": str(rng.choice(["extra", "lost"]))}
        return {**place, **how, "at_deg": float(rng.uniform(0.0, 359.0))}
    more: dict[str, dict[str, Any]] = {
        "index-missed": {},
        "index-doubled": {"after_us": float(rng.uniform(0.05, 0.6)) * turn_us + width_us},
        "index-runt": {"after_us": float(rng.uniform(0.1, 0.8)) * turn_us, "width_us": float(rng.uniform(2.0, 15.0))},
        "index-shifted": {"shift_us": sign * float(rng.uniform(0.02, 0.08)) * turn_us},
        "speed-step": {"percent": sign * float(rng.uniform(3.0, 8.0))},
        "data-bit-time": {**column, **led, "bits": 8, "change_ns": _change_ns(rng, shape)},
        "data-truncated": {**column, "leds": led["led"], "bit": 1 + led["bit"]},
        "data-pause": {**column, "led": int(rng.integers(0, shape.leds)), "bit": 1, "pause_us": _pause_us(rng, shape)},
        "data-silent": {**column, "duration_ms": float(rng.uniform(0.3, 2.0)) * turn_s * 1e3},
        "data-overlong": {**column, "leds": 1},
        "data-extra": {**column, "leds": 1},
        "update-late": {**column, "delay_us": shape.late_us(rng)},
        "update-missing": column,
        "update-repeated": column,
        "column-rate": {"percent": sign * float(rng.uniform(8.0, 25.0))},
    }
    return cast("dict[str, Any]", {**place, **more[kind]})


def _bits_per_led(shape: Shape) -> int:
    table = shape.table
    return int(table.get("depth", 1)) if table.get("wiring") in ("latched", "direct") else 8


def _pause_us(rng: np.random.Generator, shape: Shape) -> float:
    """A pause that some parts would take for the end, and that the slot has room for."""
    return float(min(rng.uniform(12.0, 40.0), max(shape.free_s * 1e6, 12.0)))


def _change_ns(rng: np.random.Generator, shape: Shape) -> float:
    """A longer high time that the low after it can spare."""
    clock = shape.table.get("clock_rate_hz")
    if clock is None:
        return float(rng.uniform(210.0, 300.0))
    return float(rng.uniform(0.15, 0.3) * 1e9 / clock)
