"""What the table of revolutions says of several chains, and what `look` says of a pulse too many."""

from __future__ import annotations

import numpy as np

import spinlag
from spinlag.roles import guess_roles
from spinlag.synth import scenario_from_mapping, simulate


def test_every_chain_stands_in_the_table_of_revolutions():
    chains = [{"name": name, "data": f"D_{name}", "count": 4} for name in ("inner", "outer")]
    simulation = simulate(scenario_from_mapping({"seed": 5, "duration_s": 0.4, "leds": chains}))
    table = spinlag.analyse(simulation.capture, simulation.rig).revolutions
    first = [name for name in table.columns if not name.startswith("outer.")]
    assert not any(name.startswith("inner.") for name in first)
    for name in ("latency_s", "response_s", "offset_deg", "missing"):
        assert name in first
        assert np.isfinite(table[f"outer.{name}"].to_numpy(dtype=float)[1:-1]).all(), name
    assert len(table.columns) == len(set(table.columns))


def test_a_false_pulse_is_no_part_of_the_rate():
    tables = {"seed": 3, "duration_s": 1.0, "leds": [], "shaft": {"speed_rev_per_s": 30.0}}
    tables["faults"] = [{"kind": "index-doubled", "revolution": 12, "after_us": 3000.0}]
    capture = simulate(scenario_from_mapping(tables)).capture
    (index,) = [one for one in guess_roles(capture) if one.channel == "SENSOR"]
    (said,) = [reason for reason in index.reasons if "regular pulses" in reason]
    assert "at 30.0 Hz" in said, said
