"""Random scenarios for randomised trials: clean displays, displays with planted faults, and with guilty markers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal, cast

import numpy as np

from spinlag.observations import KINDS
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
    small: bool = True,
    sample_rate_hz: float | None = None,
    revolutions: int | None = None,
) -> Scenario:
    """A random display with its mechanics, sensor, firmware and recorder within what a healthy bench shows.

    `faults`: that many of random kinds, or these kinds in this order; each is large enough to matter to a viewer and
    stands SPACING revolutions from the next, so that no two are one event. `markers`: none, two lines that have nothing
    to do with anything, or the same with a train of late updates after most pulses of the first. `motor`: with motor
    lines or without (None: either). `small` keeps it at tens of revolutions, few LEDs and columns, for thousands of
    trials; `revolutions` sets the length. The scenario has its own seed, drawn from `rng`.
    """
    kinds = _kinds(rng, faults, motor)
    with_motor = bool(rng.integers(2)) if motor is None else motor
    with_motor = with_motor or any(kind.startswith("motor-") for kind in kinds)
    speed = float(rng.uniform(18.0, 42.0))
    shape = _Shape.draw(rng, speed, small=small)
    least = 2 * _LEAD + SPACING * max(len(kinds) - 1, 0) + 2
    turns = max(least, revolutions or (int(rng.integers(16, 28)) if small else int(rng.integers(80, 200))))
    tables: dict[str, Any] = {
        "title": "random trial",
        "seed": int(rng.integers(2**62)),
        "duration_s": turns / speed,
        "recorder": _recorder(rng, sample_rate_hz),
        "index": _index(rng),
        "shaft": _shaft(rng, speed, with_motor),
        "leds": [shape.chain(rng)],
        "firmware": shape.firmware(rng),
        "display": {"geometry": str(rng.choice(["arm", "slot"]))},
        "picture": {"kind": "noise"},
    }
    if with_motor:
        tables["motor"] = _motor(rng)
        tables["shaft"]["orders"][1]["order"] = 6 * tables["motor"]["pole_pairs"]
    if markers != "none":
        tables["markers"] = _markers(rng, speed)
    if markers == "guilty":
        tables["fault_trains"] = [
            {
                "marker": "radio",
                "kind": "update-late",
                "probability": float(rng.uniform(0.7, 1.0)),
                "lag_us": float(rng.uniform(1.0, 50.0)),
                "delay_us": shape.late_us(rng),
                "within_us": 1e6 / speed / shape.columns,
            }
        ]
    revolution = _LEAD
    tables["faults"] = []
    for kind in kinds:
        tables["faults"].append(_fault(rng, kind, revolution, 1.0 / speed, shape, tables))
        revolution += SPACING
    return scenario_from_mapping(tables)


def _kinds(rng: np.random.Generator, faults: int | Sequence[str], motor: bool | None) -> list[str]:
    if not isinstance(faults, int):
        return list(faults)
    able = [kind for kind in KINDS if motor is not False or not kind.startswith("motor-")]
    return [str(kind) for kind in rng.choice(able, faults)]


class _Shape:
    """Columns, LEDs and what their slot leaves free."""

    def __init__(self, columns: int, leds: int, letters: int, slot_s: float) -> None:
        self.columns, self.leds, self.letters, self.slot_s = columns, leds, letters, slot_s
        self.wire_s = leds * letters * 8 * 1.25e-6
        self.gap_s = 60e-6
        self.free_s = slot_s - self.wire_s - self.gap_s

    @classmethod
    def draw(cls, rng: np.random.Generator, speed: float, *, small: bool) -> _Shape:
        """A shape whose update takes at most two thirds of its slot."""
        columns = int(rng.integers(12, 33) if small else rng.integers(24, 61))
        slot = 1.0 / speed / columns
        letters = 3 if rng.uniform() < 0.8 else 4
        most = max(1, int((0.66 * slot - 60e-6) / (letters * 8 * 1.25e-6)))
        leds = int(rng.integers(2, 7)) if small else int(rng.integers(6, 25))
        return cls(columns, min(leds, most), letters, slot)

    def late_us(self, rng: np.random.Generator) -> float:
        """A delay that shows on the picture: 15 to 40 % of a slot."""
        return float(rng.uniform(0.15, 0.4) * self.slot_s * 1e6)

    def chain(self, rng: np.random.Generator) -> dict[str, Any]:
        """A chain whose bits lie well inside the sheet of its part."""
        rgb = self.letters == 3
        times = (400.0, 850.0, 800.0, 450.0) if rgb else (300.0, 900.0, 600.0, 600.0)
        off = rng.uniform(-40.0, 40.0, 4)
        keys = ("t0h_ns", "t0l_ns", "t1h_ns", "t1l_ns")
        return {
            "part": "WS2812B 2013-05" if rgb else "SK6812RGBW Rev-01",
            "count": self.leds,
            "order": "GRB" if rgb else "RGBW",
            "latch_us": 50.0 if rgb else 80.0,
            "jitter_ns": float(rng.uniform(0.0, 6.0)),
            **{key: time + float(o) for key, time, o in zip(keys, times, off, strict=True)},
        }

    def firmware(self, rng: np.random.Generator) -> dict[str, Any]:
        """Firmware that answers within a third of a slot, and steadily."""
        predictor = str(rng.choice(["previous", "mean"]))
        return {
            "columns": self.columns,
            "response_us": float(rng.uniform(10.0, 120.0)),
            "response_jitter_us": float(rng.uniform(0.2, 2.5)),
            "jitter_shape": str(rng.choice(["normal", "uniform"])),
            "column_jitter_us": float(rng.uniform(0.0, 1.5)),
            "predictor": predictor,
            "mean_of": int(rng.integers(2, 5)),
            "when_busy": str(rng.choice(["queue", "skip"])),
            "gap_us": self.gap_s * 1e6 if self.letters == 3 else 90.0,
            "clock_error_ppm": float(rng.uniform(-100.0, 100.0)),
        }


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
    rng: np.random.Generator, kind: str, revolution: int, turn_s: float, shape: _Shape, tables: dict[str, Any]
) -> dict[str, Any]:
    """One fault of that kind, of a size that a viewer would notice and a recording can show."""
    turn_us = turn_s * 1e6
    sign = 1.0 if rng.uniform() < 0.5 else -1.0
    width_us = tables["index"]["width_deg"] / 360.0 * turn_us
    place: dict[str, Any] = {"kind": kind, "revolution": revolution}
    column = {"column": int(rng.integers(1, shape.columns - 2))}
    led = {"led": int(rng.integers(0, shape.leds)), "bit": int(rng.integers(0, 8))}
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
        "data-bit-time": {**column, **led, "bits": 8, "change_ns": float(rng.uniform(210.0, 300.0))},
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


def _pause_us(rng: np.random.Generator, shape: _Shape) -> float:
    """A pause that some parts would take for the end, and that the slot has room for."""
    return float(min(rng.uniform(12.0, 40.0), max(shape.free_s * 1e6, 12.0)))
