"""An LED line that holds its level for many updates while others go on: its clip came off, or its sender stopped.

That is no bit, and nothing passes because of it.
"""

from __future__ import annotations

import dataclasses

import pytest

from spinlag.pipeline import analyse
from spinlag.rig import rig_from_mapping
from spinlag.synth import scenario_from_mapping, simulate
from test_gaps import TABLES, cut, cut_silently, outside

LIMITS = {
    "latency.latency": {"max_ms": 5},
    "latency.without_update": {"max_percent": 0},
    "placement.missing": {"max_percent": 0},
    "placement.residue": {"max_deg": 5},
}
MADE = simulate(scenario_from_mapping({**TABLES, "duration_s": 1.2}))
RIG = rig_from_mapping({**MADE.rig.model_dump(mode="json", exclude_defaults=True), "limits": LIMITS})
CLEAN = analyse(MADE.capture, RIG)
UPDATE = int(CLEAN.chains[0].start[len(CLEAN.chains[0]) // 3])
PER_MS = round(1e-3 / float(MADE.capture.tick))


def held(at, length_ms, how):
    """The capture with its data line frozen from `at` ticks after the beginning of an update on."""
    line = MADE.capture.channel(RIG.leds[0].data)
    frozen = how(line, UPDATE + at, UPDATE + at + round(length_ms * PER_MS))
    channels = tuple(frozen if one is line else one for one in MADE.capture.channels)
    return analyse(dataclasses.replace(MADE.capture, channels=channels), RIG)


def verdicts(found):
    return {one.id: one.verdict for one in found.verdicts}


def test_the_bench_itself_passes():
    assert set(verdicts(CLEAN).values()) == {"pass"}
    assert len(verdicts(CLEAN)) > len(LIMITS)


@pytest.mark.parametrize("at_us", [0.1, 0.6, 1.0, 20.3, 20.6, 21.0])
@pytest.mark.parametrize("how", [cut, cut_silently])
def test_a_level_held_in_an_update_is_no_bit(at_us, how):
    found = held(round(at_us * PER_MS / 1000), 50.37, how)
    assert "fail" not in verdicts(found).values()
    assert outside(found.chains[0], CLEAN.chains[0]) == []
    # what passed was measured beside it; what counts columns and turns without one is not passed
    undecided = {name for name, verdict in verdicts(found).items() if verdict == "undecided"}
    assert undecided == {"latency.without_update", "placement.missing"}
    assert [event.origin.kind for event in found.incidents.events] == ["data-silent"]
    assert "its clip came off, or the sender stopped" in found.incidents.events[0].sentence
    (said,) = [warning for warning in found.warnings if "clip" in warning]
    assert "(leds[0].data) stays" in said and " ms from " in said


def test_nothing_passes_for_a_record_of_which_a_good_part_is_held():
    found = held(600, 300.0, cut)
    assert {name for name, one in verdicts(found).items() if one == "pass" and not name.startswith("motor.")} == set()
    assert found.verdict == "undecided"


def test_a_sender_that_rests_between_whole_updates_is_taken_at_its_word():
    gap = (int(CLEAN.chains[0].last[len(CLEAN.chains[0]) // 3]) - UPDATE) + 40 * PER_MS // 1000
    starts = CLEAN.chains[0].start
    later = int(starts[starts > UPDATE + 50 * PER_MS][0]) - UPDATE - gap
    found = held(gap, (later - 10 * PER_MS // 1000) / PER_MS, cut)
    assert verdicts(found)["placement.missing"] == "fail"
    assert not [warning for warning in found.warnings if "clip" in warning]


def test_a_bit_that_is_long_by_less_than_the_updates_are_apart_is_still_a_bit():
    assert verdicts(held(100, 0.3, cut))["leds.arm.t1h"] == "fail"


@pytest.mark.parametrize("at_us", [5.0, 5.03, 6.0])
def test_a_clock_that_is_held_in_an_update(at_us):
    led = {"name": "arm", "wiring": "clocked", "part": "APA102", "data": "DOUT", "clock": "CLK", "count": 4}
    made = simulate(scenario_from_mapping({**TABLES, "leds": [led], "duration_s": 1.2}))
    rig = rig_from_mapping({**made.rig.model_dump(mode="json", exclude_defaults=True), "limits": LIMITS})
    clean = analyse(made.capture, rig)
    assert set(verdicts(clean).values()) == {"pass"}
    begin = int(clean.chains[0].start[len(clean.chains[0]) // 3]) + round(at_us * PER_MS / 1000)
    lines = [cut(one, begin, begin + 50 * PER_MS) if one.name == "CLK" else one for one in made.capture.channels]
    found = analyse(dataclasses.replace(made.capture, channels=tuple(lines)), rig)
    assert "fail" not in verdicts(found).values()
    assert verdicts(found)["placement.missing"] == "undecided"
    assert outside(found.chains[0], clean.chains[0]) == []
    (said,) = [warning for warning in found.warnings if "clip" in warning]
    assert said.startswith("CLK (leds[0].clock) stays")
