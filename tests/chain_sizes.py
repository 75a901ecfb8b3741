"""Random chains of 1 to 1000 LEDs of every wiring, recorded at several rates with noise on the edges."""

from __future__ import annotations

from typing import Any

import numpy as np

from spinlag.synth import scenario_from_mapping, simulate
from wiring_benches import Bench, wrong_bytes

RATES_HZ = (12e6, 16e6, 24e6, 50e6, 100e6)
FAMILIES = ("APA102", "SK9822", "P9813", "WS2801", "LPD6803", "LPD8806")
KINDS = ("one-wire", *FAMILIES, "registers", "drivers", "direct")
MOST_DIRECT = 64
"""Direct lines of one chain, at most."""


def random_chain(rng: np.random.Generator, kind: str, leds: int, rate_hz: float) -> Bench:
    """A dozen updates of a chain of that kind; edges are noisy by up to a twelfth of the shortest interval."""
    table: dict[str, Any] = {"count": leds}
    # at least eight samples to a clock period
    clock = min(rate_hz / float(rng.uniform(8.0, 30.0)), 10e6)
    if kind == "one-wire":
        wide = bool(rng.integers(2))
        table |= {"order": "RGBW" if wide else "GRB", "jitter_ns": float(rng.uniform(0.0, 20.0))}
        wire = leds * (32 if wide else 24) * 1.3e-6
    elif kind in FAMILIES:
        table |= {"wiring": "clocked", "protocol": kind, "clock_rate_hz": clock}
        table |= {
            "jitter_ns": float(rng.uniform(0.0, 1.0)) * 0.4e9 / clock / 12,
            "brightness": int(rng.choice([31, 9])),
        }
        wire = (32 * leds + 100 + leds) / clock + (600e-6 if kind == "WS2801" else 0.0)
    elif kind == "direct":
        table |= {"wiring": "direct", "lines": [f"L{i}" for i in range(leds)], "skew_ns": float(rng.uniform(0, 300))}
        wire = 300e-9 * leds
    else:
        deep = kind == "drivers"
        table |= {"wiring": "latched", "depth": 12 if deep else 1, "outputs_per_chip": 16 if deep else 8}
        table |= {"clock_rate_hz": clock, "jitter_ns": float(rng.uniform(0.0, 1.0)) * 0.5e9 / clock / 12}
        table |= {"latch_after_ns": 2e9 / clock, "latch_width_ns": 2e9 / clock}
        if rng.integers(2):
            table["blank"] = "BLANK"
        wire = (leds + 16) * table["depth"] / clock
    gap = 80e-6
    columns, slot = 12, 1.3 * (wire + gap) + 100e-6
    scenario = {
        "seed": int(rng.integers(2**40)),
        "duration_s": 14 * slot,
        "index": None,
        "recorder": {"sample_rate_hz": rate_hz, "clock_error_ppm": float(rng.uniform(-40.0, 40.0))},
        "shaft": {"speed_rev_per_s": 1.0 / (columns * slot)},
        "firmware": {"columns": columns, "gap_us": gap * 1e6, "column_jitter_us": 2.0},
        "leds": [table],
    }
    simulation = simulate(scenario_from_mapping(scenario))
    return Bench(simulation, simulation.capture, frozenset())


def differs(bench: Bench) -> list[str]:
    """What differs between what was decoded by the scenario's own rig and what was sent."""
    return wrong_bytes(bench, bench.simulation.rig)
