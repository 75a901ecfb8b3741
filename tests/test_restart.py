"""Index pulses that look alike: the updates tell which of them the firmware counts from, or nothing is claimed."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from spinlag import analyse
from spinlag.synth import scenario_from_mapping, simulate

TABLES = {
    "seed": 11,
    "duration_s": 0.8,
    "shaft": {"speed_rev_per_s": 30.0, "hunting": {"period_s": 0.8, "amplitude": 0.001}, "random_walk": 0.0003},
    "leds": [{"count": 4}],
    "firmware": {"columns": 48, "response_us": 45, "response_jitter_us": 1.5, "column_jitter_us": 0.5, "holdoff": 0.3},
    "limits": {"latency.latency": {"max_us": 400}, "placement.offset": {"max_deg": 5}},
}


def made(pulses, *, start_deg, **tables):
    index = {"pulses_per_revolution": pulses, "noise_us": 0.5, "width_deg": 2.0}
    shaft = {**TABLES["shaft"], "start_deg": start_deg}
    return simulate(scenario_from_mapping({**TABLES, "index": index, "shaft": shaft, **tables}))


@pytest.mark.parametrize("motor", [None, {}])
@pytest.mark.parametrize(("pulses", "start_deg"), [(2, 100.0), (3, 10.0), (3, 130.0), (3, 250.0), (6, 70.0)])
def test_revolutions_begin_where_the_firmware_starts_over(pulses, start_deg, motor):
    simulation = made(pulses, start_deg=start_deg, motor=motor)
    truth = simulation.truth
    findings = analyse(simulation.capture, simulation.rig)
    rotation, placement = findings.rotation, findings.placements[0]
    assert rotation.begins_known
    assert any("start over" in note for note in rotation.notes)
    assert len(rotation.turns) == len(truth.periods_s)
    assert_allclose(rotation.turns["start_s"], truth.zero_s[:-1], rtol=0, atol=2e-6)
    inside = placement.updates["revolution"].to_numpy() >= 0
    assert_array_equal(placement.updates["column"].to_numpy()[inside], truth.chains[0].column[inside])
    assert_allclose(findings.latencies[0].response.mean, 45e-6, rtol=0, atol=1.5e-6)
    assert {verdict.verdict for verdict in findings.verdicts} == {"pass"}


def test_nothing_is_claimed_where_the_updates_do_not_tell():
    even = {"speed_rev_per_s": 30.0, "start_deg": 130.0}
    steady = {"columns": 48, "response_us": 45, "response_jitter_us": 0.0, "column_jitter_us": 2.0, "holdoff": 0.3}
    simulation = made(3, start_deg=130.0, shaft=even, firmware=steady)
    findings = analyse(simulation.capture, simulation.rig)
    assert not findings.rotation.begins_known
    assert findings.latencies == (None,)
    judged = {verdict.id: verdict.verdict for verdict in findings.verdicts}
    assert judged["latency.latency"] == judged["placement.offset"] == "not-measured"
    assert len(findings.rotation.turns) in (len(simulation.truth.periods_s), len(simulation.truth.periods_s) - 1)


def test_telling_by_luck_is_rare():
    told = 0
    for seed in range(20):
        even = {"speed_rev_per_s": 30.0, "start_deg": 130.0}
        steady = {"columns": 12, "response_us": 45, "response_jitter_us": 0.0, "column_jitter_us": 2.0, "holdoff": 0.3}
        simulation = made(3, start_deg=130.0, shaft=even, firmware=steady, seed=seed)
        told += analyse(simulation.capture, simulation.rig).rotation.begins_known
    assert told <= 1


def test_an_index_alone_needs_no_beginning():
    simulation = made(3, start_deg=130.0, leds=[], limits={})
    findings = analyse(simulation.capture, simulation.rig)
    assert not findings.rotation.begins_known
    assert_allclose(findings.rotation.speed.mean, np.mean(1 / simulation.truth.periods_s), rtol=2e-4)
