"""What an incident says of odd bits agrees with the verdicts on the same bits."""

import pytest

from spinlag import analyse
from spinlag.report.sections import left_out
from spinlag.synth import scenario_from_mapping, simulate


def graded(change_ns, bits=3, rate=24e6):
    tables = {
        "seed": 5,
        "duration_s": 0.2,
        "recorder": {"sample_rate_hz": rate},
        "leds": [{"count": 8}],
        "faults": [
            {"kind": "data-bit-time", "revolution": 3, "column": 12, "led": 4, "bit": 2, "bits": bits}
            | {"change_ns": change_ns}
        ],
        "picture": {"kind": "noise"},
    }
    simulation = simulate(scenario_from_mapping(tables))
    findings = analyse(simulation.capture, simulation.rig)
    (odd,) = [one for one in findings.observations if one.kind == "data-bit-time"]
    return odd.detail, {one.id.rpartition(".")[2]: one.verdict for one in findings.verdicts}


# WS2812B, file dated 2013-05-30, p. 3: T0H 250 to 550 ns, T1H 650 to 950 ns; bits of 400 and 800 ns


@pytest.mark.parametrize("bits", [8, 16])
def test_the_worst_of_several_bits_is_graded(bits):
    detail, verdicts = graded(230, bits)
    assert verdicts["t1h"] == "fail"
    assert "still inside" not in detail
    assert "outside the sheet" in detail


def test_a_bit_near_the_limit_is_not_said_to_be_inside():
    detail, verdicts = graded(150, bits=16)
    assert "fail" not in (verdicts["t0h"], verdicts["t1h"])
    assert "undecided" in (verdicts["t0h"], verdicts["t1h"])
    assert "too near the limit" in detail


def test_a_bit_well_inside_is_said_to_be():
    detail, verdicts = graded(100, rate=100e6)
    assert verdicts["t0h"] == verdicts["t1h"] == "pass"
    assert "still inside the sheet" in detail


def test_a_line_behind_an_led_is_said_not_to_be_judged():
    tables = {"seed": 5, "duration_s": 0.2, "leds": [{"count": 8}]}
    simulation = simulate(scenario_from_mapping(tables))
    behind = tuple(table.model_copy(update={"tap": "after-led"}) for table in simulation.rig.leds)
    findings = analyse(simulation.capture, simulation.rig.model_copy(update={"leds": behind}))
    assert not [one for one in findings.verdicts if one.id.startswith("leds.")]
    assert any("behind an LED" in said for said in left_out(findings))
    assert not any("behind an LED" in said for said in left_out(analyse(simulation.capture, simulation.rig)))
