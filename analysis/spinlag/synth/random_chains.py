"""Random LED chains of every wiring, each with the columns, slot and firmware that suit it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

Wiring = Literal["one-wire", "clocked", "latched", "direct", "any"]

_FULL = 0.66
"""Share of a column slot that an update and its gap may take."""


@dataclass(frozen=True)
class Shape:
    """A chain as a scenario's table, the columns it serves, and what it leaves of their slot (seconds)."""

    table: dict[str, Any]
    columns: int
    leds: int
    slot_s: float
    wire_s: float
    gap_s: float
    picture: str = "noise"

    @property
    def free_s(self) -> float:
        """What is left of a slot."""
        return self.slot_s - self.wire_s - self.gap_s

    def late_us(self, rng: np.random.Generator) -> float:
        """A delay that shows on the picture: 15 to 40 % of a slot."""
        return float(rng.uniform(0.15, 0.4) * self.slot_s * 1e6)

    def firmware(self, rng: np.random.Generator) -> dict[str, Any]:
        """Firmware that answers soon and steadily."""
        return {
            "columns": self.columns,
            "response_us": float(rng.uniform(10.0, 120.0)),
            "response_jitter_us": float(rng.uniform(0.2, 2.5)),
            "jitter_shape": str(rng.choice(["normal", "uniform"])),
            "column_jitter_us": float(rng.uniform(0.0, 1.5)),
            "predictor": str(rng.choice(["previous", "mean"])),
            "mean_of": int(rng.integers(2, 5)),
            "when_busy": str(rng.choice(["queue", "skip"])),
            "gap_us": self.gap_s * 1e6,
            "clock_error_ppm": float(rng.uniform(-100.0, 100.0)),
        }


def draw_shape(rng: np.random.Generator, speed: float, wiring: Wiring, *, small: bool) -> Shape:
    """A chain of that wiring whose updates take at most two thirds of their slot at `speed` rev/s."""
    if wiring == "any":
        wiring = str(rng.choice(["one-wire", "clocked", "latched", "direct"]))  # type: ignore[assignment]
    columns = int(rng.integers(12, 33) if small else rng.integers(24, 61))
    leds = int(rng.integers(2, 7) if small else rng.integers(6, 25))
    if wiring == "clocked":
        return _clocked(rng, speed, columns, leds)
    if wiring == "latched":
        return _latched(rng, speed, columns, leds)
    if wiring == "direct":
        lines = [f"L{i}" for i in range(max(leds, 6))]
        table = {"wiring": "direct", "count": len(lines), "lines": lines, "skew_ns": float(rng.uniform(0.0, 500.0))}
        return Shape(table, columns, len(lines), 1.0 / speed / columns, len(lines) * 5e-7, 1e-6, "gray-code")
    return _one_wire(rng, speed, columns, leds)


def _one_wire(rng: np.random.Generator, speed: float, columns: int, leds: int) -> Shape:
    """A one-wire chain whose bits lie well inside the sheet of its part."""
    rgb = bool(rng.uniform() < 0.8)
    slot, per_led = 1.0 / speed / columns, (24 if rgb else 32) * 1.25e-6
    gap = 60e-6 if rgb else 90e-6
    leds = min(leds, max(1, int((_FULL * slot - gap) / per_led)))
    times = (400.0, 850.0, 800.0, 450.0) if rgb else (300.0, 900.0, 600.0, 600.0)
    keys = ("t0h_ns", "t0l_ns", "t1h_ns", "t1l_ns")
    off = rng.uniform(-40.0, 40.0, 4)
    table = {
        "part": "WS2812B 2013-05" if rgb else "SK6812RGBW Rev-01",
        "count": leds,
        "order": "GRB" if rgb else "RGBW",
        "latch_us": 50.0 if rgb else 80.0,
        "jitter_ns": float(rng.uniform(0.0, 6.0)),
        **{key: time + float(o) for key, time, o in zip(keys, times, off, strict=True)},
    }
    return Shape(table, columns, leds, slot, leds * per_led, gap)


def _clocked(rng: np.random.Generator, speed: float, columns: int, leds: int) -> Shape:
    protocol = str(rng.choice(["APA102", "SK9822", "P9813", "WS2801", "LPD6803", "LPD8806"]))
    gap = 620e-6 if protocol == "WS2801" else float(rng.uniform(20e-6, 60e-6))
    clock = float(rng.uniform(0.8e6, 2e6))
    leds *= 2
    bits = 32 * leds + 100 + leds
    columns = max(4, min(columns, int(_FULL / speed / (bits / clock + gap))))
    slot = 1.0 / speed / columns
    order = {"APA102": "BGR", "SK9822": "BGR", "P9813": "BGR", "LPD8806": "GRB"}.get(protocol, "RGB")
    table = {
        "wiring": "clocked",
        "protocol": protocol,
        "count": leds,
        "order": order,
        "clock_rate_hz": clock,
        "clock_high": float(rng.uniform(0.4, 0.6)),
        "jitter_ns": float(rng.uniform(0.0, 5.0)),
        "brightness": int(rng.choice([31, 31, 12])),
    }
    return Shape(table, columns, leds, slot, bits / clock, gap)


def _latched(rng: np.random.Generator, speed: float, columns: int, leds: int) -> Shape:
    deep = bool(rng.uniform() < 0.4)
    clock = float(rng.uniform(0.8e6, 2e6))
    leds = max(leds, 4) if deep else 8 * int(rng.integers(1, 4))
    per_chip = 16 if deep else 8
    bits = -(-leds // per_chip) * per_chip * (12 if deep else 1)
    gap = 5e-6
    columns = max(4, min(columns, int(_FULL / speed / (bits / clock + gap))))
    table: dict[str, Any] = {
        "wiring": "latched",
        "count": leds,
        "depth": 12 if deep else 1,
        "outputs_per_chip": per_chip,
        "clock_rate_hz": clock,
        "latch_after_ns": float(rng.uniform(300.0, 900.0)),
        "latch_width_ns": float(rng.uniform(300.0, 900.0)),
    }
    if rng.uniform() < 0.4:
        table["blank"] = "BLANK"
    return Shape(table, columns, leds, 1.0 / speed / columns, bits / clock, gap)
