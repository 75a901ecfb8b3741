"""What the motor lines are made to say about an incident of the index."""

from __future__ import annotations

import numpy as np
import pytest

from build import capture, channel, pulses
from spinlag.incidents.link import clock_of
from spinlag.incidents.model import Incident
from spinlag.incidents.witness import shaft_says
from spinlag.pipeline import analyse
from spinlag.synth import scenario_from_mapping, simulate

PERIOD = 30_000_000
TURNS = np.arange(1, 31, dtype=np.int64) * PERIOD
CLOCK = clock_of(capture([channel("SENSOR", pulses(TURNS, 1000))]), TURNS)


class Shaft:
    """A motor that tells the shaft's angle: even up to `at`, and `faster` by that ratio after it."""

    def __init__(self, at=0, faster=1.0, until=10**12):
        self.at, self.faster, self.until = at, faster, until

    def turns_at(self, ticks):
        ticks = np.asarray(ticks, dtype=np.float64)
        turns = np.where(ticks < self.at, ticks, self.at + (ticks - self.at) * self.faster) / PERIOD - 1
        return np.where(ticks > self.until, np.nan, turns)


def incident(kind, turn=10.0):
    tick = int(TURNS[0] + turn * PERIOD)
    return Incident("I1", kind, tick, tick * 1e-9, int(turn), 0.0, "SENSOR", "happened")


@pytest.mark.parametrize("kind", ["index-missed", "index-doubled", "index-runt", "index-shifted"])
def test_an_even_shaft_clears_itself_and_puts_the_blame_on_the_sensor(kind):
    assert "suspect the sensor" in shaft_says(incident(kind), Shaft(), CLOCK)


def test_a_change_that_the_motor_saw_is_the_shafts():
    shaft = Shaft(at=TURNS[10], faster=1.08)
    assert shaft_says(incident("speed-step"), shaft, CLOCK) == "The motor lines saw it too (+8.0 %): it was the shaft."
    assert "own speed change by +8.0 %" in shaft_says(incident("index-shifted"), shaft, CLOCK)
    assert "change by no more than 0.1 %" in shaft_says(incident("speed-step"), Shaft(), CLOCK)


def test_without_a_witness_only_doubtful_kinds_say_so():
    assert "No motor line" in shaft_says(incident("index-shifted"), None, CLOCK)
    assert shaft_says(incident("index-missed"), None, CLOCK) == ""
    assert shaft_says(incident("update-late"), Shaft(), CLOCK) == ""


def test_a_witness_that_does_not_reach_is_none():
    assert shaft_says(incident("index-missed"), Shaft(until=TURNS[5]), CLOCK) == ""


def test_the_whole_way_with_motor_lines():
    made = simulate(
        scenario_from_mapping(
            {
                "duration_s": 1.2,
                "index": {},
                "shaft": {"speed_rev_per_s": 30.0},
                "motor": {"pole_pairs": 4},
                "leds": [{"count": 4}],
                "firmware": {"columns": 24},
                "faults": [
                    {"kind": "index-doubled", "revolution": 8, "after_us": 9000.0},
                    {"kind": "speed-step", "revolution": 18, "percent": 6.0},
                    {"kind": "motor-dropout", "revolution": 27, "phase": "PH_U", "duration_ms": 40.0},
                ],
            }
        )
    )
    report = analyse(made.capture, made.rig).incidents
    by_kind = {event.origin.kind: event.sentence for event in report.events}
    assert set(by_kind) == {"index-doubled", "speed-step", "motor-dropout"}
    assert "suspect the sensor" in by_kind["index-doubled"]
    assert "it was the shaft" in by_kind["speed-step"]
    assert {"motor-sequence", "motor-dropout"} <= set(report.rates["kind"])
