"""What the report says of each chain: its lines, its LEDs of the picture, its sheet's row, and when it shows."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from spinlag import analyse
from spinlag.report.chain_facts import chain_facts, together_document
from spinlag.report.grades import grades
from spinlag.report.results import results_document
from spinlag.report.rows import revision_rows
from spinlag.rig import rig_from_mapping
from spinlag.synth import scenario_from_mapping, simulate
from spinlag.synth.simulate import rig_tables

CHAINS = [
    {"name": "inner", "count": 3},
    {"name": "outer", "wiring": "clocked", "part": "APA102C", "count": 40, "first_led": 3, "clock_rate_hz": 4e6},
    {"name": "lamps", "wiring": "latched", "part": "74HC595", "count": 13, "first_led": 43, "blank": "BLANK"},
    {"name": "posts", "wiring": "direct", "count": 2, "lines": ["P0", "P1"], "first_led": 56},
]


@pytest.fixture(scope="module")
def findings():
    scenario = scenario_from_mapping(
        {
            "seed": 4,
            "duration_s": 0.3,
            "recorder": {"sample_rate_hz": 50e6},
            "firmware": {"columns": 12},
            "leds": CHAINS,
        }
    )
    made = simulate(scenario)
    tables = rig_tables(scenario)
    tables["leds"][2] |= {"supply_v": 3.3, "ambient_c": 60}
    return analyse(made.capture, rig_from_mapping(tables))


def test_lines_leds_and_light(findings):
    inner, outer, lamps, posts = (dict(chain_facts(findings, index)) for index in range(4))
    assert inner["wiring"] == "one wire, DOUT"
    assert outer["wiring"] == "clocked: data on DATA, clock on CLOCK, sampled at the rising edge"
    assert lamps["wiring"].endswith("latch on RCLK, shown at its rising edge; blank on BLANK, dark while high")
    assert posts["wiring"] == "direct, a line each: P0, P1"
    owned = [facts["LEDs of the picture"] for facts in (inner, outer, lamps, posts)]
    assert owned == ["1 to 3 of 58", "4 to 43 of 58", "44 to 56 of 58", "57 to 58 of 58"]
    assert lamps["LEDs"].startswith("13, 1 bit each")
    # 39 words of 32 clocks and 39 half clocks of delay at 4 MHz are 316.9 us (bench post of 2014-11-30)
    assert outer["shown"].startswith("each LED with its own word; the last one 316.9\u00a0µs")
    assert lamps["shown"] == "at the rising edge of RCLK, or the end of BLANK"
    assert ["probe" in facts for facts in (inner, outer, lamps, posts)] == [True, False, False, False]


def test_the_row_that_the_rig_chose_is_the_one_shown(findings):
    # 74HC595 (NXP Rev. 6) table 7: 95 ns at 2 V and 85 C
    low = {grade.name: grade.sheet.low_s for grade in grades(findings, 2) if grade.sheet is not None}
    assert low["clock_high"] == 95e-9
    judged = {verdict.id: verdict.limit_low for verdict in findings.verdicts}
    assert judged["leds.lamps.clock_high"] == low["clock_high"]
    assert revision_rows(findings, 2)[1] == []


def test_ownership_and_skew_in_the_results(findings):
    document = together_document(findings)
    assert [(one["first_led"], one["last_led"]) for one in document["leds"]] == [(1, 3), (4, 43), (44, 56), (57, 58)]
    assert [(one["chain"], one["against"]) for one in document["skew"]] == [
        ("outer", "inner"),
        ("lamps", "inner"),
        ("posts", "inner"),
    ]
    one_wire, apa = findings.chains[:2]
    between = np.median(apa.last + apa.light_s * 1e9 - one_wire.last - one_wire.light_s * 1e9) * 1e-9
    assert_allclose(document["skew"][0]["skew_s"]["mean"], between, rtol=1e-3, atol=0)
    assert len(document["skew"][0]["by_column_s"]) == 12
    assert results_document(findings)["together"]["leds"] == document["leds"]
